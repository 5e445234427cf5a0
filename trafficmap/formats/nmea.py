"""NMEA 0183 logs: what a receiver says on its serial line, as `RawLog`.

A receiver spreads one moment over several sentences. Those with a time of day are
joined by it; the others belong to the moment they stand in. The date comes from RMC or
ZDA and runs on over midnight.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, Severity
from trafficmap.formats._nmea_kernels import (
    ALTITUDE,
    BROKEN,
    COURSE,
    DAY,
    GGA,
    GLL,
    GNS,
    GSA,
    HDOP,
    HDT,
    LATITUDE,
    LONGITUDE,
    N_VALUES,
    NOISE,
    QUALITY,
    RMC,
    SATELLITES,
    SPEED,
    TOD,
    UNSUMMED,
    UNSUMMED_KIND,
    VTG,
    ZDA,
    parse_sentences,
)
from trafficmap.formats.epochs import LogClock, epoch_start, finished
from trafficmap.formats.headers import LOG_FIELDS
from trafficmap.formats.paths import real_file
from trafficmap.formats.rawlog import Finding, RawLog
from trafficmap.formats.ticks import spread_stamps
from trafficmap.formats.trackpoints import weak_fix_notes

KIND = "NMEA 0183 log"
"""What a log of this kind is called in the record."""

_DAY = 86_400.0
_PIECE = 2**24
_NAMES = {GGA: "GGA", GNS: "GNS", RMC: "RMC", GLL: "GLL", VTG: "VTG", ZDA: "ZDA",
          GSA: "GSA", HDT: "HDT"}  # fmt: skip
_PLACES = (GGA, GNS, RMC, GLL)
# A kind of sentence that says more is taken before one of which there are more.
_NEARLY_ALL = 0.9
_WORN = 0.05
_SLOW = 0.5
_AGES = {"speed": 1.0, "heading": 1.0, "altitude": 1.0, "quality": 1.0, "hdop": 10.0}
"""How long a value holds at most [s]; choices, a second or two sentences."""

_HELD = 30.0
_INVENTED = (7.0, 8.0)
_QUALITIES = {1: "without correction", 2: "corrected (DGNSS)", 3: "precise",
              4: "fixed RTK", 5: "float RTK", 6: "dead reckoning"}  # fmt: skip


@dataclass(frozen=True)
class Sentences:
    """All lines that hold anything: kind, talker, values, and number of the line."""

    kind: np.ndarray
    talker: np.ndarray
    values: np.ndarray
    line: np.ndarray

    def of(self, *kinds: int) -> np.ndarray:
        """Return which rows are of some kinds."""
        return np.flatnonzero(np.isin(self.kind, kinds))


def read_nmea_log(path: str | Path, *, epoch: object = None) -> RawLog:
    """Read a log of NMEA 0183 sentences of any talker.

    Parameters
    ----------
    path : str or Path
    epoch : str or date, optional
        UTC day of the first line, where no sentence holds a date.

    Returns
    -------
    RawLog
        Clock "utc" with a date, else "no_epoch". Satellites and HDOP stand as
        ``extra_satellites`` and ``extra_hdop``.

    Raises
    ------
    InputError
        It is too large, more than `limits.DROPPED_SHARE` of its lines are broken, or
        no sentence holds a place with a fix.
    """
    real = real_file(path)
    name = real.name
    sentences = _parsed(real)
    sentences, notes = _sound(sentences, name)
    rows, place, more = _places(sentences, name)
    notes += more
    clock = _clock(sentences, rows, name, epoch)
    reader = _Signals(sentences, rows, clock.moment)
    columns = {
        "longitude": sentences.values[rows, LONGITUDE],
        "latitude": sentences.values[rows, LATITUDE],
        "seconds": clock.settled.seconds,
        "row": sentences.line[rows],
        **{field: np.full(rows.size, np.nan) for field in _SIGNALS},
        "speed": reader.speed(),
        "heading": reader.heading(),
        "altitude": reader.altitude(),
        "fix_quality": reader.quality(),
        "extra_satellites": sentences.values[rows, SATELLITES],
        "extra_hdop": reader.hdop(),
    }
    table = pd.DataFrame(columns)
    notes += [*clock.settled.notes, *_quality_notes(table, name)]
    table = table[table["seconds"].notna()].reset_index(drop=True)
    return RawLog(
        table=table,
        kind=KIND,
        path=Path(path),
        clock=clock.settled.kind,
        findings=(*place, *clock.settled.findings, *reader.findings),
        notes=tuple(notes),
    )


_SIGNALS = ("speed", "heading", "altitude", "fix_quality", "width", "work_state",
            "mass_flow", "tank_mass", "moisture", "application_rate")  # fmt: skip


def _parsed(path: Path) -> Sentences:
    parts = []
    done = 0
    for piece in _pieces(path):
        raw = np.frombuffer(piece, dtype=np.uint8)
        most = int(np.count_nonzero(raw == 10)) + 1
        kind = np.empty(most, dtype=np.int8)
        talker = np.empty(most, dtype=np.int32)
        values = np.empty((most, N_VALUES))
        count = parse_sentences(raw, kind, talker, values)
        line = done + 1 + np.arange(count, dtype=np.int64)
        done += count
        parts.append((kind[:count], talker[:count], values[:count], line))
    kind, talker, values, line = (np.concatenate(p) for p in zip(*parts, strict=True))
    return Sentences(kind, talker, values, line)


def _pieces(path: Path) -> Iterator[bytes]:
    """Yield whole lines, with line feeds for whatever ends them."""
    if path.stat().st_size > limits.MAX_TEXT_BYTES:
        msg = f"{path.name}: is larger than {limits.MAX_TEXT_BYTES / 2**30:g} GB."
        raise InputError(msg, "split it by day or by field")
    rest = b""
    with open(path, "rb") as stream:
        while more := stream.read(_PIECE):
            if more[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" in more:
                # Two bytes a letter, or zeros of a power cut: what is left is text.
                more = more.replace(b"\0", b"")
            whole = rest + more.replace(b"\r", b"\n")
            cut = whole.rfind(b"\n") + 1
            if cut:
                yield whole[:cut]
            rest = whole[cut:]
            if len(rest) > limits.MAX_TEXT_LINE:
                # No sentence is so long: noise on the line, counted as one.
                rest = rest[-_LONGEST:]
    if rest:
        yield rest


_LONGEST = 1024


def _sound(sentences: Sentences, name: str) -> tuple[Sentences, list[Note]]:
    """Return the sentences that can be trusted, and what was wrong with the others."""
    kind = sentences.kind
    notes = []
    unsummed = int((kind == UNSUMMED).sum())
    if unsummed * 2 > kind.size:
        # An old make without sums: there is nothing to check them by.
        kind = kind.copy()
        bare = kind == UNSUMMED
        kind[bare] = sentences.values[bare, UNSUMMED_KIND].astype(np.int8)
        sentence = (
            f"{name}: {unsummed:,} sentences have no check sum, so a garbled number in "
            "them cannot be seen; jumps are still taken out."
        )
        notes.append(Note("nmea.unchecked", "check", sentence, unsummed, name))
        unsummed = 0
    wrong = int((kind == BROKEN).sum()) + unsummed
    noise = int((kind == NOISE).sum())
    lost = wrong + noise
    if lost > limits.DROPPED_SHARE * kind.size:
        msg = f"{name}: {lost:,} of {kind.size:,} lines are broken ({wrong:,} with a "
        msg += f"wrong or no check sum), need at least {1 - limits.DROPPED_SHARE:.0%} "
        msg += "sound."
        raise InputError(msg, "look at the cable and the baud rate, and log again")
    if lost:
        severity: Severity = "check" if lost > _WORN * kind.size else "info"
        sentence = (
            f"{name}: {lost:,} of {kind.size:,} lines were broken and left out "
            f"({wrong:,} with a wrong or no check sum)."
        )
        if severity == "check":
            sentence += " Look at the cable and the baud rate."
        notes.append(Note("nmea.broken", severity, sentence, lost, name))
    return Sentences(kind, sentences.talker, sentences.values, sentences.line), notes


def _places(
    sentences: Sentences, name: str
) -> tuple[np.ndarray, list[Finding], list[Note]]:
    """Return the rows of the sentence that tells the place, with a fix."""
    values, kind = sentences.values, sentences.kind
    fixed = np.isfinite(values[:, LATITUDE]) & np.isfinite(values[:, LONGITUDE])
    fixed &= np.isfinite(values[:, TOD]) & (values[:, QUALITY] > 0)
    fixed &= ~((values[:, LATITUDE] == 0) & (values[:, LONGITUDE] == 0))
    invented = fixed & np.isin(values[:, QUALITY], _INVENTED)
    fixed &= ~invented
    here = np.isin(kind, _PLACES)
    counts = Counter(
        zip(kind[fixed & here].tolist(), sentences.talker[fixed & here].tolist(),
            strict=True)
    )  # fmt: skip
    if not counts:
        said = int(here.sum())
        what = f"{said:,} sentences of place, none with a fix" if said else "no place"
        if invented.any():
            what = "only places that were typed in or simulated"
        msg = f"{name}: holds {what}, need GGA or RMC with a fix."
        raise InputError(msg, "log again when the receiver has satellites")
    most = max(counts.values())
    order = {k: n for n, k in enumerate(_PLACES)}
    chosen, talker = min(
        (pair for pair, count in counts.items() if count >= _NEARLY_ALL * most),
        key=lambda pair: (order[pair[0]], -counts[pair], pair[1]),
    )
    mine = (kind == chosen) & (sentences.talker == talker)
    rows = np.flatnonzero(mine & fixed)
    share = rows.size / max(int(mine.sum()), 1)
    letters = f"{chr(talker >> 8)}{chr(talker & 255)}"
    why = f"sentence {_NAMES[chosen]} of talker {letters}"
    if len(counts) > 1:
        why += f", which tells most of {len(counts)} kinds of places"
    findings = [
        Finding(axis, f"{letters}{_NAMES[chosen]}", "deg", why, share=share)
        for axis in ("longitude", "latitude")
    ]
    notes = []
    bare = int((mine & ~fixed & ~invented).sum())
    if bare:
        sentence = f"{name}: {bare:,} of {int(mine.sum()):,} places were without a "
        sentence += "fix and left out."
        notes.append(Note("nmea.no_fix", "info", sentence, bare, name))
    made_up = int((invented & mine).sum())
    if made_up:
        sentence = f"{name}: {made_up:,} places were typed in or simulated in the "
        sentence += "receiver and left out."
        notes.append(Note("nmea.invented", "check", sentence, made_up, name))
    return rows, findings, notes


@dataclass(frozen=True)
class _Clock:
    """The clock of the rows, and the moment of every line in the same count [s]."""

    settled: LogClock
    moment: np.ndarray


def _clock(sentences: Sentences, rows: np.ndarray, name: str, epoch: object) -> _Clock:
    """Return times of day run on over midnights, from the date where one is told."""
    values, kind = sentences.values, sentences.kind
    sure = np.isfinite(values[:, TOD]) & np.isin(kind, _PLACES)
    sure &= values[:, QUALITY] > 0
    timed = np.flatnonzero(sure | (np.isfinite(values[:, TOD]) & (kind == ZDA)))
    second = values[timed, TOD]
    step = np.diff(second)
    night = np.concatenate(
        ([0.0], np.cumsum((step < -_DAY / 2).astype(float) - (step > _DAY / 2)))
    )
    counted = second + _DAY * night
    day = values[timed, DAY]
    dated = np.isfinite(day) & (kind[timed] == RMC)
    source = "RMC"
    if not dated.any():
        dated, source = np.isfinite(day) & (kind[timed] == ZDA), "ZDA"
    if dated.any():
        shift = _DAY * _first_days(counted, np.flatnonzero(dated), day - night)
        moment = counted + shift
    else:
        moment = counted
    # A line without a time belongs to the moment it stands in.
    before = np.searchsorted(timed, np.arange(kind.size), side="right") - 1
    of_line = moment[np.maximum(before, 0)]
    seconds, spread = spread_stamps(
        of_line[rows],
        longitude=values[rows, LONGITUDE],
        latitude=values[rows, LATITUDE],
        name=name,
    )
    column = f"time of day and {source}" if dated.any() else "time of day"
    if dated.any():
        why = f"UTC; the date from {source}"
        settled = finished(seconds, "utc", column, "s since 1970", why)
    elif epoch is not None:
        settled = _from_told_day(seconds, column, epoch, name)
    else:
        sentence = (
            f"{name}: its times have no date, since it holds no RMC or ZDA; soil "
            "moisture and pairing with other machines cannot be used. Write the day "
            'of its first line, in UTC, as epoch = "2026-10-20" at this log.'
        )
        note = Note("log.no_date", "check", sentence, where=name)
        found = Finding("time", column, "s", "UTC, but no date in the file", True)
        settled = LogClock(seconds, "no_epoch", (found,), (note,))
    if spread is not None:
        settled = LogClock(
            settled.seconds, settled.kind, settled.findings, (*settled.notes, spread)
        )
    return _Clock(settled, of_line)


def _first_days(counted: np.ndarray, dated: np.ndarray, base: np.ndarray) -> np.ndarray:
    """Return at each timed line the day its count began on, from the nearest date.

    A line of the same moment comes first, be it before or after: at the begin of a new
    day the place stands before the date.
    """
    at = np.arange(counted.size)
    after = np.searchsorted(dated, at)
    later = dated[np.minimum(after, dated.size - 1)]
    sooner = dated[np.maximum(np.searchsorted(dated, at, side="right") - 1, 0)]
    near = np.abs(counted[later] - counted) <= np.abs(counted[sooner] - counted)
    return np.asarray(base[np.where(near, later, sooner)])


def _from_told_day(
    seconds: np.ndarray, column: str, epoch: object, name: str
) -> LogClock:
    """Read a day that a person told; these clocks are UTC whatever the farm's is."""
    if not isinstance(epoch, (str, date)) or epoch in ("unix", "gps", "as logged"):
        msg = f"{name}: epoch is {epoch!r}, need the UTC day of its first line."
        raise InputError(msg, 'write epoch = "2026-10-20"')
    start = epoch_start(epoch)
    midnight = start.astimezone(UTC) if start.tzinfo else start.replace(tzinfo=UTC)
    day = datetime(midnight.year, midnight.month, midnight.day, tzinfo=UTC)
    why = "UTC; the day as told"
    return finished(seconds + day.timestamp(), "utc", column, f"s of {day:%F}", why)


