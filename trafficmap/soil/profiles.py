"""Stress below every axle in every load state, by depth and offset."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import CubicSpline, RectBivariateSpline

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.notes import Note
from trafficmap.soil._stress import (
    lateral_stress,
    parabola4_table,
    track_table,
)
from trafficmap.soil.contact import contact_area, track_load_along
from trafficmap.soil.stress import (
    require_wheel,
    vertical_stress_parabola4,
)

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.loads.paths import LoadStates

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_ZETA = np.geomspace(0.08, 30.0, 56)
_SHARE = np.concatenate([np.arange(0.0, 2.0, 0.02), np.linspace(2.0, 6.0, 33)])
_LEAST = math.log(1e-12)


@dataclass(frozen=True)
class Profiles:
    """Vertical stress across travel below each axle in each load state.

    Parameters
    ----------
    stress : ndarray, shape (n_rows, n_offsets, n_depths)
        Largest value as the axle goes by; 0 beyond the reach of its wheels. [Pa]
    row_of : ndarray of int32, shape (n_axles, n_states)
        Row of an axle in a state; -1 where the axle is not of that machine or a load
        is not known.
    wheel_load : ndarray, shape (n_rows,)
        Heaviest wheel of the axle. [N]
    first_offset, step : float
        Offset ``k`` lies ``first_offset + k step`` right of the axle's centre. [m]
    depths : ndarray
        `COMPUTE_DEPTHS`. [m]
    nu : float
        Concentration factor used. [1]
    notes : tuple of Note
    peak_low, peak_high : ndarray, shape (n_rows, n_depths), or None
        Largest stress below the axle at the low and the high end of its load. [Pa]
    """

    stress: np.ndarray
    row_of: np.ndarray
    wheel_load: np.ndarray
    first_offset: float
    step: float
    depths: np.ndarray
    nu: float
    notes: tuple[Note, ...] = ()
    peak_low: np.ndarray | None = None
    peak_high: np.ndarray | None = None

    @property
    def offsets(self) -> np.ndarray:
        """Offsets right of the axle's centre [m]."""
        return self.first_offset + self.step * np.arange(self.stress.shape[1])


def stress_profiles(
    wheels: pd.DataFrame, states: LoadStates, *, nu: float, settings: SoilSettings
) -> Profiles:
    """Return the stress profile of every axle in every load state of its machine.

    Wheels of one axle closer than ``settings.dual_spacing`` add up; of the others the
    largest counts. A tyre is a circle with a pressure that falls with the fourth power
    of the radius, its area as told for the machine, else from inflation pressure and
    size; a track a rectangle with its load partly on rollers. Each wheel is computed
    once for each load, pressure and shape; maps only look it up.

    Parameters
    ----------
    wheels : DataFrame
        Contract `core.tables.WHEELS`.
    states : LoadStates
        Best loads make the profiles, low and high loads the ends of their peaks.
    nu : float
        Concentration factor of the field, above 2. [1]
    settings : SoilSettings

    Returns
    -------
    Profiles

    Raises
    ------
    ModelRangeError
        `nu` is 2 or less, or a pressure is not above 0.
    """
    depths = np.asarray(COMPUTE_DEPTHS)
    step = settings.profile_step
    widest = float(np.abs(wheels["right"]).max()) if len(wheels) else 0.0
    half = math.ceil((widest + settings.profile_reach) / step)
    offsets = step * np.arange(-half, half + 1)
    n_axles = int(wheels["axle_id"].max()) + 1 if len(wheels) else 0
    row_of = np.full((n_axles, states.machine_id.size), -1, dtype=np.int32)
    rows: list[np.ndarray] = []
    heaviest: list[float] = []
    ends: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
    known: dict[tuple, int] = {}
    memory = WheelStress(offsets, depths, float(nu), settings)
    peaks = _Peaks(memory, depths, float(nu), settings)
    for name, axle in wheels.groupby("axle_id", sort=True):
        axle_id = int(str(name))
        axle = axle.sort_values("right", kind="stable")
        slots = axle["slot"].to_numpy()
        pressures = axle["pressure"].to_numpy(dtype=np.float64)
        shapes = [memory.shape_of(wheel) for wheel in axle.itertuples()]
        right = axle["right"].to_numpy(dtype=np.float64)
        mine = np.flatnonzero(states.machine_id == axle["machine_id"].iloc[0])
        for state in mine:
            loads = states.load[state, slots]
            if not (np.isfinite(loads) & (loads >= 0.0)).all():
                continue
            bounds = [
                np.where(np.isfinite(end), np.maximum(end, 0.0), loads)
                for end in (
                    states.load_low[state, slots],
                    states.load_high[state, slots],
                )
            ]
            key = (axle_id, *loads.tolist(), *bounds[0].tolist(), *bounds[1].tolist())
            if key not in known:
                known[key] = len(rows)
                rows.append(memory.axle_profile(loads, pressures, shapes, right))
                heaviest.append(float(loads.max()))
                for found, end in zip(ends, bounds, strict=True):
                    found.append(
                        rows[-1].max(axis=0)
                        if (end == loads).all()
                        else peaks.axle_peak(axle_id, end, pressures, shapes, right)
                    )
            row_of[axle_id, state] = known[key]
    stress = np.stack(rows) if rows else np.zeros((0, offsets.size, depths.size))
    return Profiles(
        stress=stress,
        row_of=row_of,
        wheel_load=np.asarray(heaviest, dtype=np.float64),
        first_offset=float(offsets[0]),
        step=step,
        depths=depths,
        nu=float(nu),
        notes=memory.notes(),
        peak_low=np.stack(ends[0]) if rows else np.zeros((0, depths.size)),
        peak_high=np.stack(ends[1]) if rows else np.zeros((0, depths.size)),
    )


