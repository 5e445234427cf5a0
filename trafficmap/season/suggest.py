"""Lanes and loading places for next year, from the tracks of this one."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from trafficmap.season import _say
from trafficmap.season.carts import (
    carts_of,
    fillings_of,
)
from trafficmap.season.driven import moves
from trafficmap.season.lanes import (
    Lanes,
    best_offset,
    fits_lanes,
    main_heading,
    on_heading,
)

if TYPE_CHECKING:
    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field
    from trafficmap.season.driven import Driven


@dataclass(frozen=True)
class Suggestion:
    """Where lanes and loading places would lie best.

    Parameters
    ----------
    lanes : Lanes or None
        None where no straight work tells.
    lines : GeoDataFrame
        One row a lane: lane, heading [deg], spacing [m], length [m], geometry.
    on_lanes : float
        Share of this year's straight work of wide machines that already lies on them.
    misfits : dict of str to float
        Machines whose width is no whole number of spacings. [m]
    places : GeoDataFrame
        One row a loading place: place, loads, mass [kg], geometry.
    loaded_now, loaded_then : float
        Loaded way of the carts from filling to emptying, straight along and across the
        rows, with the places of this year and with these. [m]
    sentences : tuple of str
    """

    lanes: Lanes | None
    lines: gpd.GeoDataFrame
    on_lanes: float
    misfits: dict[str, float]
    places: gpd.GeoDataFrame
    loaded_now: float
    loaded_then: float
    sentences: tuple[str, ...]


def suggest(driven: Driven, *, field: Field, settings: Settings) -> Suggestion:
    """Return lanes and loading places for next year.

    Parameters
    ----------
    driven : Driven
        The season as it was.
    field : Field
    settings : Settings

    Notes
    -----
    Lanes: direction of the rows, else of most of the work; of the working widths of
    this year the spacing under which most of the work fits (a width that is a whole
    number of spacings) and already lies on lanes, the wider of two alike; the offset
    with most of it on lanes. Loading places: of all places round the edge and those
    used this year the one, or few, that make the loaded way shortest; the way counts
    along and across the rows, as carts should not cut over. All limits are choices.
    """
    lanes, share, misfits = _lanes(driven, field, settings)
    lines = _lines(lanes, field)
    places, now, then = _places(driven, field, settings)
    sentences = [
        *_lane_sentences(lanes, share, misfits, field),
        *_place_sentences(places, now, then, field),
    ]
    return Suggestion(lanes, lines, share, misfits, places, now, then, tuple(sentences))


def _lanes(
    driven: Driven, field: Field, settings: Settings
) -> tuple[Lanes | None, float, dict[str, float]]:
    choice = settings.season
    told = field.rows_heading
    heading = (
        math.radians(told) % math.pi
        if told is not None
        else main_heading(driven.fixes, driven.passes, least=choice.lane_least)
    )
    if heading is None:
        return None, math.nan, {}
    found = on_heading(driven.fixes, driven.passes, heading, settings)
    work = driven.passes["state"].to_numpy(object)[found.pass_row] == "working"
    width = np.array([_width(field, name) for name in found.machine], dtype=float)
    use = work & np.isfinite(width)
    if not use.any():
        return None, math.nan, {}
    right, length, width = found.right[use], found.length[use], width[use]
    best: tuple[float, float, Lanes] | None = None
    for spacing in sorted(set(np.round(width, 3)), reverse=True):
        fits = np.array(
            [fits_lanes(w, spacing, choice.lane_width_slack) for w in width]
        )
        if not fits.any():
            continue
        offset, on = best_offset(
            right[fits], length[fits], spacing=float(spacing), near=choice.lane_near
        )
        score = on * float(length[fits].sum()) / float(length.sum())
        if best is None or score > best[0] + 1e-9:
            best = (score, on, Lanes(heading, float(spacing), offset))
    if best is None:
        return None, math.nan, {}
    lanes = best[2]
    misfits = {
        str(name): float(_width(field, name))
        for name in dict.fromkeys(found.machine[use])
        if not fits_lanes(_width(field, name), lanes.spacing, choice.lane_width_slack)
    }
    return lanes, best[0], misfits


def _width(field: Field, name) -> float:
    machine = field.machines.get(str(name))
    return machine.width if machine is not None and machine.width else math.nan


def _lines(lanes: Lanes | None, field: Field) -> gpd.GeoDataFrame:
    lines = [] if lanes is None else lanes.lines(field.boundary)
    heading = math.degrees(lanes.heading) if lanes is not None else math.nan
    spacing = lanes.spacing if lanes is not None else math.nan
    return gpd.GeoDataFrame(
        {
            "lane": np.arange(1, len(lines) + 1),
            "heading": np.full(len(lines), heading),
            "spacing": np.full(len(lines), spacing),
            "length": [line.length for line in lines],
        },
        geometry=lines,
        crs=field.epsg,
    )


def _places(
    driven: Driven, field: Field, settings: Settings
) -> tuple[gpd.GeoDataFrame, float, float]:
    """Return the places, and the loaded way now and then [m]."""
    choice = settings.season
    begin, end, mass = _hauls(driven, field, settings)
    blank = gpd.GeoDataFrame(
        {"place": [], "loads": [], "mass": []}, geometry=[], crs=field.epsg
    )
    if not len(begin) or field.boundary is None:
        return blank, math.nan, math.nan
    heading = math.radians(field.rows_heading or 0.0)
    sin, cos = math.sin(heading), math.cos(heading)

    def way(one: np.ndarray, two: np.ndarray) -> np.ndarray:
        """Return the way between places along and across the rows."""
        off = one[:, None, :] - two[None, :, :]
        across = off[..., 0] * cos - off[..., 1] * sin
        along = off[..., 0] * sin + off[..., 1] * cos
        return np.abs(across) + np.abs(along)

    edge = field.boundary.boundary
    steps = np.arange(0.0, edge.length, choice.places_step)
    tried = shapely.get_coordinates(shapely.line_interpolate_point(edge, steps))
    used = np.unique(np.round(end), axis=0)
    tried = _clear(np.vstack([tried, used]), field)
    now = float(np.abs(_diagonal(way, begin, end)).sum())
    if not len(tried):
        return blank, now, now
    far = way(begin, tried)
    best = math.inf
    chosen: tuple[int, ...] = ()
    # The first places by themselves, then pairs of the best forty: exact enough.
    for count in range(1, choice.places_most + 1):
        pool = (
            range(len(tried))
            if count == 1
            else np.argsort(far.sum(axis=0))[:40].tolist() + _spread(far)
        )
        sets = itertools.combinations(sorted(set(pool)), count)
        total, pick = min(
            ((float(far[:, list(s)].min(axis=1).sum()), s) for s in sets),
            default=(math.inf, ()),
        )
        if total < best * (1.0 - choice.places_worth) or count == 1:
            best, chosen = total, pick
        else:
            break
    nearest = far[:, list(chosen)].argmin(axis=1)
    rows = [
        {
            "place": k + 1,
            "loads": int((nearest == k).sum()),
            "mass": float(mass[nearest == k].sum()),
            "geometry": shapely.Point(tried[place]),
        }
        for k, place in enumerate(chosen)
    ]
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=field.epsg), now, best


def _diagonal(way, one: np.ndarray, two: np.ndarray) -> np.ndarray:
    return np.array(
        [way(a[None], b[None])[0, 0] for a, b in zip(one, two, strict=True)]
    )


def _spread(far: np.ndarray) -> list[int]:
    """Return for each haul the place nearest to it, so that far corners have a say."""
    return np.unique(far.argmin(axis=1)).tolist()


def _clear(places: np.ndarray, field: Field) -> np.ndarray:
    """Return the places at which a truck may stand: off everything to keep off."""
    obstacles = field.obstacles
    if not len(obstacles):
        return places
    keep = shapely.union_all(
        [
            shapely.buffer(shape, max(float(reach), 1.0))
            for shape, reach in zip(
                obstacles.geometry, obstacles["buffer"].fillna(1.0), strict=True
            )
        ]
    )
    return places[~shapely.intersects_xy(keep, places[:, 0], places[:, 1])]


def _hauls(
    driven: Driven, field: Field, settings: Settings
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return where each load was complete, where it was emptied, and its mass."""
    least = settings.season.least_move
    level = driven.payload.table["payload"].to_numpy(float)
    seconds = driven.fixes["seconds"].to_numpy(float)
    place = driven.fixes[["easting", "northing"]].to_numpy(float)
    begin, end, mass = [], [], []
    for name in carts_of(field, driven):
        if not fillings_of(driven, name, settings=settings):
            continue
        for rows in driven.rows_of(name):
            found = moves(level[rows], seconds[rows], least=least)
            for k in range(1, len(found.mass)):
                if found.mass[k] < 0.0 < found.mass[k - 1]:
                    begin.append(place[rows[found.last[k - 1]]])
                    end.append(place[rows[found.first[k]]])
                    mass.append(level[rows[found.first[k]]])
    return (
        np.array(begin).reshape(-1, 2),
        np.array(end).reshape(-1, 2),
        np.array(mass),
    )