@dataclass
class _Signals:
    """Brings what other sentences say to the rows."""

    sentences: Sentences
    rows: np.ndarray
    moment: np.ndarray
    findings: list[Finding] = field(default_factory=list)

    def speed(self) -> np.ndarray:
        return self._first("speed", SPEED, (RMC, VTG), "m/s")

    def heading(self) -> np.ndarray:
        ahead = self._from(HDT, COURSE, "heading")
        if np.isfinite(ahead).mean() > 0.5:
            self._found("heading", HDT, "deg", ahead, "where the machine points")
            return ahead % 360.0
        course = self._first("heading", COURSE, (RMC, VTG), "deg")
        return self._held(course % 360.0)

    def altitude(self) -> np.ndarray:
        return self._first("altitude", ALTITUDE, (GGA, GNS), "m")

    def quality(self) -> np.ndarray:
        best = self._from(GGA, QUALITY, "quality")
        own = self.sentences.values[self.rows, QUALITY]
        best = np.where(np.isfinite(best), best, own)
        counts = Counter(best[np.isfinite(best)].astype(int).tolist())
        said = ", ".join(
            f"{count / best.size:.0%} {_QUALITIES.get(number, f'of kind {number}')}"
            for number, count in counts.most_common(3)
        )
        share = float(np.isfinite(best).mean())
        kind = _NAMES.get(int(self.sentences.kind[self.rows[0]]), "")
        found = Finding("fix_quality", kind, "1", said, share=share)
        self.findings.append(found)
        return best

    def hdop(self) -> np.ndarray:
        own = self.sentences.values[self.rows, HDOP]
        return np.where(np.isfinite(own), own, self._from(GSA, HDOP, "hdop"))

    def _first(
        self, name: str, column: int, kinds: tuple[int, ...], unit: str
    ) -> np.ndarray:
        """Return what the first kind of sentence that tells it says."""
        for kind in kinds:
            values = self._from(kind, column, name)
            if np.isfinite(values).any():
                self._found(name, kind, unit, values, f"sentence {_NAMES[kind]}")
                return values
        return np.full(self.rows.size, np.nan)

    def _found(
        self, name: str, kind: int, unit: str, values: np.ndarray, why: str
    ) -> None:
        share = float(np.isfinite(values).mean())
        self.findings.append(Finding(name, _NAMES[kind], unit, why, share=share))

    def _from(self, kind: int, column: int, name: str) -> np.ndarray:
        """Return the values of a kind of sentence at the rows, as long as they hold."""
        out = np.full(self.rows.size, np.nan)
        values = self.sentences.values[:, column]
        told = self.sentences.of(kind)
        told = told[np.isfinite(values[told])]
        if kind in _PLACES:  # what it says without a fix is no measurement
            told = told[self.sentences.values[told, QUALITY] > 0]
        if not told.size:
            return out
        told = told[np.argsort(self.moment[told], kind="stable")]
        at = np.searchsorted(self.moment[told], self.moment[self.rows], "right") - 1
        seen = np.flatnonzero(at >= 0)
        source = told[at[seen]]
        fresh = self.moment[self.rows[seen]] - self.moment[source] <= _AGES[name]
        out[seen[fresh]] = values[source[fresh]]
        spec = LOG_FIELDS.get(name)
        if spec is not None:
            out[(out < spec.low) | (out > spec.high)] = np.nan
        return out

    def _held(self, course: np.ndarray) -> np.ndarray:
        """Return the course with that of a near standstill replaced by the last one."""
        speed = self._from(RMC, SPEED, "speed")
        speed = np.where(np.isfinite(speed), speed, self._from(VTG, SPEED, "speed"))
        good = np.isfinite(course) & ~(speed < _SLOW)
        if not good.any():
            return np.where(good, course, np.nan)
        last = np.maximum.accumulate(np.where(good, np.arange(course.size), -1))
        held = np.where(last >= 0, course[np.maximum(last, 0)], np.nan)
        age = self.moment[self.rows] - self.moment[self.rows[np.maximum(last, 0)]]
        return np.where(np.isfinite(course) | (age <= _HELD), held, np.nan)


def _quality_notes(table: pd.DataFrame, name: str) -> list[Note]:
    notes = weak_fix_notes(table["extra_hdop"].to_numpy(), name)
    quality = table["fix_quality"].to_numpy()
    guessed = int((quality == 6).sum())
    if guessed:
        sentence = (
            f"{name}: {guessed:,} places were reckoned on by the receiver without "
            "satellites; they drift the longer that lasts."
        )
        notes.append(Note("nmea.reckoned", "info", sentence, guessed, name))
    precise = int(np.isin(quality, (4, 5)).sum())
    if precise and precise < 0.9 * quality.size:
        sentence = (
            f"{name}: only {precise / quality.size:.0%} of its places are RTK; the "
            "others may lie decimetres to metres off."
        )
        notes.append(Note("nmea.mixed_fix", "check", sentence, precise, name))
    return notes
