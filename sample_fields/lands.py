"""Which grain swaths are cut in which order, so that the cart finds cut ground."""

from __future__ import annotations

import math

from . import places as at
from .drive import Pose
from .record import EAST, SOUTH, WEST, Run, run_from

TURN_ROOM = 26.0
"""The end rows stop this far from the ditch, where there is no room to turn [m]."""

STUBBLE = at.GRAIN_EAST + 12.0
"""The cart's way north and south over silage stubble while corn still stands [m]."""

IN_END_ROWS = 26.0
"""The cart leaves a lane no sooner than here, so it turns in the end rows [m]."""


def opening() -> list[Run]:
    """Return the end rows at both ends, then the swaths along the ditch."""
    runs = []
    for outer, inward in ((0.0, 1), (at.HEIGHT, -1)):
        # Every second one first: the turns are then wide enough for the machine.
        for turn, k in enumerate((0, 2, 1, 3)):
            north = outer + inward * (k + 0.5) * at.HEAD
            west = at.ditch_east(north) + TURN_ROOM
            ends = (at.GRAIN_EAST, west) if turn % 2 == 0 else (west, at.GRAIN_EAST)
            runs.append(run_from(ends[0], north, ends[1], north))
    slant = math.atan2(at.DITCH_SLANT, at.HEIGHT)
    for k in range(at.DITCH_PASSES):
        off = (k + 0.5) * at.HEAD / math.cos(slant)
        top, foot = ((at.ditch_east(y) + off, y) for y in (at.HEIGHT - 24.0, 24.0))
        # Both are cut southward, toward the truck; the way back runs along the ditch.
        back = (_by_ditch(60.0), _by_ditch(at.HEIGHT - 60.0)) if k else ()
        runs.append(run_from(*top, *foot, via=back, empty_after=True))
    return runs


def _by_ditch(north: float) -> Pose:
    """Return a pose northward in the middle of the swaths along the ditch."""
    slant = math.atan2(at.DITCH_SLANT, at.HEIGHT)
    return Pose(at.ditch_east(north) + at.HEAD / math.cos(slant), north, slant)


def land_inward(land: str) -> list[Run]:
    """Return the swaths of a land from both edges inward: up the west, down the east.

    The auger hangs over the left, so the first swaths beside standing corn are
    unloaded in the end rows, the later ones on the go.
    """
    full = [n for n in at.LANDS[land] if at.swath_ends(n)[1] > at.POINT_ROWS_END]
    runs = _point_rows(land)
    order = []
    while full:
        order.append((full.pop(), True))
        if full:
            order.append((full.pop(0), False))
    for place, (number, up) in enumerate(order):
        # West of the west land the point rows are cut already.
        clear = place >= 2 or (land == "west" and place == 0)
        runs.append(_swath(number, up=up, cart_beside=clear))
    return runs


def land_outward(land: str) -> list[Run]:
    """Return the swaths of a land from its middle outward, left turns only.

    The cart on the left then drives inside the land and nowhere else.
    """
    numbers = list(at.LANDS[land])
    middle = len(numbers) // 2
    east, west = numbers[:middle][::-1], numbers[middle:]
    order = []
    for place in range(middle + 1):
        if place < len(west):
            order.append((west[place], False))
        if place < len(east):
            order.append((east[place], True))
    return [
        _swath(number, up=up, cart_beside=place >= 1)
        for place, (number, up) in enumerate(order)
    ]


def _swath(number: int, *, up: bool, cart_beside: bool) -> Run:
    south, north = at.swath_ends(number)
    ends = (south, north) if up else (north, south)
    east = at.swath_centre(number)
    return run_from(east, ends[0], east, ends[1], cart_beside=cart_beside)


def over_stubble(east: float) -> tuple[Pose, ...]:
    """Return the way from the north end rows to the south ones at `east`."""
    return (
        Pose(STUBBLE - 26.0, at.HEIGHT - 16.0, EAST),
        Pose(STUBBLE, 540.0, SOUTH),
        Pose(STUBBLE, IN_END_ROWS, SOUTH),
        Pose(min(east + 24.0, STUBBLE - 24.0), 18.0, WEST),
    )


def _point_rows(land: str) -> list[Run]:
    """Return the swaths that end at the ditch: a short one up, a long one down."""
    short = [
        n
        for n in at.LANDS[land]
        if at.swath_ends(n)[0] + 30.0 < at.swath_ends(n)[1] <= at.POINT_ROWS_END
    ]
    runs = []
    while len(short) > 1:
        up, down = short.pop(), short.pop(0)
        south, end = at.swath_ends(up)
        runs.append(run_from(at.swath_centre(up), south, at.swath_centre(up), end))
        south, top = at.swath_ends(down)
        via = (_by_ditch(end + 30.0), _by_ditch(top + 8.0))
        east = at.swath_centre(down)
        runs.append(run_from(east, top, east, south, via=via, empty_after=True))
    return runs
