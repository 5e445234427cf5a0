"""All logs of the season as one table of fixes on the field's metric system."""

from __future__ import annotations

import datetime as dt
import difflib
import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from trafficmap.core import limits
from trafficmap.core.errors import CRSError, InputError, SettingsError
from trafficmap.core.notes import Note
from trafficmap.core.progress import Progress, silent
from trafficmap.core.tables import FIXES, require_table
from trafficmap.field.boundary import Outline
from trafficmap.field.clock import ClockKeys, as_time, require_zone, to_utc
from trafficmap.field.guess import guess_class
from trafficmap.field.inputs import Inputs
from trafficmap.field.model import LogSource
from trafficmap.field.place import Place, distance_words
from trafficmap.field.strict import FILE
from trafficmap.field.toml import FieldToml, LogKeys
from trafficmap.formats.logs import read_logs
from trafficmap.formats.rawlog import RawLog
from trafficmap.tracks.ground import LogFacts

_NEAR = 10.0
"""A fix this close outside the outline still counts as being there [m]; choice."""

_HINT_DISTANCE = 5_000.0
"""A mended place this near the field is worth a hint [m]; choice."""

_SAME_TIME = 30.0
"""One machine in two logs for longer than this is an error [s]; choice."""


_CLOCK_ERROR = 5.0
"""A clock this far from UTC spoils the pairing of two machines [s]; choice."""

_SAID_BY_CLOCK = ("log.no_clock", "log.no_epoch")
_MORE_EXACT = ("log.no_date", "log.two_epochs", "log.clock_unset", "log.gps_round",
               "iso.clock_unset")  # fmt: skip


@dataclass(frozen=True, eq=False)
class NamedLog:
    """One log as read, with the entry of field.toml that named it."""

    keys: LogKeys
    raw: RawLog
    sha256: str
    number: int

    @property
    def name(self) -> str:
        """What the log is called in sentences."""
        file = Path(self.keys.file).name
        return f"{file}, {self.raw.part}" if self.raw.part else file


def open_logs(
    keys: FieldToml, inputs: Inputs, *, progress: Progress = silent
) -> tuple[list[NamedLog], list[Note]]:
    """Read every log that field.toml names, each content once.

    Raises
    ------
    InputError
        A file cannot be read, its machine has no table, or `part` is not in it.
    """
    for number, entry in enumerate(keys.log, start=1):
        _require_machine(entry, number, keys)
        require_zone(entry.time_zone, f"log[{number}].time_zone")
    found: list[NamedLog] = []
    notes: list[Note] = []
    seen: dict[str, NamedLog] = {}
    for number, entry in enumerate(keys.log, start=1):
        progress(number / (len(keys.log) + 1), f"reading {Path(entry.file).name}")
        path = inputs.find(entry.file, f"log[{number}].file")
        sha256 = inputs.add(path)
        for raw in _choose(read_logs(path, **_reader_words(entry)), entry, number):
            log = NamedLog(entry, raw, sha256, number)
            before = seen.setdefault(_content(raw), log)
            if before is not log:
                notes.append(_twice(log, before))
                continue
            found.append(log)
            notes += _reader_notes(log)
    return found, notes


