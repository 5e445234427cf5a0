"""The stress of the map worked a second way: patches cut into pieces and added up.

The map takes every tyre as a circle and adds only the wheels of an axle that stand
close. Here a tyre is a rounded box with a pressure that peaks inside it, and every
wheel of the body counts, the next axle's too. Slow, so it is for a look at one rig.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.soil.compaction import SINKAGE_SOILS, sinkage_bekker
from trafficmap.soil.contact import (
    patch_interval,
    super_ellipse_area,
    track_load_along,
)
from trafficmap.soil.profiles import WheelStress
from trafficmap.soil.stress import vertical_stress_parabola4, vertical_stress_patch

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings

PIECE = 0.02
"""Side of a piece [m]: a sixteenth of the radius of a usual patch, and far below half
of the least depth, which keeps the sum within 1 % of the integral."""
_ALONG, _DECAY = 2.0, 2.0
"""Pressure falls as 1 - |2x/l|^2 along travel, and peaks half way out across it. Form
after Schjønning et al. 2008, Biosyst. Eng. 99:119-133 (from memory); choice."""
_NEAR = 3.0
"""Wheels further than this along or across add nothing that shows [m]; choice."""


def audit_axles(
    wheels: pd.DataFrame, loads, *, nu: float, settings: SoilSettings
) -> pd.DataFrame:
    """Return the stress of each axle of a rig as mapped, and as a sum of pieces.

    Parameters
    ----------
    wheels : DataFrame
        Contract `core.tables.WHEELS`, the wheels of one machine.
    loads : ndarray, shape (n,)
        Load of each wheel; axles with an unknown load are left out. [N]
    nu : float
        Concentration factor, above 2. [1]
    settings : SoilSettings

    Returns
    -------
    DataFrame
        body, axle, wheel_load [N], area_low, area, area_high [m2], depth [m],
        stress_low, stress, stress_high [Pa] (the map's, at the largest, best and
        smallest patch), pieces [Pa] (rounded boxes, every wheel near) and ratio,
        pieces over stress. Tracks have no area. One row an axle and depth.

    Raises
    ------
    ModelRangeError
        A load below zero, a pressure not above zero, or nu of 2 or less.
    """
    loads = np.asarray(loads, dtype=np.float64)
    wheels = wheels.reset_index(drop=True)
    depths = np.asarray(COMPUTE_DEPTHS)
    cut = [
        _pieces(wheel, load, settings)
        for wheel, load in zip(wheels.itertuples(), loads, strict=True)
    ]
    rows = []
    for _, axle in wheels.groupby("axle_id", sort=True):
        mine = axle.sort_values("right").index.to_numpy()
        if not (np.isfinite(loads[mine]) & (loads[mine] > 0.0)).all():
            continue
        heavy = mine[int(np.argmax(loads[mine]))]
        wheel = wheels.loc[heavy]
        stress = _as_mapped(wheels.loc[mine], loads[mine], nu, settings)
        low, best, high = _area_ends(wheel, float(loads[heavy]), settings)
        near = [
            cut[k]
            for k in wheels.index[wheels["body_id"] == wheel["body_id"]]
            if cut[k] is not None and _is_near(wheels.loc[k], wheels.loc[mine])
        ]
        pieces = _worst(near, wheels.loc[mine], depths, nu)
        spans = _spans(float(loads[heavy]), (low, best, high), depths, nu)
        for d, depth in enumerate(depths):
            rows.append(
                {
                    "body": wheel["body"],
                    "axle": wheel["axle"],
                    "wheel_load": float(loads[heavy]),
                    "area_low": low,
                    "area": best,
                    "area_high": high,
                    "depth": float(depth),
                    "stress_low": stress[d] * spans[0, d],
                    "stress": stress[d],
                    "stress_high": stress[d] * spans[1, d],
                    "pieces": pieces[d],
                    "ratio": pieces[d] / stress[d],
                }
            )
    return pd.DataFrame(rows, columns=_COLUMNS)


def super_ellipse_patch(
    length, width, *, power, along_power=_ALONG, decay=_DECAY, piece=PIECE
):
    """Return the pieces of a rounded box and the share of the load on each.

    Pressure is (1 - |x/l(y)|^a) (1 - s) exp(-b (1 - s)), s = |y|/w(x), inside
    |2x/l|^n + |2y/w|^n < 1; the shares are scaled to 1, so no published constant of
    the pressure is needed.

    Parameters
    ----------
    length, width : float
        Along and across travel, above 0. [m]
    power : float
        n of the outline: 2 an ellipse, large a rectangle. [1]
    along_power, decay : float
        a and b; from a `decay` above 1 the pressure peaks beside the middle line; 0
        leaves the decay across out. [1]
    piece : float
        Side of a piece, above 0. [m]

    Returns
    -------
    along, across : ndarray, shape (n,)
        Centres of the pieces from the middle. [m]
    share : ndarray, shape (n,)
        Sums to 1.

    Examples
    --------
    >>> along, across, share = super_ellipse_patch(0.7, 0.6, power=4)
    >>> round(float(share.sum()), 9), round(float(share.max() / share.mean()), 1)
    (1.0, 1.8)
    """
    n = max(4, 2 * math.ceil(0.5 * length / piece))
    m = max(4, 2 * math.ceil(0.5 * width / piece))
    x = (np.arange(n) + 0.5) * length / n - length / 2
    y = (np.arange(m) + 0.5) * width / m - width / 2
    x, y = (part.ravel() for part in np.meshgrid(x, y, indexing="ij"))
    far_x, far_y = np.abs(2 * x / length), np.abs(2 * y / width)
    inside = far_x**power + far_y**power < 1.0
    x, y, far_x, far_y = x[inside], y[inside], far_x[inside], far_y[inside]
    half_length = length / 2 * (1.0 - far_y**power) ** (1.0 / power)
    pressure = 1.0 - (np.abs(x) / half_length) ** along_power
    if decay > 0.0:
        half_width = width / 2 * (1.0 - far_x**power) ** (1.0 / power)
        s = np.abs(y) / half_width
        pressure = pressure * (1.0 - s) * np.exp(-decay * (1.0 - s))
    return x, y, pressure / pressure.sum()


def outline_power(width: float, diameter: float) -> float:
    """Return how square the patch of a tyre is: n = 2.1 (w d)^2 + 2, at most 8.

    T. Keller (2005), Biosyst. Eng. 92:85-96 (from memory); 4 where the size is not
    known (choice).

    Examples
    --------
    >>> round(outline_power(0.65, 1.85), 2)
    5.04
    """
    if not math.isfinite(width * diameter):
        return 4.0
    return min(8.0, 2.1 * (width * diameter) ** 2 + 2.0)


def sinkage_words(load: float, width: float, diameter: float) -> str:
    """Return how deep a stiff wheel would sink in the three published soils."""
    if not (width > 0.0 and diameter > 0.0):
        return ""
    told = [
        f"{100 * sinkage_bekker(load, width=width, diameter=diameter, **soil):.0f} cm "
        f"where {name}"
        for name, soil in SINKAGE_SOILS.items()
    ]
    return ", ".join(told)


_COLUMNS = [
    *("body", "axle", "wheel_load", "area_low", "area", "area_high", "depth"),
    *("stress_low", "stress", "stress_high", "pieces", "ratio"),
]


def _pieces(wheel, load, settings):
    """Return (along, across, load) of the pieces of one wheel, None without a load."""
    if not load > 0.0:
        return None
    if wheel.kind == "track":
        along, across, share = _track_pieces(wheel, load, settings)
    else:
        _, area, _ = _area_ends(wheel, load, settings)
        power = outline_power(wheel.width, wheel.diameter)
        factor = super_ellipse_area(1.0, 1.0, power=power)
        width = math.sqrt(area / factor)
        if wheel.width > 0.0:
            # No patch is much wider than its tyre, and few are shorter than half it.
            width = min(wheel.width, 1.4 * width)
        length = area / (factor * width)
        along, across, share = super_ellipse_patch(length, width, power=power)
    return along + wheel.forward, across + wheel.right, load * share


def _track_pieces(wheel, load, settings):
    length = wheel.contact_length
    if not length > 0.0:
        length = load / (wheel.pressure * wheel.width)
    rollers = settings.track_rollers
    rollers = min(rollers, int(wheel.rollers)) if wheel.rollers > 0 else rollers
    n, m = math.ceil(length / PIECE), math.ceil(wheel.width / PIECE)
    places = (np.arange(n) + 0.5) * length / n
    share = track_load_along(
        places,
        length=length,
        rollers=rollers,
        roller_share=settings.roller_share,
        roller_spread=settings.roller_spread,
    )
    across = (np.arange(m) + 0.5) * wheel.width / m - wheel.width / 2
    along, across = np.meshgrid(places - length / 2, across, indexing="ij")
    return along.ravel(), across.ravel(), np.repeat(share / m, m)


def _area_ends(wheel, load, settings) -> tuple[float, float, float]:
    """Return low, best and high contact area; NaN for a track."""
    if wheel.kind == "track":
        return math.nan, math.nan, math.nan
    sized = settings.cap_patch
    return patch_interval(
        load,
        wheel.pressure,
        width=wheel.width if sized else math.nan,
        diameter=wheel.diameter if sized else math.nan,
        told=(wheel.contact_area, wheel.contact_slope),
        area_max=settings.patch_area_max,
    )


def _as_mapped(axle: pd.DataFrame, loads, nu: float, settings) -> np.ndarray:
    """Return the largest stress of the axle by depth, by the functions of the map."""
    right = axle["right"].to_numpy(dtype=np.float64)
    middles = 0.5 * (right[1:] + right[:-1])
    offsets = np.unique(np.concatenate([right, middles]))
    depths = np.asarray(COMPUTE_DEPTHS)
    memory = WheelStress(offsets, depths, float(nu), settings, mirrored=False)
    shapes = [memory.shape_of(wheel) for wheel in axle.itertuples()]
    pressures = axle["pressure"].to_numpy(dtype=np.float64)
    return memory.axle_profile(loads, pressures, shapes, right).max(axis=0)


def _spans(load, area, depths, nu) -> np.ndarray:
    """Return stress at the largest and the smallest patch over that at the best."""
    low, best, high = area
    if not math.isfinite(best):
        return np.ones((2, depths.size))

    def axis(size):
        radius = math.sqrt(size / math.pi)
        return vertical_stress_parabola4(load / size, depths, radius=radius, nu=nu)

    return np.stack([axis(high) / axis(best), axis(low) / axis(best)])


def _is_near(wheel, axle: pd.DataFrame) -> bool:
    along = np.abs(axle["forward"].to_numpy() - wheel["forward"])
    across = np.abs(axle["right"].to_numpy() - wheel["right"])
    return bool((np.hypot(along, across) <= _NEAR).any())


def _worst(near: list, axle: pd.DataFrame, depths, nu) -> np.ndarray:
    """Return the largest stress by depth over a few points on and between wheels."""
    along, across, load = (np.concatenate(part) for part in zip(*near, strict=True))
    right = axle["right"].to_numpy(dtype=np.float64)
    half = 0.5 * axle["width"].to_numpy(dtype=np.float64)
    spots = np.concatenate([right, right - half / 2, right + half / 2])
    spots = np.unique(np.concatenate([spots, 0.5 * (right[1:] + right[:-1])]))
    forward = float(axle["forward"].iloc[0])
    reach = 0.0
    if (axle["kind"] == "track").any():
        reach = float(np.nanmax(axle["contact_length"].to_numpy(), initial=0.0)) / 2
    if reach > 0:
        travel = forward + np.linspace(-reach, reach, 25)
    else:
        travel = forward + np.linspace(-0.4, 0.4, 5)
    out = np.zeros(depths.size)
    for d, depth in enumerate(depths):
        for ahead in travel:
            for side in spots:
                found = vertical_stress_patch(
                    along, across, load, depth=depth, nu=nu, point=(ahead, side)
                )
                out[d] = max(out[d], found)
    return out
