"""Plain values to the Structs of `model`, with the path of every refusal."""

from __future__ import annotations

import math
import types
import typing
from functools import lru_cache
from typing import Any

import msgspec

from trafficmap.core.errors import SettingsError
from trafficmap.core.units import to_si
from trafficmap.machines.catalogue import nearest

_OTHER_UNITS = {
    "kg": {"lb": "lb", "t": "t"},
    "kpa": {"psi": "psi", "bar": "bar"},
    "m3": {"gal": "gal", "l": "L", "bu": "bu"},
    "m": {"ft": "ft", "in": "in", "mm": "mm"},
}
"""Suffix of a key -> suffixes a person may write instead, and their unit."""

_TO_SUFFIX = {"kg": 1.0, "kpa": 1e-3, "m3": 1.0, "m": 1.0}


def convert(value: Any, kind: type, *, path: str):
    """Return `value` as the Struct `kind`, refusing unknown keys by path and name."""
    return msgspec_value(known_keys(value, kind, path=path), kind, path=path)


def msgspec_value(value: Any, kind: type, *, path: str):
    """Return `value` as `kind`; ranges and types are msgspec's, the words are ours."""
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        text = str(error)
        reason, _, place = text.partition(" - at `")
        key = place.rstrip("`").removeprefix("$").lstrip(".")
        where = f"{path}.{key}" if key else path
        msg = f"{where}: {reason[0].lower()}{reason[1:]}."
        raise SettingsError(msg, "see the table of keys of a machine") from None


def known_keys(value: Any, kind: type, *, path: str) -> dict:
    """Return `value` with every key known to `kind`, other units converted."""
    if not isinstance(value, dict):
        msg = f"{path}: got {value!r}, need a table of keys."
        raise SettingsError(msg, f"write it as [{path}] with its keys below")
    fields = _fields(kind)
    out: dict[str, Any] = {}
    for key, item in value.items():
        name, item = own_unit(key, item, fields, path=path)
        if name in out:
            msg = f"{path}.{name}: is given twice, in two units."
            raise SettingsError(msg, "keep one of them")
        out[name] = _inner(item, fields[name].type, f"{path}.{name}")
    return out


@lru_cache
def _fields(kind: type) -> dict[str, Any]:
    """Return the fields of a Struct by their key; slow to look up, so once a kind."""
    return {f.encode_name: f for f in msgspec.structs.fields(kind)}


def own_unit(key: str, value: Any, names, *, path: str) -> tuple[str, Any]:
    """Return the known key and the value in its unit, as empty_kg for empty_lb."""
    if key in names:
        return key, value
    stem, _, suffix = key.rpartition("_")
    for own, others in _OTHER_UNITS.items():
        if f"{stem}_{own}" in names and suffix in others:
            return f"{stem}_{own}", _in_unit(
                value, own, others[suffix], f"{path}.{key}"
            )
    near = nearest(key, names)
    msg = f"{path}.{key}: is not a key of a machine, need one of {', '.join(names)}."
    raise SettingsError(msg, f"write {near}" if near else "leave it out")


def _in_unit(value: Any, own: str, unit: str, path: str):
    if isinstance(value, dict):
        return {k: _in_unit(v, own, unit, f"{path}.{k}") for k, v in value.items()}
    if isinstance(value, list):
        return [_in_unit(v, own, unit, f"{path}[{k}]") for k, v in enumerate(value)]
    if isinstance(value, bool) or not isinstance(value, int | float):
        msg = f"{path}: got {value!r}, need a number."
        raise SettingsError(msg, "write a plain number")
    if unit == "bu":
        from trafficmap.core.units import VOLUME_BUSHEL

        return value * VOLUME_BUSHEL
    return float(to_si(value, unit)) * _TO_SUFFIX[own]


def _inner(value: Any, kind: Any, path: str):
    struct = _struct_in(kind)
    if struct is not None:
        if isinstance(value, list):
            return [
                known_keys(item, struct, path=f"{path}[{k}]")
                for k, item in enumerate(value)
            ]
        return known_keys(value, struct, path=path)
    if isinstance(value, float) and not math.isfinite(value):
        msg = f"{path}: got {value}, need a plain number."
        raise SettingsError(msg, "leave the key out when it is not known")
    return value


def _struct_in(kind: Any):
    """Return the Struct inside an annotation, None when there is none."""
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return kind
    origin = typing.get_origin(kind)
    if origin in (typing.Union, types.UnionType, tuple, typing.Annotated):
        for part in typing.get_args(kind):
            if (found := _struct_in(part)) is not None:
                return found
    return None
