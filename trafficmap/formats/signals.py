"""Signals of a point log in SI, with the reason for every unit that was not written."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, Severity
from trafficmap.core.units import quantity, to_si
from trafficmap.formats.byvalue import turn
from trafficmap.formats.headers import LOG_FIELDS, fits_quantity, unit_named
from trafficmap.formats.rawlog import ClockKind, Finding

# Radius of a sphere with the earth's volume [m]; good to 0.3 % for steps of metres.
_EARTH = 6_371_000.0
_MOVING = 0.5
_LONGEST_STEP = 10.0
_MIN_STEPS = 50
_UNIT_TOLERANCE = 0.05
_CHECK_TOLERANCE = 0.10
_LOOKED_AT = 200_000
_STRETCH = 2_000
# Closer than this to half a turn, a heading is that of the other end [rad]; choice.
_REVERSED = np.radians(20.0)
_SPEED_UNITS = ("m/s", "km/h", "mph", "kn")
_LENGTH_UNITS = ("m", "ft", "in", "cm")
_ON = ("1", "on", "true", "yes", "down", "lowered", "working", "work", "active",
       "recording", "logging", "engaged")  # fmt: skip
_OFF = ("0", "off", "false", "no", "up", "raised", "lifted", "not working", "idle",
        "inactive", "stopped", "disengaged", "transport")  # fmt: skip
_UNITLESS = ("fix_quality", "heading")
# Where a written unit is missing these change little; the others change the answer.
_MINOR = ("altitude",)


@dataclass(frozen=True)
class Motion:
    """Speed, step and direction of some rows from their places and the clock.

    A long log is looked at in evenly spaced stretches, `rows`; NaN where not known.
    ``speed`` [m/s], ``step`` [m], ``seconds`` and ``bearing`` [rad, clockwise from
    north] belong to the way from the row before.
    """

    rows: np.ndarray
    speed: np.ndarray
    step: np.ndarray
    bearing: np.ndarray
    clock: np.ndarray
    kind: ClockKind

    @classmethod
    def between(
        cls, lon: np.ndarray, lat: np.ndarray, seconds: np.ndarray, kind: ClockKind
    ) -> Motion:
        """Return the motion along a log."""
        rows = _stretches(lon.size)
        before = np.maximum(rows - 1, 0)
        east = np.radians(lon[rows] - lon[before]) * np.cos(np.radians(lat[rows]))
        north = np.radians(lat[rows] - lat[before])
        step = _EARTH * np.hypot(east, north)
        passed = seconds[rows] - seconds[before]
        good = (rows > 0) & (passed > 0) & (passed <= _LONGEST_STEP)
        good &= kind != "order"
        passed = np.where(good, passed, np.nan)
        step = np.where(good, step, np.nan)
        speed = step / passed
        bearing = np.where(speed > _MOVING, np.arctan2(east, north), np.nan)
        return cls(rows, speed, step, bearing, seconds, kind)

    @property
    def size(self) -> int:
        """Rows of the whole log."""
        return int(self.clock.size)

    def seconds(self) -> np.ndarray:
        """Return the time each row took [s], NaN where a gap or no clock says."""
        passed = np.full(self.size, np.nan)
        if self.kind != "order":
            passed[1:] = np.diff(self.clock)
        return np.where((passed > 0) & (passed <= _LONGEST_STEP), passed, np.nan)


def _stretches(size: int) -> np.ndarray:
    """Return the rows to look at: all, or evenly spaced stretches of a long log."""
    if size <= _LOOKED_AT:
        return np.arange(size)
    starts = np.linspace(0, size - _STRETCH, _LOOKED_AT // _STRETCH).astype(np.int64)
    return (starts[:, None] + np.arange(_STRETCH)).ravel()


@dataclass
class Signals:
    """Reads one signal after the other from the bound columns of a log.

    Parameters
    ----------
    columns : dict
        Our name to the column as read; the column's name is its heading.
    units : dict
        Our name to the unit, as written or told; "" where neither.
    motion : Motion
    name : str
        File, for sentences.
    """

    columns: dict[str, pd.Series]
    units: dict[str, str]
    motion: Motion
    name: str
    findings: list[Finding] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    _done: dict[str, np.ndarray] = field(default_factory=dict)

    def read(self, target: str) -> np.ndarray:
        """Return a signal in SI at each row, NaN where unknown."""
        if target not in self._done:
            special = {
                "speed": self._speed,
                "heading": self._heading,
                "work_state": self._work_state,
                "mass_flow": self._mass_flow,
            }.get(target)
            self._done[target] = special() if special else self._plain(target)
        return self._done[target]

    def _plain(self, target: str) -> np.ndarray:
        column = self.columns.get(target)
        if column is None:
            return self._nothing()
        values = _as_numbers(column)
        unit, why, assumed = self._unit_of(target, values)
        if not unit:
            return self._nothing()
        return self._finish(target, column, values, unit, why, assumed)

    def _unit_of(self, target: str, values: np.ndarray) -> tuple[str, str, bool]:
        """Return unit, reason, and whether it is a guess; "" leaves the column out."""
        spec = LOG_FIELDS[target]
        written = self.units.get(target, "")
        if written:
            unit = unit_named(written)
            if unit and fits_quantity(unit, spec):
                return unit, self._checked(target, values, unit), False
            if not unit or target not in self.columns:
                msg = f"{self.name}: the unit {written!r} of {target} is not known."
                raise InputError(msg, 'write it as in units = {speed = "mph"}')
        if target in _UNITLESS:
            return (
                ("deg", "degrees", False) if target == "heading" else ("1", "", False)
            )
        if target == "moisture":
            middle = np.nanmedian(values) if np.isfinite(values).any() else 0.0
            unit = "%" if middle > 1 else "fraction"
            return unit, f"the middle value is {middle:g}", True
        if target == "speed":
            return self._unit_by_motion(values, self.motion.speed, _SPEED_UNITS)
        if target == "distance":
            return self._unit_by_motion(values, self.motion.step, _LENGTH_UNITS)
        if target == "cycle":
            return "s", "seconds, as loggers count", True
        self._ask_unit(target)
        return "", "", False

    def _checked(self, target: str, values: np.ndarray, unit: str) -> str:
        """Return the reason for a written unit, with what the places say to it."""
        seen = {"speed": self.motion.speed, "distance": self.motion.step}.get(target)
        ratio = None if seen is None else self._ratio(values, seen)
        if ratio is None:
            return "unit as written"
        off = to_si(ratio, unit) - 1
        if abs(off) < _CHECK_TOLERANCE:
            return f"unit as written; the places agree within {abs(off):.1%}"
        side = "above" if off > 0 else "below"
        return f"unit as written; it reads {abs(off):.0%} {side} the places"

    def _ratio(self, values: np.ndarray, seen: np.ndarray) -> float | None:
        """Return a column over what the places give, None where too few rows move."""
        some = values[self.motion.rows]
        moving = (self.motion.speed > _MOVING) & np.isfinite(seen) & (some > 0)
        if moving.sum() < _MIN_STEPS:
            return None
        return float(np.median(some[moving] / seen[moving]))

    def _unit_by_motion(
        self, values: np.ndarray, seen: np.ndarray, units: tuple[str, ...]
    ) -> tuple[str, str, bool]:
        """Return the unit in which the column agrees with the places."""
        ratio = self._ratio(values, seen)
        if ratio is not None:
            off = {unit: abs(to_si(ratio, unit) - 1) for unit in units}
            best = min(off, key=lambda unit: off[unit])
            if off[best] < _UNIT_TOLERANCE:
                why = f"in {best} it agrees with the places within {off[best]:.1%}"
                return best, why, True
        target = "speed" if units == _SPEED_UNITS else "distance"
        self._ask_unit(target)
        return "", "", False

    def _ask_unit(self, target: str) -> None:
        column = self.columns[target].name
        severity: Severity = "info" if target in _MINOR else "check"
        sentence = (
            f"{self.name}: the column {column!r} has no unit, so it was left out. "
            f'Write units = {{{target} = "..."}} at this log.'
        )
        self.notes.append(Note("log.unit_missing", severity, sentence, where=self.name))

    def _finish(
        self,
        target: str,
        column: pd.Series,
        values: np.ndarray,
        unit: str,
        why: str,
        assumed: bool,
    ) -> np.ndarray:
        spec = LOG_FIELDS[target]
        with np.errstate(over="ignore"):  # 1e308 is no value and falls away below
            si = (
                values
                if unit == "1" or to_si(1.0, unit) == 1.0
                else to_si(values, unit)
            )
        good = (si >= spec.low) & (si <= spec.high) & np.isfinite(si)
        known = ~np.isnan(si)
        wrong = int((known & ~good).sum())
        if wrong:
            sentence = (
                f"{self.name}: {wrong:,} values in {column.name!r} cannot be true and "
                "were taken as unknown."
            )
            severity: Severity = (
                "check" if wrong > 0.2 * max(1, known.sum()) else "info"
            )
            note = Note("log.value_range", severity, sentence, wrong, self.name)
            self.notes.append(note)
        share = float(good.mean()) if good.size else 0.0
        finding = Finding(target, str(column.name), unit, why, assumed, share)
        self.findings.append(finding)
        return si if not wrong else np.where(good, si, np.nan)

    def _heading(self) -> np.ndarray:
        """Return the heading; one that shows the other way is said, not turned."""
        heading = self._plain("heading")
        some = np.radians(heading[self.motion.rows])
        known = np.isfinite(some) & np.isfinite(self.motion.bearing)
        if known.sum() >= _MIN_STEPS:
            off = np.abs(turn(some[known] - self.motion.bearing[known]))
            if float(np.median(off)) > np.pi - _REVERSED:
                sentence = (
                    f"{self.name}: the heading in the log shows against the way the "
                    "places go; the antenna is mounted the other way round or the "
                    "machine backs throughout. The places were believed."
                )
                note = Note("log.heading_reversed", "check", sentence, where=self.name)
                self.notes.append(note)
                return self._nothing()
        return heading

    def _speed(self) -> np.ndarray:
        speed = self._plain("speed")
        if np.isnan(speed).all():
            speed = self._speed_from_distance()
        some = speed[self.motion.rows]
        moving = (self.motion.speed > _MOVING) & (some > _MOVING)
        if moving.sum() >= _MIN_STEPS:
            off = float(np.median(some[moving] / self.motion.speed[moving])) - 1
            if abs(off) > _CHECK_TOLERANCE:
                sentence = (
                    f"{self.name}: the speed in the log is {abs(off):.0%} "
                    f"{'above' if off > 0 else 'below'} the speed its places and its "
                    "clock give; look at the unit and the clock."
                )
                note = Note("log.speed_differs", "check", sentence, where=self.name)
                self.notes.append(note)
        return speed

    def _speed_from_distance(self) -> np.ndarray:
        if "distance" not in self.columns:
            return self._nothing()
        distance = self._plain("distance")
        passed = self._plain("cycle") if "cycle" in self.columns else self._nothing()
        if np.isnan(passed).all():
            passed = self.motion.seconds()
        speed = np.where(passed > 0, distance, np.nan)
        nothing = np.full(self.motion.size, np.nan)
        speed = np.divide(speed, passed, out=nothing, where=passed > 0)
        column = str(self.columns["distance"].name)
        why = "distance of each row by its time"
        share = float(np.isfinite(speed).mean()) if speed.size else 0.0
        self.findings.append(Finding("speed", column, "m/s", why, False, share))
        return speed

    def _work_state(self) -> np.ndarray:
        column = self.columns.get("work_state")
        if column is None:
            return self._nothing()
        codes, kinds = pd.factorize(column)
        words = [_state_word(kind) for kind in kinds]
        meaning = [1.0 if w in _ON else 0.0 if w in _OFF else np.nan for w in words]
        if any(np.isnan(meaning)):
            odd = next(w for w, m in zip(words, meaning, strict=True) if np.isnan(m))
            sentence = (
                f"{self.name}: the column {column.name!r} says {odd!r}, which is "
                "neither on nor off; it was left out."
            )
            note = Note("log.state_unknown", "check", sentence, where=self.name)
            self.notes.append(note)
            return self._nothing()
        state = np.append(meaning, np.nan)[codes]
        share = float(np.isfinite(state).mean()) if state.size else 0.0
        why = "on and off" if len(words) > 1 else f"the same ({words[0]}) in every row"
        finding = Finding("work_state", str(column.name), "1", why, share=share)
        self.findings.append(finding)
        return state

    def _mass_flow(self) -> np.ndarray:
        flow = self._plain("mass_flow")
        if not np.isnan(flow).all() or "yield_mass" not in self.columns:
            return flow
        if not self.units.get("yield_mass"):
            self._ask_unit("yield_mass")
            return flow
        if quantity(self.units["yield_mass"]) != "areal mass":
            return flow
        by_area = self._plain("yield_mass")
        flow = by_area * self.read("width") * self.read("speed")
        if np.isfinite(flow).any():
            column = str(self.columns["yield_mass"].name)
            why = "yield by area times width and speed"
            share = float(np.isfinite(flow).mean())
            self.findings.append(Finding("mass_flow", column, "kg/s", why, True, share))
        return flow

    def _nothing(self) -> np.ndarray:
        # One value seen n times: a log of many rows pays only for what it holds.
        return np.broadcast_to(np.nan, self.motion.size)


def _as_numbers(column: pd.Series) -> np.ndarray:
    """Return numbers, NaN for text; a lone text in a column costs its row only."""
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column.to_numpy(dtype=np.float64, na_value=np.nan)
    numbers = pd.to_numeric(column, errors="coerce")
    return numbers.to_numpy(dtype=np.float64, na_value=np.nan)


def _state_word(kind: object) -> str:
    text = str(kind).strip().lower()
    return text.removesuffix(".0")
