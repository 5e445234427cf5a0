"""Combine, cart and truck through a day of grain harvest."""

from __future__ import annotations

import math

import numpy as np

from . import places as at
from .drive import Driver, Pose
from .lands import IN_END_ROWS, STUBBLE, over_stubble
from .record import (
    EAST,
    NORTH,
    SOUTH,
    WEST,
    Run,
    Season,
    Track,
    Transfer,
    grain_yield,
)
from .rigs import BUSHEL_DENSITY, RIGS

COMBINE_SPEED = 1.8
UNLOAD_RATE = 0.12 * BUSHEL_DENSITY
CART_RATE = 0.25 * BUSHEL_DENSITY
SPOUT = 8.0
"""Combine to cart, centre line to centre line, cart on the left [m]."""

HOPPER_BEHIND = 1.1 + 5.5 - 0.2
"""Hopper of the cart behind the tractor's rear axle [m]."""

SPOUT_AHEAD = 0.3
LEFT_IN_TANK = 120.0
"""An unloading never empties the tank to the last kernel [kg]."""

TRUCK_SPOT = Pose(262.0, 9.0, WEST)
"""The truck is loaded here, in the south end rows."""

CART_AT_TRUCK = Pose(268.0, 18.0, WEST)

STRAIGHTEN = 14.0
"""A cart is in line with its tractor after this much straight driving [m]."""

CART_SPEEDS = {"speed": 3.3, "turn_speed": 2.0}

BESIDE_BEFORE = 6.0
"""The cart is in place this long before the auger runs, and as long after [s]."""

TANK, CART = RIGS["combine"].capacity, RIGS["cart"].capacity

FULL = 0.95
"""The tank is never filled beyond this share."""


def grain_day(out: Season, start: float, runs: list[Run]) -> None:
    """Take combine, cart and truck through one day and add it to the season."""
    day = _Day(start, runs[0].place(-12.0))
    for run, following in zip(runs, [*runs[1:], None], strict=True):
        day.cut_run(run, following)
    day.finish(out)