def _lane_sentences(lanes, share, misfits, field: Field) -> list[str]:
    if lanes is None:
        return ["No straight work of a known width tells where lanes would lie."]
    out = [
        f"Lanes {_say.width(lanes.spacing, field.units)} apart, "
        f"{_compass(lanes.heading)}, lie best under this year's work: "
        f"{100 * share:.0f} % of it is on them now."
    ]
    for name, width in misfits.items():
        out.append(
            f"{name} works {_say.width(width, field.units)} wide and does not fit "
            "these lanes; it would need another width to use them."
        )
    return out


def _compass(heading: float) -> str:
    """Return a direction without an arrow in compass words."""
    return _WAYS[round(math.degrees(heading) / 22.5) % 8]


_WAYS = (
    "north to south",
    "north-northeast to south-southwest",
    "northeast to southwest",
    "east-northeast to west-southwest",
    "east to west",
    "east-southeast to west-northwest",
    "southeast to northwest",
    "south-southeast to north-northwest",
)
"""Every eighth of half a turn, clockwise from north."""


def _place_sentences(places, now, then, field: Field) -> list[str]:
    if not len(places):
        return ["No cart tells when it was filled and emptied, so no loading place."]
    count = len(places)
    saved = 1.0 - then / now if now > 0.0 else 0.0
    word = "One loading place" if count == 1 else f"{count} loading places"
    if saved <= 0.0:
        return [
            "The trucks stood about where the loaded way is shortest; no other place "
            "at the edge would save any."
        ]
    return [
        f"{word} on the edge would shorten the carts' loaded way from "
        f"{_say.way(now, field.units)} to {_say.way(then, field.units)} "
        f"({100 * saved:.0f} % less), "
        "counted along and across the rows. Look whether a truck can get there and "
        "stand firm."
    ]
