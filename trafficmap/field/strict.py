"""Plain values to Structs, with the path, the nearest name and other units."""

from __future__ import annotations

import difflib
import typing
from typing import Any, TypeVar

import msgspec

from trafficmap.core.errors import SettingsError

S = TypeVar("S", bound=msgspec.Struct)

FILE = "field.toml"

_SUFFIXES: dict[str, tuple[str, float]] = {
    "m": ("length", 1.0),
    "cm": ("length", 0.01),
    "mm": ("length", 0.001),
    "in": ("length", 0.0254),
    "ft": ("length", 0.3048),
    "kg": ("mass", 1.0),
    "t": ("mass", 1000.0),
    "lb": ("mass", 0.45359237),
    "kw": ("power", 1.0),
    "hp": ("power", 0.74569987158227),
    "km_h": ("speed", 1.0),
    "m_s": ("speed", 3.6),
    "mph": ("speed", 1.609344),
    "m3_ha": ("application", 1.0),
    "l_ha": ("application", 0.001),
    "gal_ac": ("application", 3.785411784e-3 / 0.40468564224),
    "t_ha": ("areal mass", 1.0),
    "kg_ha": ("areal mass", 0.001),
    "lb_ac": ("areal mass", 0.45359237e-3 / 0.40468564224),
    "per_ha": ("money an area", 1.0),
    "per_ac": ("money an area", 1 / 0.40468564224),
    "per_l": ("money a volume", 1.0),
    "per_gal": ("money a volume", 1 / 3.785411784),
    "per_t": ("money a mass", 1.0),
    "per_kg": ("money a mass", 1000.0),
    "per_short_ton": ("money a mass", 1000.0 / 907.18474),
}
"""Unit at the end of a key: what it measures, and its factor within that kind."""


def to_struct(table: object, kind: type[S], *, path: str = "") -> S:
    """Return `table` as `kind`, refusing unknown keys and wrong values by their path.

    A number whose key ends in a unit may be given in another unit of the same kind:
    ``width_ft`` where the Struct says ``width_m``.

    Parameters
    ----------
    table : dict
        As read from TOML.
    kind : type
        A msgspec Struct; its fields may be Structs, tuples of Structs, or values.
    path : str
        Where in the file the table stands, for the sentence.

    Raises
    ------
    SettingsError
    """
    if not isinstance(table, dict):
        msg = f"{FILE}: {path} is {_word(table)}, need a table."
        raise SettingsError(msg, f"write it as [{path}] with its keys below")
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    values: dict[str, Any] = {}
    for key, value in table.items():
        name, factor = _own_name(key, fields, path)
        where = _join(path, key)
        if name in values:
            msg = f"{FILE}: {where} is given twice, in two units."
            raise SettingsError(msg, f"keep one of them, as {name}")
        values[name] = _value(value, fields[name].type, where, factor)
    for field in fields.values():
        if field.required and field.name not in values:
            msg = f"{FILE}: {_join(path, field.name)} is missing, need {_need(field)}."
            place = f"to [{path}]" if path else "at the top"
            raise SettingsError(msg, f"add {field.name} = ... {place}")
    return kind(**values)


def other_units(key: str) -> list[str]:
    """Return the names under which a number of `key` may be given, itself first."""
    stem, suffix = _split(key)
    if suffix is None:
        return [key]
    kind = _SUFFIXES[suffix][0]
    others = [s for s, (k, _) in _SUFFIXES.items() if k == kind and s != suffix]
    return [key, *(f"{stem}_{s}" for s in others)]


def _own_name(key: str, fields: dict, path: str) -> tuple[str, float | None]:
    """Return the Struct's name for `key` and the factor to its unit."""
    if key in fields:
        return key, None
    stem, suffix = _split(key)
    if suffix is not None:
        quantity, factor = _SUFFIXES[suffix]
        for name in fields:
            own_stem, own = _split(name)
            if own is not None and own_stem == stem and _SUFFIXES[own][0] == quantity:
                return name, factor / _SUFFIXES[own][1]
    near = difflib.get_close_matches(key, fields, n=1, cutoff=0.5)
    msg = f"{FILE}: {_join(path, key)} is not a known key."
    if near:
        raise SettingsError(msg, f"write {_join(path, near[0])}")
    raise SettingsError(msg, f"use one of {', '.join(fields)}")


