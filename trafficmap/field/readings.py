"""A record of readings put to a field that was read before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.field.around import join_dug, settle_dug
from trafficmap.field.columns import table_columns
from trafficmap.field.cone import unsaid_notes
from trafficmap.field.place import Place, distance_words
from trafficmap.field.toml import DugKeys
from trafficmap.formats.paths import content_sha256

if TYPE_CHECKING:
    from trafficmap.field.model import Field

FOLDER = "readings"
"""Where a run folder keeps the records that were read into it."""

_FAR = 50.0
"""Readings further outside the boundary than this are of other ground [m]; choice."""


@dataclass(frozen=True)
class Told:
    """What a person says of a record beside its columns.

    Parameters
    ----------
    cone : float or None
        Diameter of the cone where no column says it. [m]
    unit_checked : bool
        The unit is right although the readings look odd.
    date_format : {"ymd", "dmy", "mdy"} or None
    epsg : int or None
        System of easting and northing.
    """

    cone: float | None = None
    unit_checked: bool = False
    date_format: str | None = None
    epsg: int | None = None


def read_readings(
    path: Path, *, field: Field, told: Told | None = None
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the readings of a record, checked to be of this field.

    Parameters
    ----------
    path : Path
        A delimited text file, as the blank record of a probe plan.
    field : Field
    told : Told, optional

    Returns
    -------
    DataFrame
        Contract `DUG`.
    list of Note

    Raises
    ------
    InputError
        No reading is in it, it lies in another field, its unit cannot be right, or
        forces come without the size of the cone.
    """
    path, told = Path(path), told or Told()
    if not path.is_file():
        msg = f"{path.name}: is not there, need the record of the readings."
        raise InputError(msg, "give the file you wrote the readings into")
    keys = DugKeys(
        file=path.name,
        epsg=told.epsg,
        date_format=told.date_format,  # type: ignore[arg-type]
        cone_mm=None if told.cone is None else 1e3 * told.cone,
        unit_checked=told.unit_checked,
    )
    columns = table_columns(path)
    table, notes = settle_dug(columns, place=Place(field.epsg), keys=keys)
    if not len(table):
        msg = f"{path.name}: holds no reading, need at least one filled row."
        raise InputError(msg, "write the readings into the column value or finding")
    probes = table["kind"] == "probe"
    if probes.any():
        notes += unsaid_notes(columns, told=told.cone)
    table, more = _of_this_field(table, field, path.name)
    notes += more
    return table, [*notes, *_unsaid(table, path.name)]


def with_readings(
    field: Field, path: Path, *, told: Told | None = None
) -> tuple[Field, pd.DataFrame, list[Note]]:
    """Return the field with one more record, what of it is new, and what was found.

    The record is put to the inputs as ``readings/NAME``, under which a run folder
    keeps it. Rows the field knows already count once.
    """
    table, notes = read_readings(path, field=field, told=told)
    digest = content_sha256(path)
    taken = {e["name"]: e["sha256"] for e in field.inputs}
    name = name_in_run(Path(path).name, taken, digest)
    if taken.get(name) == digest:
        return field, table.iloc[:0], [*notes, _known_already(Path(path).name)]
    entry = {"name": name, "sha256": digest, "bytes": Path(path).stat().st_size}
    whole = join_dug(field.dug, table)
    fresh = whole.iloc[len(field.dug) :].reset_index(drop=True)
    if not len(fresh):
        notes.append(_known_already(Path(path).name))
    return replace(field, dug=whole, inputs=(*field.inputs, entry)), fresh, notes


def name_in_run(name: str, taken: dict[str, str], digest: str) -> str:
    """Return the name a record gets in a run folder; another of that name stays.

    Examples
    --------
    >>> name_in_run("a.csv", {}, "1")
    'readings/a.csv'
    >>> name_in_run("a.csv", {"readings/a.csv": "2"}, "1")
    'readings/a-2.csv'
    """
    stem, suffix = Path(name).stem, Path(name).suffix
    number = 1
    while True:
        own = name if number == 1 else f"{stem}-{number}{suffix}"
        if taken.get(f"{FOLDER}/{own}", digest) == digest:
            return f"{FOLDER}/{own}"
        number += 1


def _known_already(name: str) -> Note:
    sentence = f"{name}: all of its readings are known already; nothing changes."
    return Note("dug.known", "check", sentence, 1, name)


def _of_this_field(
    table: pd.DataFrame, field: Field, name: str
) -> tuple[pd.DataFrame, list[Note]]:
    """Leave out readings of other ground; refuse a record that is all of it."""
    if field.boundary is None:
        return table, []
    place = shapely.points(table["easting"].to_numpy(), table["northing"].to_numpy())
    away = shapely.distance(field.boundary, place)
    far = away > _FAR
    if far.all():
        msg = (
            f"{name}: lies {distance_words(float(away.min()))} from {field.name}, need "
            "readings of this field."
        )
        raise InputError(
            msg, "give the record of this field; look at longitude and latitude"
        )
    if not far.any():
        return table, []
    count = len(np.unique(shapely.get_coordinates(place[far]), axis=0))
    sentence = (
        f"{name}: {count} places lie up to {distance_words(float(away[far].max()))} "
        "outside the field; they are left out."
    )
    return table[~far].reset_index(drop=True), [
        Note("dug.outside", "check", sentence, count, name)
    ]


def _unsaid(table: pd.DataFrame, name: str) -> list[Note]:
    """Say which readings cannot count because something was not written down."""
    notes = []
    probes = table[table["kind"] == "probe"]
    sides = int(probes["wheeled"].isna().sum())
    if sides:
        sentence = (
            f"{name}: {sides} cone readings do not say whether they are in a track or "
            "beside it; they cannot be compared and do not count. Write wheeled 1 or 0."
        )
        notes.append(Note("dug.side_unsaid", "check", sentence, sides, name))
    deep = int(probes["depth"].isna().sum())
    if deep:
        sentence = f"{name}: {deep} cone readings have no depth and do not count."
        notes.append(Note("dug.depth_unsaid", "check", sentence, deep, name))
    days = int(table["date"].isna().sum())
    if days:
        sentence = (
            f"{name}: {days} rows have no day; nobody can tell whether they are older "
            "than the last pass, and hand rolls among them are taken as of today."
        )
        notes.append(Note("dug.day_unsaid", "check", sentence, days, name))
    return notes
