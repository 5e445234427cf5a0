"""What `check` says: found, assumed and missing, worst first, in plain words."""

from __future__ import annotations

from collections import Counter

import pandas as pd

from trafficmap.core.notes import Note, worst_first
from trafficmap.core.reading import as_read
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.field.model import Field, LogSource
from trafficmap.field.place import area_words
from trafficmap.machines.describe import wheel_places
from trafficmap.tracks.gaps import gap_report, minute_words

_WORDS = {"stop": "Missing", "check": "Look at", "info": "Good to know"}
_SAME_CODE = 3
"""More notes of one kind than this are told as a number; choice."""


def check_lines(field: Field, *, limit: int | None = None) -> list[str]:
    """Return lines for a person: gaps worst first, then guesses, then what was found.

    Parameters
    ----------
    field : Field
        As `field.read.read_field` returned it.
    limit : int, optional
        At most so many lines; the last then says how many more there are.
    """
    gaps, gap_notes = gap_report(
        field.fixes,
        time_zone=field.time_zone,
        settings=TrackSettings(),
        clockless=field.clockless,
    )
    notes = worst_first([*field.notes, *gap_notes])
    lines = _told([note for note in notes if note.severity != "info"], field.units)
    lines += [f"Guessed: {line}" for line in _guesses(field)]
    lines += [f"Found: {line}" for line in (*_found(field), *_tracked(gaps, field))]
    lines += _told([note for note in notes if note.severity == "info"], field.units)
    if limit is None or len(lines) <= limit:
        return lines
    return [*lines[: limit - 1], f"And {len(lines) - limit + 1} smaller things."]


def _tracked(gaps: pd.DataFrame, field: Field) -> list[str]:
    """Return how long each machine has a track, and for how long it has none."""
    lines = []
    orderly = {s.machine_id for s in field.logs if s.log_id in field.clockless}
    for who in sorted(orderly - set(gaps["machine_id"])):
        lines.append(f"track of {who}: for how long is not known without a clock.")
    for name, mine in gaps.groupby("machine_id", sort=True):
        tracked = minute_words(float(mine[["tracked", "standing"]].to_numpy().sum()))
        without = float(mine["missing"].sum())
        missing = minute_words(without) if without else "nothing"
        lines.append(f"track of {name}: {tracked}{_when(mine)}, {missing} missing.")
    return lines


def _when(gaps: pd.DataFrame) -> str:
    """Return on how many days, and in how many logs whose clock is not trusted."""
    undated = int((gaps["day"] == "").sum())
    dated = len(gaps) - undated
    words = []
    if dated:
        words.append("on 1 day" if dated == 1 else f"on {dated} days")
    if undated:
        logs = "1 log" if undated == 1 else f"{undated} logs"
        words.append(f"in {logs} without a date to trust")
    return f" {' and '.join(words)}"


def _forecast_words(forecast: pd.DataFrame, time_zone: str | None) -> str:
    """Return from when to when a forecast goes, and whether it tells rain."""
    if "time" in forecast:
        stamps = forecast["time"].dt.tz_convert(time_zone or "UTC")
        kind, form = "hours", "%Y-%m-%d %H:%M"
    else:
        stamps, kind, form = forecast["date"], "days", "%Y-%m-%d"
    rain = "with rain" if "rain" in forecast else "without rain"
    return (
        f"forecast: {len(forecast)} {kind} from {stamps.iloc[0]:{form}} to "
        f"{stamps.iloc[-1]:{form}}, {rain}."
    )


def _told(notes: list[Note], units: str) -> list[str]:
    """Return one line a note; many of one kind become one line and a count."""
    counts = Counter(note.code for note in notes)
    told: Counter[str] = Counter()
    lines = []
    for note in notes:
        told[note.code] += 1
        if told[note.code] < _SAME_CODE or counts[note.code] <= _SAME_CODE:
            lines.append(f"{_WORDS[note.severity]}: {as_read(note.sentence, units)}")
        elif told[note.code] == _SAME_CODE:
            more = counts[note.code] - _SAME_CODE + 1
            lines.append(f"{_WORDS[note.severity]}: {more} more of the same kind.")
    return lines


def _guesses(field: Field) -> list[str]:
    """Return columns whose meaning was guessed."""
    lines = []
    for source in field.logs:
        for finding in source.findings:
            # Without a column nothing was read: a note of its own says what is missing.
            if finding.assumed and finding.column:
                unit = f" in {finding.unit}" if finding.unit else ""
                lines.append(
                    f"{_name(source)}: column {finding.column!r} read as "
                    f"{finding.field.replace('_', ' ')}{unit}, {finding.why}."
                )
    return lines


def _found(field: Field) -> list[str]:
    """Return what was handed in, in numbers."""
    lines = [_field_line(field)]
    for source in field.logs:
        table = field.fixes[field.fixes["log_id"] == source.log_id]
        lines.append(
            f"{_name(source)}: {source.kind}, {source.rows:,} fixes of "
            f"{source.machine_id}, {_span(table, field.time_zone)}."
        )
    for name, machine in field.machines.items():
        lines.append(f"machine {name}: {machine.label}.")
        places = wheel_places(machine, units=field.units)
        lines.append(f"wheels of {name}, {places}.")
    if field.soil is not None:
        units = field.soil.units
        words = sorted({text for text in units["texture"] if text})
        count = units["soil_unit"].nunique()
        lines.append(
            f"soil: {count} unit{'s' * (count > 1)}, {', '.join(words)}"
            f"{', from texture classes' if field.soil.assumed else ''}."
        )
    if field.weather is not None:
        days = field.weather["date"]
        lines.append(
            f"weather: every day from {days.iloc[0]:%Y-%m-%d} to "
            f"{days.iloc[-1]:%Y-%m-%d}."
        )
    if field.forecast is not None:
        lines.append(_forecast_words(field.forecast, field.time_zone))
    if field.past is not None:
        years = field.past["date"].dt.year
        lines.append(f"past weather: {years.min()} to {years.max()}.")
    counts = {
        "tools": len(field.tools),
        "things to keep out of": len(field.obstacles),
        "readings dug or probed": len(field.dug),
        "kinds of liquid": len(field.liquid),
        "days of tillage": len(field.tillage),
    }
    there = [f"{count} {what}" for what, count in counts.items() if count]
    if there:
        lines.append(f"{', '.join(there)}.")
    return lines


def _field_line(field: Field) -> str:
    invented = ", invented" if field.invented else ""
    if field.boundary is None:
        return f"{field.name}, season {field.season}{invented}: no boundary."
    how = "" if field.boundary_given else " of worked ground, no boundary given"
    return (
        f"{field.name}, season {field.season}{invented}: {area_words(field.area)}{how}."
    )


def _span(table: pd.DataFrame, zone: str | None) -> str:
    """Return the days of a log as a person reads them."""
    times = table["time"].dropna()
    if times.empty:
        return "days not known"
    local = times.dt.tz_convert(zone or "UTC")
    first, last = local.min(), local.max()
    if first.date() == last.date():
        return f"{first:%a} {first.day} {first:%b %Y}"
    return f"{first:%a} {first.day} {first:%b} to {last:%a} {last.day} {last:%b %Y}"


def _name(source: LogSource) -> str:
    return f"{source.path.name}{', ' + source.part if source.part else ''}"
