"""Which column of a log is which: by what was told, by its name, by its values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats.byvalue import (
    ByValue,
    find_heading,
    find_places,
    find_speed,
    find_time,
)
from trafficmap.formats.headers import (
    LOG_FIELDS,
    Heading,
    nearest,
    plain_name,
    score,
)
from trafficmap.formats.places import PLACE_UNITS, PlaceColumns, Places
from trafficmap.formats.rawlog import Finding
from trafficmap.formats.sampling import is_mostly_numbers
from trafficmap.formats.signals import Motion

PLACES = ("longitude", "latitude", "easting", "northing")
SIGNALS = ("speed", "heading", "altitude", "fix_quality", "width", "work_state",
           "mass_flow", "tank_mass", "moisture", "application_rate")  # fmt: skip
CLOCK_PARTS = ("year", "month", "hour", "minute", "second")

_TEXTS = ("machine", "crop", "field", "latitude_side", "longitude_side")
_ANYTHING = (*PLACES, "time", "date")


@dataclass(frozen=True)
class Told:
    """What a person said about a file; it comes before anything found.

    ``columns`` maps our names to headings, ``units`` our names to units.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    date_format: str | None = None
    epoch: str | date | None = None
    epsg: int | None = None


@dataclass(frozen=True)
class BoundColumns:
    """The table with its columns under unique plain names, and which is which.

    Parameters
    ----------
    frame : DataFrame
    headings : dict
        Column to its heading taken apart.
    columns : dict
        Our name to the column, whose name is its heading.
    sources : dict
        Our name to the column's plain name.
    guessed, told : frozenset of str
        Our names that were guessed from the begin of a name, or told.
    by_value : dict
        Our name to how its column was known by its values.
    notes : tuple of Note
    """

    frame: pd.DataFrame
    headings: dict[str, Heading]
    columns: dict[str, pd.Series]
    sources: dict[str, str]
    guessed: frozenset[str]
    told: frozenset[str]
    by_value: dict[str, ByValue]
    notes: tuple[Note, ...]

    def has(self, target: str) -> bool:
        """Tell whether a field has a column."""
        return target in self.sources

    def column(self, target: str) -> pd.Series | None:
        """Return the column of a field, None where it has none."""
        return self.columns.get(target)

    def numbers(self, target: str) -> np.ndarray | None:
        """Return a column as numbers, None where there is none."""
        column = self.columns.get(target)
        if column is None:
            return None
        return pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64)

    def place_columns(self, told: Told, name: str) -> PlaceColumns:
        """Return the columns of the place.

        Raises
        ------
        InputError
            There are none.
        """
        for east, north in (("longitude", "latitude"), ("easting", "northing")):
            if east in self.columns and north in self.columns:
                units = tuple(_place_unit(told, f, name) for f in (east, north))
                return PlaceColumns(
                    self.columns[east],
                    self.columns[north],
                    self.columns.get("longitude_side"),
                    self.columns.get("latitude_side"),
                    units,  # type: ignore[arg-type]
                    projected=east == "easting",
                )
        missing = "latitude" if "longitude" in self.columns else "longitude"
        texts = [heading.text for heading in self.headings.values()]
        near = nearest(missing, texts)
        msg = f"{name}: no column for the {missing} was found; the nearest name is "
        msg += f"{near!r}. The columns are {', '.join(texts[:12])}."
        line = self._place_line()
        choices = [(line, f"the columns are {', '.join(texts[:30])}")]
        raise InputError(
            msg, f"say which it is at this log, as {line}", choices=choices
        )

    def _place_line(self) -> str:
        """Return the line that names both columns of the place, as far as can be."""
        line = []
        free = [c for c in self.unused() if _may_be_degrees(self.frame[c])]
        for target in ("longitude", "latitude"):
            if target in self.columns:
                text = str(self.columns[target].name)
            elif free:
                text = nearest(target, [self.headings[c].text for c in free])
                free = [c for c in free if self.headings[c].text != text]
            else:
                text = "..."
            line.append(f"{target} = {text!r}")
        return f"columns = {{{', '.join(line)}}}"

    def with_motion(self, motion: Motion) -> BoundColumns:
        """Return the columns with those that run with the motion of the places."""
        free = self.unused()
        by_value = dict(self.by_value)
        if free and motion.size:
            rows = self.frame.iloc[motion.rows]
            if "speed" not in self.sources and "distance" not in self.sources:
                found = find_speed(rows, free, speed=motion.speed)
                if found:
                    by_value["speed"] = found
                    free = [column for column in free if column != found.column]
            if "heading" not in self.sources:
                found = find_heading(rows, free, bearing=motion.bearing)
                if found:
                    by_value["heading"] = found
        return self._also(by_value)

    def _also(self, by_value: dict[str, ByValue]) -> BoundColumns:
        sources = self.sources | {f: v.column for f, v in by_value.items()}
        columns = {
            f: self.frame[s].rename(self.headings[s].text) for f, s in sources.items()
        }
        return replace(self, sources=sources, columns=columns, by_value=by_value)

    def units(self, told: Told, name: str) -> dict[str, str]:
        """Return the unit of each field, as told, seen or written; "" for none.

        Raises
        ------
        InputError
            A unit is told of a field that does not exist.
        """
        units = {f: self.headings[s].unit for f, s in self.sources.items()}
        units |= {f: v.unit for f, v in self.by_value.items() if v.unit}
        unknown = set(told.units) - set(LOG_FIELDS)
        if unknown:
            wrong = sorted(unknown)[0]
            near = nearest(wrong, list(LOG_FIELDS))
            msg = f"{name}: units name {wrong!r}; the nearest known is {near!r}."
            raise InputError(msg, f"need one of {', '.join(LOG_FIELDS)}")
        return units | dict(told.units)

    def unused(self) -> list[str]:
        """Return the columns that are nothing we know, in order."""
        known = (*PLACES, *SIGNALS, "time", "date", "gps_week", "gps_seconds",
                 *CLOCK_PARTS, "latitude_side", "longitude_side")  # fmt: skip
        used = {s for f, s in self.sources.items() if f in known}
        return [column for column in self.frame.columns if column not in used]

    def single_text(self, target: str) -> str:
        """Return the one text that stands in a column, "" where there are several."""
        column = self.columns.get(target)
        if column is None:
            return ""
        texts = column.dropna().unique()
        return str(texts[0]).strip() if len(texts) == 1 else ""

    def place_findings(self, places: Places) -> list[Finding]:
        """Return how the columns of the place were read."""
        share = float(np.isfinite(places.longitude).mean())
        return [
            Finding(f, str(self.columns[f].name), places.unit,
                    f"as named; {places.why}", share=share)
            for f in self.sources
            if f in PLACES
        ]  # fmt: skip

    def marked(self, finding: Finding) -> Finding:
        """Return a finding that says when its column was told or only guessed."""
        if finding.field in self.told:
            return replace(finding, why=f"column as told; {finding.why}")
        if finding.field in self.by_value:
            why = self.by_value[finding.field].why
            return replace(finding, why=why, assumed=True)
        if finding.field in self.guessed:
            why = f"the column's name begins like it; {finding.why}"
            return replace(finding, why=why, assumed=True)
        return finding


