"""Check strips: untreated lanes through ripped ground, so that someone can compare."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from shapely import Polygon

from trafficmap.core.notes import Note

if TYPE_CHECKING:
    from trafficmap.field.model import Field
    from trafficmap.zones.units import Units

_LEAST_WIDTHS = 3
_FEWEST = 3  # fewer strips tell chance from gain no more; extension trials leave 3 to 5
_MOST_SHARE = 0.2  # of ripped ground left in strips; choice
_READ = 60.0  # a shorter strip gives a yield log too few readings [m]; choice
_HARVESTERS = ("combine", "forage_harvester", "beet_harvester")


@dataclass(frozen=True)
class _Place:
    """One ripped unit seen along its rows: how much of it lies at each offset."""

    unit: int
    kind: str
    low: float
    cell: float
    area: np.ndarray
    begin: float
    end: float
    right: np.ndarray
    along: np.ndarray

    @property
    def across(self) -> float:
        return self.area.size * self.cell

    def length(self, left: float, wide: float) -> float:
        """Return how long a strip from offset `left` would be inside the unit."""
        first = round((left - self.low) / self.cell)
        if first < 0:
            return 0.0
        return float(self.area[first : first + round(wide / self.cell)].sum()) / wide

    def between(self, left: float, wide: float, long: float) -> tuple[float, float]:
        """Return from where to where a strip runs, `long` at most, about its middle."""
        if math.isinf(long):
            return self.begin, self.end
        mine = (self.right >= left) & (self.right < left + wide)
        middle = float(np.median(self.along[mine]))
        return middle - long / 2, middle + long / 2


def check_strips(
    units: Units,
    *,
    width: float,
    most: int,
    header: float | None = None,
    shortest: float = 0.0,
) -> list[tuple[int, Polygon]]:
    """Return strips along the rows as (unit, polygon), `most` in the whole field.

    A strip is whole working widths wide, so that leaving it out is one lifted pass or
    two. It is at least as wide as the header of the next harvest where there is room
    for three such strips of 60 m in a fifth of the ripped ground, and reaches through
    the unit or as far about its middle as that fifth allows; else it is one working
    width wide. Strips are shared out over the ripped units by area, the body before
    end rows, lie evenly across each with ripped ground on both sides, and a strip that
    would be shorter than `shortest` is moved or left out. Extension trials leave three
    to five untreated strips through a treated field; how they are shared out is a
    choice.

    Parameters
    ----------
    units : Units
        From `decide_units`.
    width : float
        Working width. [m]
    most : int
    header : float, optional
        Width of the header that will harvest them. [m]
    shortest : float
        Shortest strip. [m]

    Returns
    -------
    list of (int, Polygon)
        Polygons reach beyond their unit; cut them with it.
    """
    places = _places(units)
    if most == 0 or not places:
        return []
    narrow = _laid(places, wide=width, step=width, most=most, shortest=shortest)
    chosen, wide = [(place, at, math.inf) for place, at in narrow], width
    if header is not None and header > width + 1e-9:
        full = math.ceil(header / width - 1e-9) * width
        laid = _header_wide(places, full, width, most, shortest)
        if laid:
            chosen, wide = laid, full
    sin, cos = math.sin(units.heading), math.cos(units.heading)
    return [
        (place.unit, _strip(place.between(at, wide, long), at, wide, sin, cos))
        for place, at, long in chosen
    ]


def harvest_width(field: Field) -> float | None:
    """Return the widest header among the logs of harvesters, None where none says.

    Parameters
    ----------
    field : Field
    """
    names = [
        name
        for name, machine in field.machines.items()
        if machine.class_name.startswith(_HARVESTERS)
    ]
    fixes = field.fixes
    mine = fixes.loc[fixes["machine_id"].isin(names), "width"].to_numpy(dtype=float)
    mine = mine[np.isfinite(mine) & (mine > 0.0)]
    return float(mine.max()) if mine.size else None


def strip_notes(
    strips: list[tuple[int, Polygon]],
    *,
    ripped: int,
    most: int,
    header: float | None,
) -> list[Note]:
    """Say where the strips cannot show what they are for.

    Parameters
    ----------
    strips : list of (int, Polygon)
        From `check_strips`.
    ripped : int
        Number of ripped units.
    most : int
    header : float or None
        As for `check_strips`. [m]
    """
    if not ripped or most == 0:
        return []
    notes = []
    if len(strips) < _FEWEST:
        found = {0: "no check strip fits", 1: "only 1 check strip fits"}
        sentence = (
            f"{found.get(len(strips), 'only 2 check strips fit')} into what is ripped: "
            "three or more are needed to tell from the next harvest whether it paid."
        )
        notes.append(Note("zones.few_strips", "check", sentence, len(strips)))
    if strips and header is not None:
        wide = _wide(strips[0][1])
        if wide < header - 0.05:
            sentence = (
                f"check strips are {wide / 0.3048:.0f} ft ({wide:.1f} m) wide, the "
                f"header {header / 0.3048:.0f} ft ({header:.1f} m): there is no room "
                "for three as wide as the header. Harvest along their middle; a pass "
                "there shows part of the difference only."
            )
            notes.append(Note("zones.narrow_strips", "info", sentence, len(strips)))
    return notes


def _places(units: Units) -> list[_Place]:
    """Return the ripped units, body first, then the larger first."""
    table, grid = units.table, units.grid
    ripped = table[table["advice"] == "rip"]
    easting, northing = grid.centres()
    sin, cos = math.sin(units.heading), math.cos(units.heading)
    places = []
    for unit, kind in zip(ripped["unit"], ripped["kind"], strict=True):
        rows, cols = np.nonzero(units.label == unit)
        if not rows.size:
            continue
        right = easting[cols] * cos - northing[rows] * sin
        along = easting[cols] * sin + northing[rows] * cos
        low = float(right.min()) - grid.cell / 2
        bins = ((right - low) / grid.cell).astype(np.int64)
        places.append(
            _Place(
                unit=int(unit),
                kind=str(kind),
                low=low,
                cell=grid.cell,
                area=np.bincount(bins) * grid.cell_area,
                begin=float(along.min()) - grid.cell,
                end=float(along.max()) + grid.cell,
                right=right,
                along=along,
            )
        )
    body = [place for place in places if place.kind != "end_rows"]
    return sorted(body or places, key=lambda place: -float(place.area.sum()))


def _laid(
    places: list[_Place], *, wide: float, step: float, most: int, shortest: float
) -> list[tuple[_Place, float]]:
    """Return (place, left edge) of the strips of one width."""
    fit = [place for place in places if place.across >= _LEAST_WIDTHS * wide]
    out = []
    for place, count in zip(
        fit, _share_out([float(p.area.sum()) for p in fit], most), strict=True
    ):
        taken: list[float] = []
        for k in range(count):
            left = _left_edge(place, (k + 1) / (count + 1), wide, step, shortest, taken)
            if left is not None:
                taken.append(left)
                out.append((place, left))
    return out


def _header_wide(
    places: list[_Place], wide: float, step: float, most: int, shortest: float
) -> list[tuple[_Place, float, float]]:
    """Return (place, left edge, length) of strips as wide as the header, or nothing.

    All of one length, so that they take no more than a fifth of the ripped ground; one
    strip less rather than strips too short to read a yield log in.
    """
    room = _MOST_SHARE * sum(float(place.area.sum()) for place in places) / wide
    for count in range(most, min(most, _FEWEST) - 1, -1):
        laid = _laid(places, wide=wide, step=step, most=count, shortest=shortest)
        if len(laid) < min(most, _FEWEST):
            continue
        lengths = [place.length(at, wide) for place, at in laid]
        if sum(lengths) <= room:
            return [(place, at, math.inf) for place, at in laid]
        long = room / len(laid)
        if long >= max(shortest, _READ) and min(lengths) >= max(shortest, _READ):
            return [(place, at, long) for place, at in laid]
    return []


def _left_edge(
    place: _Place,
    share: float,
    wide: float,
    step: float,
    shortest: float,
    taken: list[float],
) -> float | None:
    """Return where a strip begins that has `share` of the unit to its left, or None.

    Whole working widths from the edge of the unit; the nearest that is long enough, has
    ripped ground on both sides and a working width between it and the strip before.
    """
    total = np.cumsum(place.area)
    middle = place.low + place.cell * float(np.searchsorted(total, share * total[-1]))
    offers = np.arange(1, math.floor((place.across - wide) / step + 1e-6)) * step
    offers = place.low + offers
    if not offers.size:
        # Just three strips wide: the middle one.
        offers = np.array([place.low + (place.across - wide) / 2])
    for left in offers[np.argsort(np.abs(offers + wide / 2 - middle), kind="stable")]:
        apart = all(abs(left - other) >= wide + step - 1e-6 for other in taken)
        if apart and place.length(left, wide) >= shortest:
            return float(left)
    return None


def _strip(
    reach: tuple[float, float], left: float, wide: float, sin: float, cos: float
) -> Polygon:
    begin, end = reach
    corners = [(left, begin), (left + wide, begin), (left + wide, end), (left, end)]
    return Polygon([(r * cos + a * sin, a * cos - r * sin) for r, a in corners])


def _wide(strip: Polygon) -> float:
    """Return the width of a strip from `_strip` [m]."""
    (x0, y0), (x1, y1) = strip.exterior.coords[:2]
    return math.hypot(x1 - x0, y1 - y0)


def _share_out(sizes: list[float], most: int) -> list[int]:
    """Share `most` out by size, one each first while they last."""
    shares = [1 if k < most else 0 for k in range(len(sizes))]
    while sizes and sum(shares) < most:
        neediest = max(range(len(sizes)), key=lambda k: sizes[k] / (shares[k] + 1))
        shares[neediest] += 1
    return shares