def join_logs(
    logs: list[NamedLog],
    *,
    keys: FieldToml,
    outline: Outline | None,
    place: Place,
    today: dt.date,
) -> tuple[pd.DataFrame, tuple[LogSource, ...], list[Note]]:
    """Return all fixes in metres and UTC, what each log was, and notes.

    A log of a file with several that never comes near the field is left out.

    Parameters
    ----------
    logs : list of NamedLog
    keys : FieldToml
    outline : Outline or None
        The boundary as given; None when the logs themselves must show the field.
    place : Place
    today : date

    Returns
    -------
    fixes : DataFrame
        Contract `FIXES`; within a log in the order of its rows.
    sources : tuple of LogSource
    notes : list of Note

    Raises
    ------
    InputError
        A log lies wholly outside the boundary, or one machine is in two logs at once.
    """
    tables: list[pd.DataFrame] = []
    sources: list[LogSource] = []
    notes: list[Note] = []
    near = None if outline is None else outline.geometry.buffer(_NEAR)
    away: list[NamedLog] = []
    here: set[int] = set()
    for log in logs:
        table, kept, more = _fixes(log, keys, place, today, len(sources))
        if near is not None and not _touches(near, table):
            away.append(log)
            continue
        here.add(log.number)
        tables.append(table)
        sources.append(kept)
        notes += more
    for log in away:
        if log.number not in here:
            raise _outside(log, near, place)
    if away:
        notes.append(_left_out(away))
    if not tables:
        return FIXES.empty(), (), notes
    _require_one_place_at_a_time(tables, sources)
    fixes = tables[0] if len(tables) == 1 else pd.concat(tables, ignore_index=True)
    return require_table(fixes, FIXES), tuple(sources), notes


def _fixes(
    log: NamedLog, keys: FieldToml, place: Place, today: dt.date, log_id: int
) -> tuple[pd.DataFrame, LogSource, list[Note]]:
    """Return one log's fixes on the contract."""
    raw = log.raw.table
    clock = ClockKeys(
        zone=log.keys.time_zone or keys.field.time_zone,
        epoch=log.keys.epoch,
        offset=log.keys.clock_offset_s,
        season=keys.field.season,
    )
    seconds = raw["seconds"].to_numpy(float)
    utc, keep, notes = to_utc(
        seconds, clock=log.raw.clock, keys=clock, name=log.name, today=today
    )
    notes = _clock_notes(log, notes)
    if abs(log.raw.clock_error) >= _CLOCK_ERROR and not log.keys.clock_offset_s:
        notes.append(_ahead(log))
    facts = _facts(log.keys, log_id)
    easting, northing = place.to_metric(raw["longitude"], raw["latitude"])
    easting, northing = (
        easting + facts.frame_shift[0],
        northing + facts.frame_shift[1],
    )
    placed = np.isfinite(easting) & np.isfinite(northing)
    lost = int((~placed & keep).sum())
    if lost and placed.any():
        sentence = f"{log.name}: {lost} fixes dropped, their place is impossible."
        notes.append(Note("place.impossible", "info", sentence, lost, log.name))
    keep &= placed
    table = pd.DataFrame(
        {
            "machine_id": log.keys.machine,
            "log_id": np.int64(log_id),
            "time": as_time(utc),
            "seconds": seconds,
            "easting": easting,
            "northing": northing,
            "row": raw["row"].to_numpy(np.int64),
        },
        index=pd.RangeIndex(len(raw)),
    )
    for column in FIXES.columns[len(table.columns) :]:
        values = raw[column.name] if column.name in raw.columns else np.nan
        table[column.name] = np.asarray(values, dtype=float)
    if not keep.all():
        table = table[keep].reset_index(drop=True)
    dated = bool(np.isfinite(utc).any())
    source = LogSource(
        log_id=log_id,
        path=log.raw.path,
        part=log.raw.part,
        machine_id=log.keys.machine,
        kind=log.raw.kind,
        sha256=log.sha256,
        rows=len(table),
        clock="utc" if dated else log.raw.clock,
        findings=log.raw.findings,
        counters=dict(log.raw.counters),
        antenna=log.raw.antenna,
        clock_offset=log.keys.clock_offset_s,
        facts=facts,
    )
    return table, source, notes


def _facts(keys: LogKeys, log_id: int) -> LogFacts:
    """Return what field.toml says of the receiver of one log."""
    return LogFacts(
        log_id=log_id,
        position_lag=keys.position_lag_s,
        correction=keys.correction,
        infer_turns=keys.infer_turns,
        frame_shift=keys.frame_shift_m or (0.0, 0.0),
    )