class _Peaks:
    """Largest stress below an axle at the ends of its load, each computed once."""

    def __init__(self, memory, depths, nu, settings):
        # Every fourth offset is enough for a peak, which is flat on top.
        right = memory.offsets[memory.offsets.size // 2 :: 4]
        coarse = np.concatenate([-right[:0:-1], right])
        self.stress = WheelStress(coarse, depths, nu, settings)
        self.known: dict[tuple, np.ndarray] = {}

    def axle_peak(self, axle_id, loads, pressures, shapes, right) -> np.ndarray:
        key = (axle_id, *loads.tolist())
        if key not in self.known:
            profile = self.stress.axle_profile(loads, pressures, shapes, right)
            self.known[key] = profile.max(axis=0)
        return self.known[key]


def lateral_stress_circle(load, pressure, *, area, offsets, depths, nu):
    """Return the stress beside one tyre, largest as it goes by.

    Parameters
    ----------
    load, pressure : float
        Wheel load and mean contact pressure. [N], [Pa]
    area : float
        Contact area, load over pressure. [m2]
    offsets : ndarray, shape (n,)
        Distance beside the wheel centre. [m]
    depths : ndarray, shape (m,)
        Depths, above 0. [m]
    nu : float
        Concentration factor, above 2. [1]

    Returns
    -------
    ndarray, shape (n, m)
        Vertical stress, within 0.5 % of the integral wherever it is more than a
        thousandth of the axis value. [Pa]
    """
    offsets = np.abs(np.asarray(offsets, dtype=np.float64))
    out = np.empty((offsets.size, len(depths)))
    radius = math.sqrt(area / math.pi)
    depths = np.asarray(depths, dtype=np.float64)
    axis = vertical_stress_parabola4(pressure, depths, radius=radius, nu=nu)
    zeta_knots, share_knots, flat = _lateral_table(float(nu)).tck
    lateral_stress(
        float(load),
        axis,
        offsets,
        depths,
        radius,
        float(nu),
        zeta_knots,
        share_knots,
        flat.reshape(zeta_knots.size - 4, share_knots.size - 4),
        _ZETA[0],
        _ZETA[-1],
        _SHARE[-1],
        out,
    )
    return out


def track_profile(
    *, width, length, rollers, roller_share, roller_spread, depths, nu
) -> CubicSpline:
    """Return the stress beside a track that carries 1 N, as a curve of the offset.

    The worst point along travel counts, at every depth.

    Parameters
    ----------
    width, length : float
        Track on the ground. [m]
    rollers : int
        Rollers that carry.
    roller_share, roller_spread : float
        Share on rollers; standard deviation of a band. [1], [m]
    depths : tuple of float
        Depths, above 0. [m]
    nu : float
        Concentration factor, above 2. [1]

    Returns
    -------
    CubicSpline
        From the absolute offset [m], up to width / 2 + 4 m, to stress, one value a
        depth. [Pa/N]
    """
    n = max(48, math.ceil(length / 0.02))
    piece = length / n
    places = (np.arange(n) + 0.5) * piece
    share = track_load_along(
        places,
        length=length,
        rollers=rollers,
        roller_share=roller_share,
        roller_spread=roller_spread,
    )
    m = max(16, math.ceil(width / 0.02))
    across = (np.arange(m) + 0.5) * width / m - width / 2
    offsets = np.concatenate(
        [
            np.arange(0.0, width / 2 + 0.3, 0.02),
            np.linspace(width / 2 + 0.31, width / 2 + 4.0, 60),
        ]
    )
    out = np.zeros((offsets.size, len(depths)))
    track_table(
        share, piece, across, width, offsets, np.asarray(depths, float), float(nu), out
    )
    return CubicSpline(offsets, out, axis=0)


class WheelStress:
    """Profiles of single wheels, each computed once.

    `offsets` lie as far to the left as to the right unless `mirrored` says not.
    """

    def __init__(self, offsets, depths, nu, settings, *, mirrored=True):
        require_wheel(0.0, 1.0, nu)
        self.mirrored = mirrored
        self.offsets, self.depths, self.nu = offsets, depths, nu
        self.settings = settings
        self.wheels: dict[tuple, np.ndarray] = {}
        self.tracks: dict[tuple, CubicSpline] = {}
        self.too_large: set[tuple] = set()
        self.no_length: set[tuple] = set()

    def shape_of(self, wheel) -> tuple:
        """Return what decides the patch of a wheel, besides load and pressure."""
        if wheel.kind == "track":
            rollers = self.settings.track_rollers
            if wheel.rollers > 0:
                # More rollers would flatten the peaks; that was never measured.
                rollers = min(rollers, int(wheel.rollers))
            return ("track", wheel.width, wheel.contact_length, rollers)
        told: tuple[float, ...] = ()
        # NaN is no key: two of them are not equal.
        if wheel.contact_slope >= 0.0:
            told = (wheel.contact_area, wheel.contact_slope)
        size = (wheel.width, wheel.diameter if wheel.diameter > 0.0 else math.inf)
        return ("tyre", *size, told)

    def axle_profile(self, loads, pressures, shapes, right) -> np.ndarray:
        """Return the stress below an axle, shape (offsets, depths)."""
        worst = np.zeros((self.offsets.size, self.depths.size))
        group = np.zeros_like(worst)
        for k in range(loads.size):
            if k and right[k] - right[k - 1] >= self.settings.dual_spacing:
                np.maximum(worst, group, out=worst)
                group = np.zeros_like(worst)
            group = group + self.wheel_profile(
                float(loads[k]), float(pressures[k]), shapes[k], float(right[k])
            )
        return np.maximum(worst, group)

    def wheel_profile(self, load, pressure, shape, right) -> np.ndarray:
        """Return the stress below one wheel; its mirror image is not computed anew."""
        flip = self.mirrored and right < 0
        place = abs(right) if self.mirrored else right
        key = (load, pressure, shape, place)
        if key not in self.wheels:
            self.wheels[key] = self._compute(load, pressure, shape, place)
        found = self.wheels[key]
        return found[::-1] if flip else found

    def _compute(self, load, pressure, shape, right) -> np.ndarray:
        require_wheel(load, pressure, self.nu)
        out = np.zeros((self.offsets.size, self.depths.size))
        if load == 0.0:
            return out
        away = np.abs(self.offsets - right)
        near = away <= self.settings.profile_reach
        if shape[0] == "track":
            out[near] = load * self.track_curve(load, pressure, shape)(away[near])
            return out
        area = self.area_of(load, pressure, shape)
        out[near] = lateral_stress_circle(
            load,
            load / area,
            area=area,
            offsets=away[near],
            depths=self.depths,
            nu=self.nu,
        )
        return out

    def area_of(self, load, pressure, shape) -> float:
        """Return the contact area of a tyre [m2]; remember one no tyre has."""
        _, width, diameter, told = shape
        sized = self.settings.cap_patch and math.isfinite(width + diameter)
        area = float(
            contact_area(
                load,
                pressure,
                width=width if sized else math.nan,
                diameter=diameter if sized else math.nan,
                told=told or (math.nan, math.nan),
                area_max=self.settings.patch_area_max,
            )
        )
        if not sized and not told and load / pressure > area:
            self.too_large.add((load, pressure))
        return area

    def track_curve(self, load, pressure, shape) -> CubicSpline:
        """Return the stress beside a track that carries 1 N, as a curve."""
        _, width, length, rollers = shape
        if not length > 0.0:
            self.no_length.add(shape)
            length = load / (pressure * width)
        # Classes of a centimetre, so that a length from the load is not a new table
        # for every load.
        key = (width, round(length, 2), rollers)
        if key not in self.tracks:
            self.tracks[key] = _cached_track(
                *key,
                self.settings.roller_share,
                self.settings.roller_spread,
                tuple(self.depths.tolist()),
                self.nu,
            )
        return self.tracks[key]

    def notes(self) -> tuple[Note, ...]:
        """Return what had to be assumed."""
        notes = []
        if self.too_large:
            sentence = (
                f"{len(self.too_large)} wheel loads are too heavy for their tyre "
                "pressure: the contact patch would be larger than any tyre has, so "
                f"{self.settings.patch_area_max:g} m2 was used. Check pressure and "
                "load, or give the tyre size."
            )
            notes.append(
                Note("soil.patch_too_large", "check", sentence, len(self.too_large))
            )
        if self.no_length:
            sentence = (
                "The ground length of a track is not known; it was taken from its load "
                "and mean pressure. Measure it and write it into the machine."
            )
            notes.append(
                Note("soil.track_length", "check", sentence, len(self.no_length))
            )
        return tuple(notes)


@lru_cache(maxsize=64)
def _cached_track(width, length, rollers, share, spread, depths, nu) -> CubicSpline:
    return track_profile(
        width=width,
        length=length,
        rollers=rollers,
        roller_share=share,
        roller_spread=spread,
        depths=depths,
        nu=nu,
    )


@lru_cache(maxsize=32)
def _lateral_table(nu: float) -> RectBivariateSpline:
    """Return ln of the share of the axis value, over ln(z/R) and offset."""
    out = np.empty((_ZETA.size, _SHARE.size))
    parabola4_table(_ZETA, _SHARE, nu, _NODES, _WEIGHTS, out)
    part = np.log(np.maximum(out / out[:, :1], 1e-300))
    return RectBivariateSpline(
        np.log(_ZETA), _SHARE, np.maximum(part, _LEAST), kx=3, ky=3
    )
