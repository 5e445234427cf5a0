"""The catalogue of generic classes and attachments, with range and mark of each value.

Values are in catalogue.toml and catalogue_attachments.toml, ranges in
catalogue_ranges.toml.
"""

from __future__ import annotations

import copy
import difflib
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from trafficmap.core.errors import SettingsError
from trafficmap.machines.tyres import parse_tyre


@dataclass(frozen=True)
class RangedValue:
    """One value of a class: where it stands, what is usual, and who says so.

    ``value``, ``low`` and ``high`` are in the unit of the key; of a tyre they are its
    nominal width [m], and ``text`` is its designation.
    """

    body: str
    key: str
    value: float
    low: float
    high: float
    mark: str
    text: str = ""


def generic_machine(class_name: str) -> dict:
    """Return a class of the catalogue as plain values, free to be changed.

    Parameters
    ----------
    class_name : str
        One of `class_names`.

    Returns
    -------
    dict
        ``label`` and ``body``, a list of bodies as in a machine file.

    Raises
    ------
    SettingsError
        The class is unknown; the hint holds the nearest name.
    """
    try:
        return copy.deepcopy(_catalogue()[class_name])
    except (KeyError, TypeError):
        msg = f"machine class: got {class_name!r}, need one of the known classes."
        near = nearest(str(class_name), class_names())
        hint = f"write {near}" if near else "choose from: " + ", ".join(class_names())
        raise SettingsError(msg, hint) from None


def class_names() -> tuple[str, ...]:
    """Return every class name, in the order of the catalogue."""
    return tuple(_catalogue())


def generic_attachment(name: str) -> dict:
    """Return a header or toolbar of the catalogue as an ``attachment`` table.

    Raises
    ------
    SettingsError
        The name is unknown; the hint holds the nearest one.
    """
    try:
        found = _read("catalogue_attachments.toml")[name]
    except (KeyError, TypeError):
        names = attachment_names()
        msg = f"attachment: got {name!r}, need a table or one of the known names."
        near = nearest(str(name), names)
        hint = f"write {near}" if near else "choose from: " + ", ".join(names)
        raise SettingsError(msg, hint) from None
    return {"name": found["label"], **copy.deepcopy(found["value"])}


def attachment_names() -> tuple[str, ...]:
    """Return every name `generic_attachment` knows, in the order of the catalogue."""
    return tuple(_read("catalogue_attachments.toml"))


def attachment_range(name: str, key: str) -> tuple[float, float]:
    """Return the usual range of a value of an attachment, in the unit of its key."""
    low, high = _read("catalogue_attachments.toml")[name]["range"][key]
    return float(low), float(high)


def ranged_values(class_name: str) -> list[RangedValue]:
    """Return every number of a class with its range and mark, tyres by their width.

    Left out is only the place of the axle that is the origin, and zeros.

    Raises
    ------
    KeyError
        A value of the catalogue has no range: a mistake in the catalogue.
    """
    out = []
    for body in generic_machine(class_name)["body"]:
        for key, value in _leaves(body):
            low, high, mark = _range(class_name, body["class"], key)
            text = value if isinstance(value, str) else ""
            number = parse_tyre(text).width if text else float(value)
            out.append(RangedValue(body["id"], key, number, low, high, mark, text))
    return out


def nearest(word: str, words) -> str:
    """Return the known word most like `word`, or an empty text."""
    match = difflib.get_close_matches(word, list(words), n=1, cutoff=0.5)
    return match[0] if match else ""


def _leaves(body: dict) -> Iterator[tuple[str, Any]]:
    """Yield (key, value) of every number and tyre of a body."""
    for section in ("antenna", "mass", "payload", "steering", "limits", "coupling"):
        for key, value in body.get(section, {}).items():
            if isinstance(value, list):
                yield from ((f"{section}.{key}", item) for item in value)
            elif _number(value):
                yield f"{section}.{key}", value
    for item in body.get("attachment", []):
        yield from ((f"attachment.{k}", v) for k, v in item.items() if _number(v))
    for axle in body["axle"]:
        where = f"axle.{axle['name']}"
        yield from ((f"{where}.{k}", v) for k, v in axle.items() if v and _number(v))
        for contact in axle["contact"]:
            for key, value in contact.items():
                if key == "designation":
                    yield f"{where}.tyre", value
                elif _number(value):
                    yield f"{where}.{key}", value
    for hitch in body.get("hitch", []):
        where = f"hitch.{hitch['name']}"
        yield from ((f"{where}.{k}", v) for k, v in hitch.items() if _number(v))
        for key, value in hitch.get("hose", {}).items():
            yield f"{where}.hose.{key}", value


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _range(class_name: str, kind: str, key: str) -> tuple[float, float, str]:
    """Return range and mark of a key: the class's own, its kind's, or the general."""
    tables = _read("catalogue_ranges.toml")
    first, *_, last = key.split(".")
    keys = (key, f"{first}.*.{last}")
    own = tables["class"].get(class_name, {})
    for table in (own, tables["kind"].get(kind, {}), tables["general"]):
        for name in keys:
            if name in table:
                low, high, mark = table[name]
                return float(low), float(high), str(mark)
    msg = f"{class_name}.{key}"
    raise KeyError(msg)


def _catalogue() -> dict:
    return _read("catalogue.toml")


@cache
def _read(name: str) -> dict:
    text = files(__package__).joinpath(name).read_text(encoding="utf-8")
    return tomllib.loads(text)