def bind_columns(
    frame: pd.DataFrame, headings: tuple[Heading, ...], told: Told, name: str
) -> BoundColumns:
    """Decide which column is which of our fields.

    Parameters
    ----------
    frame : DataFrame
        As read; one column a heading.
    headings : tuple of Heading
    told : Told
    name : str
        File, for sentences.

    Raises
    ------
    InputError
        Two columns can be the same coordinate, or what was told is not in the file.
    """
    plain = _unique([heading.whole for heading in headings])
    table = frame.set_axis(plain, axis=1)
    by_name = dict(zip(plain, headings, strict=True))
    sources = _told_columns(told, by_name, name)
    said = frozenset(sources)
    guessed: set[str] = set()
    notes: list[Note] = []
    for points in (3, 2, 1):
        for target in LOG_FIELDS.values():
            if target.name in sources:
                continue
            candidates = [
                column
                for column in plain
                if column not in sources.values()
                and score(by_name[column], target) == points
                and _plausible(table[column], target.name)
            ]
            if len(candidates) > 1:
                exact = [c for c in candidates if by_name[c].name == target.words[0]]
                candidates = exact if len(exact) == 1 else candidates
            if len(candidates) > 1:
                notes.append(_unclear(candidates, target.name, by_name, name))
                continue
            if candidates:
                sources[target.name] = candidates[0]
                if points < 3:
                    guessed.add(target.name)
    if "longitude" in sources and "latitude" in sources:
        # Degrees win over metres where a file has both.
        sources.pop("easting", None)
        sources.pop("northing", None)
    by_value = _by_value(table, sources, by_name, name)
    bound = BoundColumns(
        table, by_name, {}, sources, frozenset(guessed), said, {}, tuple(notes)
    )
    return bound._also(by_value)


