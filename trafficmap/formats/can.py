"""A text log of a machine's network, as candump writes it, as `RawLog`.

Rows are the messages of position; every other value is carried to them for as long as
it may hold. Messages that say nothing on traffic are counted, not read.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from trafficmap.core import limits
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.formats._can_kernels import parse_frames
from trafficmap.formats.can_clock import settle_stamps
from trafficmap.formats.can_fast import read_gnss
from trafficmap.formats.can_names import ADDRESS_CLAIMED, machine_of
from trafficmap.formats.can_tables import (
    AGES,
    AXLES,
    CLOCKS,
    GNSS_POSITION,
    HITCHES,
    MESSAGES,
    POSITIONS,
    PREFERRED,
    PROCESS_DATA,
    PROCESS_FIELDS,
    Value,
    group_of,
)
from trafficmap.formats.headers import LOG_FIELDS
from trafficmap.formats.isoxml.ddi import item
from trafficmap.formats.paths import real_file
from trafficmap.formats.rawlog import Finding, RawLog
from trafficmap.formats.textbytes import TextSource

KIND = "CAN log"
"""What a log of this kind is called in the record."""

_SIGNALS = ("speed", "heading", "altitude", "fix_quality", "width", "work_state",
            "mass_flow", "tank_mass", "moisture", "application_rate")  # fmt: skip
_NOT_AVAILABLE = 0x7FFF_FFFF
_VALUE = 3
_NO_LOAD = 100.0


@dataclass(frozen=True)
class Frames:
    """The frames of a log: stamp [s], its kind, group, sender and eight bytes each."""

    stamp: np.ndarray
    kind: np.ndarray
    group: np.ndarray
    sender: np.ndarray
    data: np.ndarray
    row: np.ndarray

    def of(self, group: int) -> np.ndarray:
        """Return which frames are of a group."""
        return np.flatnonzero(self.group == group)


def read_can_log(path: str | Path, *, epoch: object = None) -> RawLog:
    """Read a candump text log.

    Parameters
    ----------
    path : str or Path
    epoch : str or date, optional
        Start of stamps that count from the begin of the log.

    Raises
    ------
    InputError
        It holds no message of position, or no frame at all.
    """
    source = TextSource(real_file(path))
    source.head()
    frames, other = _read_frames(source)
    reader = _Reader(frames, source.name)
    places = reader.places()
    clock = settle_stamps(frames, reader.gnss, name=source.name, epoch=epoch)
    reader.time = clock.seconds
    columns = {
        "longitude": places["longitude"].to_numpy(),
        "latitude": places["latitude"].to_numpy(),
        "seconds": clock.seconds[reader.rows],
        "row": frames.row[reader.rows],
        **{signal: reader.signal(signal) for signal in _SIGNALS},
        **reader.extras(),
    }
    table = pd.DataFrame(columns)
    good = table["longitude"].notna() & table["latitude"].notna()
    good &= table["seconds"].notna()
    lost = int((~good).sum())
    if lost > limits.DROPPED_SHARE * len(table):
        msg = f"{source.name}: {lost:,} of {len(table):,} messages of position hold no "
        raise InputError(msg + "place.", "log again with a receiver that has a fix")
    notes = [*source.notes.values(), *clock.notes, *reader.notes]
    if lost:
        sentence = f"{source.name}: {lost:,} messages of position without a place were "
        notes.append(
            Note("can.no_fix", "info", sentence + "dropped.", lost, source.name)
        )
    machine = reader.machine()
    findings = (*reader.findings, clock.finding, reader.ignored(other))
    return RawLog(
        table=table[good].reset_index(drop=True),
        kind=KIND,
        path=Path(path),
        clock=clock.kind,
        machine=machine,
        findings=findings,
        notes=tuple(notes),
    )


def _read_frames(source: TextSource) -> tuple[Frames, int]:
    """Return all frames with an extended identifier, and how many lines were none."""
    kept: list[tuple[np.ndarray, ...]] = []
    done = other = 0
    for piece in source.pieces():
        raw = np.frombuffer(piece, dtype=np.uint8)
        most = int(np.count_nonzero(raw == 10)) + 1
        stamp, kind = np.empty(most), np.empty(most, dtype=np.int8)
        ident, length = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.int8)
        data = np.empty((most, 8), dtype=np.uint8)
        count = parse_frames(raw, stamp, kind, ident, length, data)
        good = np.flatnonzero(ident[:count] >= 0)
        other += count - good.size
        row = done + 1 + good
        done += count
        kept.append((stamp[good], kind[good], ident[good], data[good], row))
    stamp, kind, ident, data, row = (
        np.concatenate(parts) for parts in zip(*kept, strict=True)
    )
    if not ident.size:
        msg = f"{source.name}: holds no frame with a 29-bit identifier."
        raise InputError(msg, "log the machine's own network, as with candump -L")
    codes, few = pd.factorize(ident)
    group = np.array([group_of(int(one)) for one in few], dtype=np.int64)[codes]
    return Frames(stamp, kind, group, ident & 0xFF, data, row), other


@dataclass
class _Reader:
    """Takes one signal after the other out of the frames."""

    frames: Frames
    name: str
    findings: list[Finding] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    used: set[int] = field(default_factory=set)
    rows: np.ndarray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    time: np.ndarray = field(default_factory=lambda: np.empty(0))

    def __post_init__(self) -> None:
        self.gnss = read_gnss(self.frames)
        if self.gnss.broken:
            sentence = f"{self.name}: {self.gnss.broken:,} positions in several frames "
            sentence += "were incomplete and left out."
            count = self.gnss.broken
            self.notes.append(
                Note("can.broken_packet", "info", sentence, count, self.name)
            )

    def places(self) -> pd.DataFrame:
        """Return the places of the sender that sends most of them."""
        counts: Counter[tuple[int, int]] = Counter()
        for group in POSITIONS:
            rows = self.gnss.rows if group == GNSS_POSITION else self.frames.of(group)
            senders = self.frames.sender[rows]
            for sender, count in Counter(senders.tolist()).items():
                counts[group, sender] = count
        if not counts:
            msg = f"{self.name}: holds no message of position (129029, 129025 or "
            msg += "65267), so nobody can say where it drove."
            raise InputError(msg, "log the network the receiver is on")
        order = {group: -k for k, group in enumerate(POSITIONS)}
        group, sender = max(counts, key=lambda c: (counts[c], order[c[0]], -c[1]))
        if group == GNSS_POSITION:
            self.rows = self.gnss.rows
            frame = pd.DataFrame(
                {"latitude": self.gnss.latitude, "longitude": self.gnss.longitude}
            )
            mine = self.frames.sender[self.rows] == sender
            self.rows, frame = self.rows[mine], frame[mine]
            message = "position in several frames"
        else:
            rows = self.frames.of(group)
            self.rows = rows[self.frames.sender[rows] == sender]
            frame = pd.DataFrame(
                {v.field: self._decoded(v, self.rows) for v in MESSAGES[group].values}
            )
            message = MESSAGES[group].name
        self.used.add(group)
        wrong = ~(frame["latitude"].abs() <= 90) | ~(frame["longitude"].abs() <= 180)
        wrong |= (frame["latitude"] == 0) & (frame["longitude"] == 0)
        frame = frame.mask(wrong)
        why = f"{message}, from sender {sender}"
        if len(counts) > 1:
            why += f", which sends most of {len(counts)} sources of places"
        share = float(frame["latitude"].notna().mean())
        for axis in ("longitude", "latitude"):
            self.findings.append(
                Finding(axis, f"message {group}", "deg", why, share=share)
            )
        return frame

    def signal(self, name: str) -> np.ndarray:
        """Return a signal at each row, NaN where unknown; process data first."""
        for number in PROCESS_FIELDS.get(name, ()):
            values = self._process(number, name)
            if values is not None:
                return values
        if name == "mass_flow":
            return self._flow_by_area()
        if name == "work_state":
            return self._hitch_in_work()
        if name == "tank_mass":
            return self._mass_on_axles()
        if name == "fix_quality" and self.gnss.rows.size:
            return self._carried(self.gnss.rows, self.gnss.quality, name)
        if name == "altitude" and np.isfinite(self.gnss.altitude).any():
            self._found(name, GNSS_POSITION, "position in several frames")
            return self._carried(self.gnss.rows, self.gnss.altitude, name)
        return self._message(name)

    def extras(self) -> dict[str, np.ndarray]:
        """Return the mass on each axle, kept beside the load they add up to."""
        axles = self._axles()
        return {
            f"extra_axle_mass_{sender:02x}_{place >> 4}_{place & 15}": values
            for (sender, place), values in axles.items()
        }

    def machine(self) -> str:
        """Return what the network belongs to by the names on it, "" for unknown."""
        rows = self.frames.of(ADDRESS_CLAIMED)
        if not rows.size:
            return ""
        self.used.add(ADDRESS_CLAIMED)
        found = machine_of(
            self.frames.data[rows],
            self.frames.sender[rows],
            receiver=int(self.frames.sender[self.rows[0]]) if self.rows.size else -1,
        )
        if found is None:
            return ""
        word, why = found
        column = f"message {ADDRESS_CLAIMED}"
        self.findings.append(Finding("machine", column, "", why, assumed=False))
        return word

    def ignored(self, other: int) -> Finding:
        """Return what was in the log and not used."""
        known = self.used | set(CLOCKS) | {GNSS_POSITION}
        counts = Counter(self.frames.group[~np.isin(self.frames.group, list(known))])
        total = sum(counts.values())
        often = ", ".join(f"{group}" for group, _ in counts.most_common(6))
        why = f"{total:,} frames of {len(counts)} other messages were not used"
        if other:
            why += f", nor {other:,} lines that hold no 29-bit frame"
        share = 1 - total / max(self.frames.group.size, 1)
        return Finding("other messages", often, "", why, False, share)

    def _found(
        self, name: str, group: int, message: str, assumed: bool = False
    ) -> None:
        self.used.add(group)
        unit = {"heading": "deg", "work_state": "1"}.get(name, "SI")
        self.findings.append(Finding(name, f"message {group}", unit, message, assumed))

    def _message(self, name: str) -> np.ndarray:
        for group in PREFERRED.get(name, ()):
            value = next(v for v in MESSAGES[group].values if v.field == name)
            rows = self.frames.of(group)
            if group == 129_026 and name == "heading":
                # The lowest bits say of which north: 0 is the true one.
                rows = rows[self.frames.data[rows, 1] & 3 == 0]
            values = self._decoded(value, rows)
            if np.isfinite(values).any():
                self._found(name, group, MESSAGES[group].name)
                return self._carried(rows, values, name)
        return np.full(self.rows.size, np.nan)

    def _decoded(self, value: Value, rows: np.ndarray) -> np.ndarray:
        part = self.frames.data[rows, value.first : value.first + value.size]
        kind = f"<{'i' if value.signed else 'u'}{value.size}"
        raw = np.ascontiguousarray(part).view(kind)[:, 0].astype(np.int64)
        out = raw * value.factor + value.offset
        return np.where(raw >= value.limit, np.nan, out)

    def _carried(self, rows: np.ndarray, values: np.ndarray, name: str) -> np.ndarray:
        """Return values at the rows of the log, each for as long as it may hold."""
        known = np.isfinite(values)
        rows, values = rows[known], values[known]
        out = np.full(self.rows.size, np.nan)
        if not rows.size:
            return out
        at = np.searchsorted(rows, self.rows, side="right") - 1
        seen = at >= 0
        age = self.time[self.rows[seen]] - self.time[rows[at[seen]]]
        fresh = ~(age > AGES.get(name, np.inf))
        out[np.flatnonzero(seen)[fresh]] = values[at[seen][fresh]]
        spec = LOG_FIELDS.get(name)
        if spec is not None:
            out[(out < spec.low) | (out > spec.high)] = np.nan
        return out

    def _process(self, number: int, name: str) -> np.ndarray | None:
        """Return the process data of one number, None where nobody sends it."""
        rows = self.frames.of(PROCESS_DATA)
        data = self.frames.data[rows]
        here = (data[:, 0] & 15 == _VALUE) & (
            data[:, 2].astype(np.int64) + data[:, 3].astype(np.int64) * 256 == number
        )
        rows, data = rows[here], data[here]
        if not rows.size:
            return None
        element = (data[:, 0] >> 4) + data[:, 1].astype(np.int64) * 16
        source = self.frames.sender[rows] * 65_536 + element
        first = int(source.min())
        raw = np.ascontiguousarray(data[:, 4:8]).view("<i4")[:, 0].astype(np.float64)
        raw = np.where((raw < 0) | (raw == _NOT_AVAILABLE), np.nan, raw)
        known = item(number)
        assert known is not None
        mine = source == first
        values = raw[mine] * known.factor
        if name == "work_state":
            values = np.where(values > 1, np.nan, values)
        if not np.isfinite(values).any():
            return None
        why = f"process data {number:04X} of element {first & 0xFFFF}: {known.name}"
        if (~mine).any():
            others = np.unique(source).size - 1
            why += f"; {others} more elements send it and were left out"
        self.used.add(PROCESS_DATA)
        self.findings.append(Finding(name, f"message {PROCESS_DATA}", known.unit, why))
        return self._carried(rows[mine], values, name)

    def _flow_by_area(self) -> np.ndarray:
        by_area = self._process(0x0054, "yield_mass")
        if by_area is None:
            return np.full(self.rows.size, np.nan)
        flow = by_area * self.signal("width") * self.signal("speed")
        why = "yield by area times width and speed"
        self.findings.append(
            Finding("mass_flow", f"message {PROCESS_DATA}", "kg/s", why, True)
        )
        return flow

    def _hitch_in_work(self) -> np.ndarray:
        for group, hitch in HITCHES.items():
            rows = self.frames.of(group)
            bits = self.frames.data[rows, 1] >> 6
            values = np.where(bits <= 1, bits.astype(float), np.nan)
            if np.isfinite(values).any():
                self._found("work_state", group, f"{hitch} in work", True)
                return self._carried(rows, values, "work_state")
        return np.full(self.rows.size, np.nan)

    def _axles(self) -> dict[tuple[int, int], np.ndarray]:
        """Return the mass on every axle that says it, by sender and place."""
        rows = self.frames.of(AXLES)
        value = MESSAGES[AXLES].values[0]
        mass = self._decoded(value, rows)
        source = self.frames.sender[rows] * 256 + self.frames.data[rows, 0]
        found = {}
        for one in np.unique(source[np.isfinite(mass)]):
            mine = source == one
            found[int(one) >> 8, int(one) & 0xFF] = self._carried(
                rows[mine], mass[mine], "tank_mass"
            )
        return found

    def _mass_on_axles(self) -> np.ndarray:
        """Return the load: the cargo as told, else what the axles carry above least."""
        rows = self.frames.of(AXLES)
        for value in MESSAGES[AXLES].values[:0:-1]:  # cargo, then trailer
            mass = self._decoded(value, rows)
            if value.field == "cargo" and np.isfinite(mass).any():
                self._found("tank_mass", AXLES, "mass of the cargo")
                return self._carried(rows, mass, "tank_mass")
        axles = self._axles()
        if not axles:
            return np.full(self.rows.size, np.nan)
        total = np.sum(list(axles.values()), axis=0)
        if not np.isfinite(total).any():
            return total
        least, most = float(np.nanmin(total)), float(np.nanmax(total))
        self.used.add(AXLES)
        if most - least < _NO_LOAD:
            return np.full(self.rows.size, np.nan)
        why = f"{len(axles)} axles together above their least, {least:,.0f} kg"
        self.findings.append(Finding("tank_mass", f"message {AXLES}", "kg", why, True))
        sentence = (
            f"{self.name}: its axles carry {least:,.0f} to {most:,.0f} kg together; "
            "the least is taken as empty and the rest as load. If it never ran empty "
            "while it logged, the load is too small by what was left in it."
        )
        self.notes.append(Note("can.axles", "check", sentence, where=self.name))
        return total - least