class _Day:
    """Three machines at work, and the grain in each of them."""

    def __init__(self, start: float, first: Pose) -> None:
        self.combine = Driver(first, time=start, radius=6.0)
        self.cart = Driver(Pose(290.0, 14.0, WEST), time=start, radius=7.0)
        self.truck = _Truck(start)
        self.tank = self.cart_load = self.cut = 0.0
        self.tank_log, self.cart_log = [(start, 0.0)], [(start, 0.0)]
        self.work: list[tuple[float, float]] = []
        self.transfers: list[Transfer] = []

    def cut_run(self, run: Run, following: Run | None) -> None:
        """Cut one run, unload on the go or standing, and empty a full cart."""
        expected = run.yielded()
        speeds = {"turn_speed": 1.4, "end_speed": COMBINE_SPEED}
        self.combine.go(*run.via, run.place(-8.0), speed=2.5, **speeds)
        if run.cart_beside and self.tank + expected > 0.5 * TANK:
            unload = self._meet(run, expected)
        else:
            unload = None
        self.combine.go(run.start, speed=COMBINE_SPEED, **speeds)
        began = self.combine.time
        if unload:
            begin = began + unload[0] / COMBINE_SPEED
            unload = (begin, unload[1])
            self._drive_beside(run, *unload, along=(begin - began) * COMBINE_SPEED)
        self.combine.go_in(run.length / COMBINE_SPEED, run.end, speed=COMBINE_SPEED)
        self.work.append((began, self.combine.time))
        self.tank_log += _filled(run, began, self.tank, unload)
        self.tank += expected - (unload[1] * UNLOAD_RATE if unload else 0.0)
        self.cut += expected
        ahead = following.yielded() if following else math.inf
        heavy = self.tank + ahead > FULL * TANK and not run.cart_beside
        if heavy or run.empty_after or following is None:
            self._unload_standing(run)
        if self.cart_load + 0.8 * TANK > CART:
            self._to_truck(clear=run.cart_beside)

    def finish(self, out: Season) -> None:
        """End the day: nothing left in the cart, everything written down."""
        if self.cart_load > 0:
            self._to_truck(clear=True)
        self.combine.wait_until(self.combine.time + 60.0)
        self.tank_log.append((self.combine.time, self.tank))
        self.cart_log.append((self.cart.time, 0.0))
        out.tracks += [
            Track("combine", self.combine.motion(), self.tank_log, self.work, at.HEAD),
            Track("cart", self.cart.motion(), self.cart_log),
            Track("truck", self.truck.driver.motion(), self.truck.log),
        ]
        out.transfers += self.transfers
        for key, mass in (
            ("grain cut", self.cut),
            ("grain left in tank", self.tank),
            ("grain hauled", self.truck.hauled),
        ):
            out.ledger[key] = out.ledger.get(key, 0.0) + mass

    def _meet(self, run: Run, expected: float) -> tuple[float, float]:
        """Return where along the run unloading begins [m] and how long it takes [s].

        The combine waits at the edge until the cart can be there in time.
        """
        # The stretch without unloading must still fit the tank.
        room = (FULL * TANK - self.tank) / expected * run.length
        along = min(0.34 * run.length, room)
        fill = expected / run.length * COMBINE_SPEED
        there = self.tank + expected * along / run.length
        takes = (there - LEFT_IN_TANK) / (UNLOAD_RATE - fill)
        ready = self.cart.time + self._approach(run, along)[1] + BESIDE_BEFORE + 5.0
        late = ready - self.combine.time - (8.0 + along) / COMBINE_SPEED
        if late > 0:
            # Stopping and starting again takes a few seconds more than rolling on.
            self.combine.wait_until(self.combine.time + late)
        return along, takes

    def _approach(self, run: Run, along: float) -> tuple[list[Pose], float]:
        """Return the cart's way to its place beside the combine, and its time [s]."""
        lane = along + SPOUT_AHEAD + HOPPER_BEHIND - BESIDE_BEFORE * COMBINE_SPEED
        way = _way_to_lane(self.cart.pose, run, lane)
        return way, self.cart.duration(*way, **CART_SPEEDS, end_speed=COMBINE_SPEED)

    def _drive_beside(
        self, run: Run, begin: float, takes: float, *, along: float
    ) -> None:
        """Bring the cart beside the combine, take the grain, and roll on."""
        way, needs = self._approach(run, along)
        self.cart.wait_until(begin - BESIDE_BEFORE - needs)
        self.cart.go(*way, **CART_SPEEDS, end_speed=COMBINE_SPEED)
        beside = takes + 2 * BESIDE_BEFORE
        goal = run.place(
            along
            + SPOUT_AHEAD
            + HOPPER_BEHIND
            + (takes + BESIDE_BEFORE) * COMBINE_SPEED,
            SPOUT,
        )
        self.cart.go_in(beside, goal, speed=COMBINE_SPEED)
        self._hand_over(begin, takes, run.place(along))
        self.cart.go(_lane_end(run, goal), **CART_SPEEDS)

    def _unload_standing(self, run: Run) -> None:
        """Empty the tank while both stand beyond the end of the run."""
        stop = run.length + 12.0
        self.combine.go(run.place(stop), speed=2.0, turn_speed=1.4)
        if self.cart_load + self.tank > CART:
            self._to_truck(clear=run.cart_beside)
        spot = run.place(stop + SPOUT_AHEAD + HOPPER_BEHIND, SPOUT)
        self.cart.go(*_way_to_spot(self.cart.pose, spot), **CART_SPEEDS)
        begin = max(self.combine.time, self.cart.time) + 8.0
        takes = (self.tank - LEFT_IN_TANK) / UNLOAD_RATE
        self._hand_over(begin, takes, self.combine.pose)
        self.tank_log += [(begin, self.tank), (begin + takes, LEFT_IN_TANK)]
        self.tank = LEFT_IN_TANK
        for machine in (self.combine, self.cart):
            machine.wait_until(begin + takes + 5.0)

    def _hand_over(self, begin: float, takes: float, spot: Pose) -> None:
        mass, end = UNLOAD_RATE * takes, begin + takes
        self.cart_log += [(begin, self.cart_load), (end, self.cart_load + mass)]
        self.cart_load += mass
        self.transfers.append(
            Transfer("combine to cart", begin, end, mass, spot.east, spot.north)
        )

    def _to_truck(self, *, clear: bool) -> None:
        """Empty the cart into the truck."""
        way = _way_south(self.cart.pose, clear=clear)
        self.cart.go(*way, CART_AT_TRUCK, **CART_SPEEDS)
        begin = self.truck.ready(self.cart.time + 10.0)
        self.cart.wait_until(begin)
        mass, end = self.cart_load, begin + self.cart_load / CART_RATE
        self.cart_log += [(begin, mass), (end, 0.0)]
        self.truck.load(begin, end, mass)
        place = TRUCK_SPOT.east, TRUCK_SPOT.north
        self.transfers.append(Transfer("cart to truck", begin, end, mass, *place))
        self.cart_load = 0.0
        self.cart.wait_until(end + 15.0)


def _filled(run: Run, began: float, tank: float, unload) -> list[tuple[float, float]]:
    """Return corners of the tank's mass along a run, with an unloading or without."""
    along = np.arange(0.0, run.length, 4.0)
    along = np.append(along, run.length)
    h = run.start.heading
    rate = grain_yield(
        run.start.east + along * math.sin(h), run.start.north + along * math.cos(h)
    )
    step = np.diff(along) * (rate[1:] + rate[:-1]) / 2 * at.HEAD
    mass = tank + np.concatenate([[0.0], np.cumsum(step)])
    mass[1:] += (tank + run.yielded() - mass[-1]) * along[1:] / run.length
    time = began + along / COMBINE_SPEED
    if unload:
        begin, takes = unload
        both = np.unique(np.concatenate([time, [begin, begin + takes]]))
        mass = np.interp(both, time, mass)
        gone = np.clip((both - begin) / takes, 0.0, 1.0) * takes * UNLOAD_RATE
        time, mass = both, mass - gone
    return list(zip(time.tolist(), mass.tolist(), strict=True))