def _reader_notes(log: NamedLog) -> list[Note]:
    """Return the reader's notes but for those that the clock's own words replace."""
    return [
        replace(note, where=note.where or log.name)
        for note in log.raw.notes
        if note.code not in _SAID_BY_CLOCK and note.code not in _MORE_EXACT
    ]


def _clock_notes(log: NamedLog, notes: list[Note]) -> list[Note]:
    """Return notes on the clock, in the reader's words where those say more."""
    exact = [note for note in log.raw.notes if note.code in _MORE_EXACT]
    if exact and any(note.code == "clock.epoch_missing" for note in notes):
        return [_named(note, log.name) for note in exact]
    return notes


def _named(note: Note, name: str) -> Note:
    """Return a reader's note on the clock as a gap, with the log it is of."""
    if note.where:
        return replace(note, severity="stop")
    sentence = f"{name}: {note.sentence}"
    return replace(note, severity="stop", sentence=sentence, where=name)


def _ahead(log: NamedLog) -> Note:
    """Return a note on a clock that is some seconds off."""
    error = log.raw.clock_error
    sentence = (
        f"{log.name}: its clock runs {abs(error):.1f} s "
        f"{'ahead of' if error > 0 else 'behind'} UTC; loads between machines are less "
        f"sure. Add clock_offset_s = {-error:.1f} to its [[log]]."
    )
    return Note("clock.error", "check", sentence, 1, log.name)


def _reader_words(entry: LogKeys) -> dict:
    """Return what the reader is told about the file."""
    return {
        "columns": entry.columns or None,
        "units": entry.units or None,
        "layer": entry.layer,
        "date_format": entry.date_format,
        "epoch": entry.epoch,
        "decimal": entry.decimal,
        "epsg": entry.epsg,
    }


def _choose(raws: list[RawLog], entry: LogKeys, number: int) -> list[RawLog]:
    """Return the logs that `part` chooses, or all."""
    if entry.part is None:
        return raws
    wanted = entry.part.casefold()
    chosen = [
        raw
        for raw in raws
        if wanted in (raw.part.casefold(), raw.field_name.casefold())
    ]
    if chosen:
        return chosen
    names = list(dict.fromkeys(raw.part for raw in raws if raw.part))
    near = difflib.get_close_matches(entry.part, names, n=1)
    msg = (
        f"{FILE}: log[{number}].part is {entry.part!r}, but "
        f"{Path(entry.file).name} holds {', '.join(names) or 'one log without a name'}."
    )
    raise SettingsError(msg, f'write part = "{near[0]}"' if near else "correct part")


def _require_machine(entry: LogKeys, number: int, keys: FieldToml) -> None:
    """Refuse a log whose machine has no table, with a stanza to paste."""
    if entry.machine in keys.machine:
        return
    near = difflib.get_close_matches(entry.machine, keys.machine, n=1, cutoff=0.7)
    msg = (
        f'{FILE}: log[{number}].machine is "{entry.machine}", but there is no '
        f"[machine.{_bare(entry.machine)}]."
    )
    stanza = (
        f"paste this at the end of {FILE} and correct the class:\n\n"
        f"[machine.{_bare(entry.machine)}]\n"
        f'class = "{guess_class(entry.machine)[0]}"\n'
    )
    if near:
        stanza = f'write machine = "{near[0]}", or {stanza}'
    raise SettingsError(msg, stanza)


def _bare(name: str) -> str:
    """Return a name as a TOML key, in quotes where it must be."""
    plain = name.replace("_", "").replace("-", "")
    return name if plain.isascii() and plain.isalnum() else f'"{name}"'


def _content(raw: RawLog) -> str:
    """Return a hash of what a log says, whatever file it came in."""
    digest = hashlib.sha256()
    for column in ("longitude", "latitude", "seconds"):
        digest.update(np.ascontiguousarray(raw.table[column], dtype=float).tobytes())
    return digest.hexdigest()


