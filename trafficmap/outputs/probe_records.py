"""Records of readings a run folder keeps: put there, and found there again."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from trafficmap.core.errors import InputError
from trafficmap.core.notes import worst_first
from trafficmap.field.readings import FOLDER, Told, with_readings
from trafficmap.formats import _files

if TYPE_CHECKING:
    from collections.abc import Iterable

    from trafficmap.field.model import Field

TOLD = "told.json"
"""What a person said of each record, beside the records."""


def keep_record(name: str, content: bytes, told: Told, place: Path) -> Path:
    """Put a record into a run folder, with what was said of it.

    Parameters
    ----------
    name : str
        As in the inputs of the run, ``readings/NAME``.
    content : bytes
    told : Told
    place : Path
        The run folder.
    """
    path = _files.write_bytes(place / name, content)
    said = _said(place) | {name: msgspec.to_builtins(told)}
    text = json.dumps(said, indent=1, sort_keys=True)
    _files.write_text(place / FOLDER / TOLD, text + "\n")
    return path


def kept_records(inputs: Iterable[dict], place: Path) -> dict[str, tuple[Path, Told]]:
    """Return the records among the inputs of a run: where they are, what was said.

    Raises
    ------
    InputError
        One is not there any more.
    """
    said = _said(place)
    found = {}
    for entry in inputs:
        name = str(entry["name"])
        if not name.startswith(f"{FOLDER}/"):
            continue
        path = place / name
        if not path.is_file():
            msg = f"{place.name}: {name} is gone, need the readings of this run."
            raise InputError(msg, "put the file back, or run the field again")
        found[name] = (path, msgspec.convert(said.get(name, {}), Told))
    return found


def put_back(field: Field, place: Path, inputs: Iterable[dict]) -> Field:
    """Return the field with the records that were read into a run."""
    notes = list(field.notes)
    for path, told in kept_records(inputs, place).values():
        field, _, more = with_readings(field, path, told=told)
        notes += more
    if len(notes) > len(field.notes):
        return replace(field, notes=tuple(worst_first(notes)))
    return field


def _said(place: Path) -> dict:
    try:
        told = json.loads((place / FOLDER / TOLD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}