def _by_value(
    table: pd.DataFrame,
    sources: dict[str, str],
    by_name: dict[str, Heading],
    name: str,
) -> dict[str, ByValue]:
    """Return place and time by their values where no name says them."""
    found: dict[str, ByValue] = {}
    free = [column for column in table.columns if column not in sources.values()]
    if not any(place in sources for place in PLACES):
        pair = find_places(table, free)
        if pair is not None and pair.east is None:
            one, two = (by_name[column].text for column in pair.columns)
            msg = f"{name}: {one!r} and {two!r} hold degrees, but either can be the "
            msg += "longitude, and their names do not say which."
            lines = [
                f"columns = {{longitude = {a!r}, latitude = {b!r}}}"
                for a, b in ((one, two), (two, one))
            ]
            choices = [
                (
                    line,
                    f"the log is then at {_middle(table, a)} E, {_middle(table, b)} N",
                )
                for line, (a, b) in zip(
                    lines, (pair.columns, pair.columns[::-1]), strict=True
                )
            ]
            raise InputError(msg, f"write {lines[0]} at this log", choices=choices)
        if pair is not None and pair.east is not None and pair.north is not None:
            found["longitude"] = ByValue(pair.east, "deg", pair.why)
            found["latitude"] = ByValue(pair.north, "deg", pair.why)
            free = [column for column in free if column not in pair.columns]
    clock = ("time", "date", "gps_week", "gps_seconds", "year")
    if not any(part in sources for part in clock):
        moment = find_time(table, free)
        if moment is not None:
            found["time"] = moment
    return found


def _middle(table: pd.DataFrame, column: str) -> str:
    return f"{pd.to_numeric(table[column], errors='coerce').median():.4f}"


def _place_unit(told: Told, target: str, name: str) -> str:
    unit = told.units.get(target, "")
    if unit and unit not in PLACE_UNITS:
        msg = f"{name}: the unit {unit!r} of {target} is not known."
        raise InputError(msg, f"need one of {', '.join(PLACE_UNITS)}")
    return unit


def _told_columns(told: Told, by_name: dict[str, Heading], name: str) -> dict[str, str]:
    sources = {}
    for target, wanted in told.columns.items():
        if target not in LOG_FIELDS:
            near = nearest(target, list(LOG_FIELDS))
            msg = f"{name}: columns name {target!r}; the nearest known is {near!r}."
            raise InputError(msg, f"need one of {', '.join(LOG_FIELDS)}")
        matches = [
            column
            for column, heading in by_name.items()
            if wanted in (heading.text, column) or plain_name(wanted) == column
        ]
        if not matches:
            texts = [heading.text for heading in by_name.values()]
            msg = f"{name}: has no column {wanted!r} for {target}; the nearest name is "
            msg += f"{nearest(wanted, texts)!r}."
            raise InputError(msg, "write the column's name as it stands in the file")
        sources[target] = matches[0]
    return sources


def _plausible(column: pd.Series, target: str) -> bool:
    """Tell whether the values can be what the name says."""
    if target in ("latitude_side", "longitude_side"):
        return _are_sides(column, "NS" if target == "latitude_side" else "EW")
    if target in _TEXTS:
        return bool(column.notna().any())
    if column.isna().all():
        return False
    if target == "work_state":
        return column.nunique() <= 2
    if target in _ANYTHING:
        return True
    return is_mostly_numbers(column)


def _may_be_degrees(column: pd.Series) -> bool:
    """Tell whether a column holds numbers that a place in degrees can have."""
    if not is_mostly_numbers(column):
        return False
    sizes = pd.to_numeric(column, errors="coerce").abs()
    return bool(sizes.max() <= 180.0)


def _are_sides(column: pd.Series, letters: str) -> bool:
    if pd.api.types.is_numeric_dtype(column.dtype) or column.dtype.kind in "Mb":
        return False
    words = {str(word).strip()[:1].upper() for word in column.dropna().unique()[:10]}
    return bool(words) and words <= set(letters)


def _unclear(candidates, target: str, by_name, name: str) -> Note:
    texts = [by_name[c].text for c in candidates]
    if target in ("longitude", "latitude"):
        msg = f"{name}: {' and '.join(texts)} can both be the {target}."
        choices = [
            (f"columns = {{{target} = {t!r}}}", f"taken from {t}") for t in texts
        ]
        hint = f"write columns = {{{target} = {texts[0]!r}}}"
        raise InputError(msg, hint, choices=choices)
    sentence = (
        f"{name}: {' and '.join(texts)} can both be the {target.replace('_', ' ')}; "
        f'none was taken. Write columns = {{{target} = "{texts[0]}"}} at this log.'
    )
    return Note("log.unclear_column", "check", sentence, len(texts), name)


def _unique(names: list[str]) -> list[str]:
    """Give nameless columns a name."""
    return [name or f"column_{k + 1}" for k, name in enumerate(names)]