def _twice(log: NamedLog, before: NamedLog) -> Note:
    severity, who = "info", ""
    if log.keys.machine != before.keys.machine:
        severity = "check"
        who = f" for {before.keys.machine}, not for {log.keys.machine}"
    sentence = f"{log.name}: holds the same fixes as {before.name}; counted once{who}."
    return Note("log.twice", severity, sentence, 1, log.name)  # type: ignore[arg-type]


def _touches(near, table: pd.DataFrame) -> bool:
    shapely.prepare(near)
    return bool(
        shapely.contains_xy(
            near, table["easting"].to_numpy(), table["northing"].to_numpy()
        ).any()
    )


def _left_out(away: list[NamedLog]) -> Note:
    names = ", ".join(log.name for log in away[:3]) + (" ..." if len(away) > 3 else "")
    sentence = f"{len(away)} logs never come near the field and were left out: {names}."
    return Note("log.elsewhere", "info", sentence, len(away))


def _outside(log: NamedLog, near, place: Place) -> InputError:
    """Return the error for a log that is wholly elsewhere, with the likely slip."""
    longitude = log.raw.table["longitude"].to_numpy(float)
    latitude = log.raw.table["latitude"].to_numpy(float)
    distance = _distance(near, place, longitude, latitude)
    msg = (
        f"{log.name}: no fix lies inside the boundary, the log is "
        f"{distance_words(distance)} away."
    )
    for slip, east, north in (
        ("longitude and latitude look swapped", latitude, longitude),
        ("the minus sign of the longitude looks lost", -longitude, latitude),
        ("the minus sign of the latitude looks lost", longitude, -latitude),
    ):
        if _distance(near, place, east, north) < _HINT_DISTANCE:
            return CRSError(msg, f"{slip}: look at the log, or set columns for it")
    return InputError(msg, "look whether this log and this boundary belong together")


def _distance(near, place: Place, longitude: np.ndarray, latitude: np.ndarray) -> float:
    """Return how far the middle of a log is from the field [m], inf for no answer."""
    if not longitude.size:
        return np.inf
    with np.errstate(all="ignore"):
        easting, northing = place.to_metric(np.median(longitude), np.median(latitude))
    if not (np.isfinite(easting) and np.isfinite(northing)):
        return np.inf
    return float(shapely.distance(near, shapely.Point(float(easting), float(northing))))


def _require_one_place_at_a_time(
    tables: list[pd.DataFrame], sources: list[LogSource]
) -> None:
    """Refuse one machine that drives in two logs at the same time."""
    times = [
        np.sort(table["time"].dropna().to_numpy("datetime64[ms]").astype("int64")) / 1e3
        for table in tables
    ]
    for two in range(len(tables)):
        for one in range(two):
            if sources[one].machine_id != sources[two].machine_id:
                continue
            shared = shared_seconds(times[one], times[two])
            if shared > _SAME_TIME:
                names = [
                    f"{source.path.name}{', ' + source.part if source.part else ''}"
                    for source in (sources[one], sources[two])
                ]
                msg = (
                    f'{names[0]} and {names[1]}: machine "{sources[one].machine_id}" '
                    f"drives in both at the same time for {shared / 60:.0f} min."
                )
                raise InputError(
                    msg, "give the two machines two names, or remove one log"
                )


def shared_seconds(one: np.ndarray, two: np.ndarray) -> float:
    """Return how long two sorted clocks both run, gaps left out [s]."""
    if not one.size or not two.size:
        return 0.0
    after = np.searchsorted(one, two, side="left")
    inside = (after > 0) & (after < one.size)
    gap = np.full(two.size, np.inf)
    gap[inside] = one[after[inside]] - one[after[inside] - 1]
    running = inside & (gap <= limits.GAP_SECONDS)
    steps = np.diff(two)
    both = running[1:] & running[:-1] & (steps <= limits.GAP_SECONDS)
    return float(steps[both].sum())