def _way_to_lane(pose: Pose, run: Run, along: float) -> list[Pose]:
    """Return the cart's way to a place beside a run, along ground already cut."""
    lane = run.place(along, SPOUT)
    start = run.place(-6.0, SPOUT)
    if abs(pose.north - start.north) < 150.0:
        return [start, lane]
    # It stands at the other end: up the lane, round in the end rows, and back.
    far = run.place(run.length + 10.0, SPOUT)
    near = run.place(10.0, SPOUT)
    return [
        Pose(far.east, far.north, far.heading + math.pi),
        Pose(near.east, near.north, near.heading + math.pi),
        start,
        lane,
    ]


def _way_south(pose: Pose, *, clear: bool) -> list[Pose]:
    """Return the way from the north end to the south end rows.

    Down its own lane where that is cut (`clear`), else over the silage stubble.
    """
    if pose.north < 60.0:
        return []
    if not clear:
        return list(over_stubble(CART_AT_TRUCK.east)[:3])
    top = min(pose.north, at.HEIGHT - at.END_ROWS - 10.0) - 20.0
    return [Pose(pose.east, top, SOUTH), Pose(pose.east, IN_END_ROWS, SOUTH)]


def _way_to_spot(pose: Pose, spot: Pose) -> list[Pose]:
    """Return the way to a standing combine: over the silage stubble if far.

    The last stretch is straight, so that the cart stands in line under the spout.
    """
    aim = Pose(
        spot.east - STRAIGHTEN * math.sin(spot.heading),
        spot.north - STRAIGHTEN * math.cos(spot.heading),
        spot.heading,
    )
    if abs(pose.north - spot.north) < 150.0:
        return [aim, spot]
    low, high = IN_END_ROWS, 545.0
    ends = (low, high) if spot.north > pose.north else (high, low)
    heading = NORTH if spot.north > pose.north else SOUTH
    way = [Pose(STUBBLE, ends[0], heading), Pose(STUBBLE, ends[1], heading)]
    if heading == NORTH and spot.east < STUBBLE - 30.0:
        way.append(Pose(STUBBLE - 24.0, at.HEIGHT - 16.0, WEST))
    return [*way, aim, spot]


def _lane_end(run: Run, pose: Pose) -> Pose:
    """Return where the cart waits after a run: in the end rows, ahead of the run."""
    end = run.place(run.length + 10.0, SPOUT)
    passed = (pose.east - run.start.east) * math.sin(run.start.heading) + (
        pose.north - run.start.north
    ) * math.cos(run.start.heading)
    return end if passed < run.length else run.place(passed + 8.0, SPOUT)


class _Truck:
    """A truck that comes in by the gate, is loaded in the end rows, and goes."""

    away = 330.0

    def __init__(self, start: float) -> None:
        self._road = Pose(at.GATE[0] + 260.0, -22.0, WEST)
        self.driver = Driver(self._road, time=start, radius=10.0)
        self.log = [(start, 0.0)]
        self.hauled = 0.0
        self._here = False

    def ready(self, wanted: float) -> float:
        """Come if away; return when loading can begin, not before `wanted`."""
        if not self._here:
            gate = Pose(at.GATE[0], 4.0, NORTH)
            way = [Pose(at.GATE[0] + 40.0, -22.0, WEST), gate, TRUCK_SPOT]
            needs = self.driver.duration(*way, speed=4.0, turn_speed=2.0)
            self.driver.wait_until(wanted - needs - 30.0)
            self.driver.go(*way, speed=4.0, turn_speed=2.0)
            self._here = True
        return max(wanted, self.driver.time + 5.0)

    def load(self, begin: float, end: float, mass: float) -> None:
        """Take a load and go."""
        self.log += [(begin, 0.0), (end, mass)]
        self.driver.wait_until(end + 20.0)
        self.log.append((self.driver.time, mass))
        self.leave(mass)

    def leave(self, mass: float = 0.0) -> None:
        """Drive out to the road; tip what is on board out of sight."""
        if not self._here:
            return
        way = [
            Pose(288.0, 30.0, EAST),
            Pose(at.GATE[0] - 6.0, -2.0, SOUTH),
            Pose(at.GATE[0] + 30.0, -22.0, EAST),
            Pose(self._road.east, -22.0, EAST),
        ]
        self.driver.go(*way, speed=4.0, turn_speed=2.0)
        self.log.append((self.driver.time, mass))
        self.driver.wait_until(self.driver.time + self.away)
        self.log.append((self.driver.time, 0.0))
        self.driver.go(self._road, speed=5.0, turn_speed=2.5)
        self.hauled += mass
        self._here = False