def _split(key: str) -> tuple[str, str | None]:
    """Return the stem of a key and the unit it ends in, the longest that fits."""
    for suffix in sorted(_SUFFIXES, key=len, reverse=True):
        if key.endswith("_" + suffix):
            return key[: -len(suffix) - 1], suffix
    return key, None


def _value(value: object, kind: Any, where: str, factor: float | None) -> object:
    """Return one value as its type, going down into Structs."""
    inner = _struct_in(kind)
    if inner is not None:
        if typing.get_origin(kind) is not tuple:
            return to_struct(value, inner, path=where)
        if not isinstance(value, list):
            msg = f"{FILE}: {where} is {_word(value)}, need a list of tables."
            raise SettingsError(msg, f"write [[{where}]] above its keys")
        return tuple(
            to_struct(item, inner, path=f"{where}[{number}]")
            for number, item in enumerate(value, start=1)
        )
    if factor is not None:
        value = _scaled(value, factor)
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        options = _options(kind)
        need = (
            f"one of {', '.join(filter(None, options))}" if options else _plain(error)
        )
        msg = f"{FILE}: {where}{_inside(value)}, need {need}."
        hint = None
        if options and isinstance(value, str):
            near = difflib.get_close_matches(value.lower(), options, n=1)
            hint = f'write "{near[0]}"' if near else None
        if isinstance(value, str) and "number" in msg:
            hint = "write the number without quotes and without a unit"
        raise SettingsError(msg, hint or f"mend the line of {where}") from None


def _scaled(value: object, factor: float) -> object:
    """Return numbers in our unit, alone or in lists; leave the rest to the check."""
    if isinstance(value, list):
        return [_scaled(item, factor) for item in value]
    if type(value) in (int, float):
        return typing.cast(float, value) * factor
    return value


def _struct_in(kind: Any) -> type[msgspec.Struct] | None:
    """Return the Struct a type holds, alone, optional or in a tuple."""
    for part in (kind, *typing.get_args(kind)):
        if isinstance(part, type) and issubclass(part, msgspec.Struct):
            return part
    return None


def _options(kind: Any) -> list[str]:
    """Return the words a Literal type allows."""
    found: list[str] = []
    for part in (kind, *typing.get_args(kind)):
        if typing.get_origin(part) is typing.Literal:
            found += [word for word in typing.get_args(part) if isinstance(word, str)]
    return found


def _plain(error: msgspec.ValidationError) -> str:
    """Return what the check wanted, in plain words."""
    text = str(error).split(" - at ")[0]
    text = text.removeprefix("Expected ").split(", got")[0]
    text = text.removeprefix("Invalid enum value ")
    for ours, theirs in _WORDS.items():
        text = text.replace(ours, theirs)
    return text


_WORDS = {
    "`": "",
    "array | null": "a list",
    "array of length,": "a list of",
    "array": "a list",
    "float | null": "a number",
    "float": "a number",
    "int | null": "a whole number",
    "int": "a whole number",
    "bool | null": "true or false",
    "bool": "true or false",
    "str | null": "text in quotes",
    "str": "text in quotes",
    "date | null": "a date",
    "object": "a table",
    " >= ": ", at least ",
    "of length, at least": "of at least",
    " <= ": ", at most ",
    " > ": ", above ",
    " < ": ", below ",
}


def _inside(value: object) -> str:
    """Return which entry of a table is no table itself, or the value."""
    if isinstance(value, dict):
        for key, item in value.items():
            if not isinstance(item, dict):
                return f".{key} is {_word(item)}"
    return f" is {_word(value)}"


def _need(field: Any) -> str:
    """Return what a key is for, from its description."""
    for part in (field.type, *typing.get_args(field.type)):
        for meta in getattr(part, "__metadata__", ()):
            if isinstance(meta, msgspec.Meta) and meta.description:
                return meta.description
    return "a value"


def _word(value: object) -> str:
    """Return a value as a person would say it, short."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    if isinstance(value, bool):
        text = text.lower()
    return text if len(text) <= 60 else text[:57] + '..."'


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key
