"""Silage, slurry, and the truck on the fence strip."""

from __future__ import annotations

import math

import numpy as np

from . import places as at
from .drive import Driver, Pose
from .record import (
    EAST,
    NORTH,
    SOUTH,
    WEST,
    Run,
    Season,
    Track,
    Transfer,
    run_from,
)
from .rigs import LIQUID_DENSITY, RIGS

SILAGE_YIELD = 4.5
"""Fresh silage [kg/m2]."""

CHOPPER_SPEED = 1.7
FOLLOW = 9.5
"""Trailer tractor behind the chopper in the opening passes, axle to axle [m]."""

HOSE_SPEED = 1.6
HOSE_WIDTH = 9.0
TANKER_SPEED = 2.0
TANKER_WIDTH = 6.096
TANKER_RATE = 55e-4
"""Slurry put down by the tanker: 55 m3/ha [m]."""


def silage(out: Season, start: float) -> None:
    """Chop the silage ground: end rows, then pass by pass with the trailer beside."""
    west, east = at.SILAGE_WEST, at.SILAGE_EAST
    blocks: list[list[Run]] = []
    for outer, inward in ((0.0, 1), (at.HEIGHT, -1)):
        block = []
        for turn, k in enumerate((0, 3, 1, 4, 2, 5)):
            north = outer + inward * (k + 0.5) * at.CHOPPER
            ends = (west + 18.0, east - 8.0)
            ends = ends if turn % 2 == 0 else ends[::-1]
            block.append(run_from(ends[0], north, ends[1], north))
        blocks.append(block)
    centres = [west + (k + 0.5) * at.CHOPPER for k in range(13)]
    south, north = at.END_ROWS, at.HEIGHT - at.END_ROWS
    first = run_from(centres[0], south, centres[0], north)
    order = [blocks[0], [first], blocks[1]]
    for k, centre in enumerate(centres[1:], start=1):
        ends = (north, south) if k % 2 else (south, north)
        order.append([run_from(centre, ends[0], centre, ends[1], cart_beside=True)])

    chopper = Driver(order[0][0].place(-10.0), time=start, radius=6.0)
    haul = Driver(order[0][0].place(-26.0), time=start, radius=6.0)
    load, work, cut = [(start, 0.0)], [], 0.0
    for block in order:
        beside = block[0].cart_beside
        chopper.go(block[0].place(-8.0), speed=2.5, turn_speed=1.5, end_speed=1.2)
        gap = 0.0 if beside else -FOLLOW
        side = at.CHOPPER - 0.4
        # West of the cut is stubble: on the left going north, on the right going south.
        left = side * math.cos(block[0].start.heading) if beside else 0.0
        meet = block[0].place(gap, left)
        way = [block[0].place(gap - 14.0, left), meet]
        if abs(haul.pose.north - meet.north) > 150.0:
            up = meet.north > haul.pose.north
            east_of = meet.east if beside else centres[0]
            lane = Pose(east_of, 60.0 if up else 540.0, NORTH if up else SOUTH)
            top = Pose(lane.east, 540.0 if up else 60.0, lane.heading)
            way = [lane, top, *way]
        needs = haul.duration(*way, speed=3.5, turn_speed=2.0, end_speed=CHOPPER_SPEED)
        late = haul.time + needs - (chopper.time + 8.0 / CHOPPER_SPEED)
        chopper.wait_until(chopper.time + late + 6.0)
        mass = 0.0
        for number, run in enumerate(block):
            if number:
                chopper.go(run.place(-8.0), speed=2.0, turn_speed=1.5, end_speed=1.2)
            chopper.go(
                run.start, speed=CHOPPER_SPEED, turn_speed=1.5, end_speed=CHOPPER_SPEED
            )
            began = chopper.time
            if number == 0:
                haul.wait_until(began - needs)
                haul.go(*way, speed=3.5, turn_speed=2.0, end_speed=CHOPPER_SPEED)
            elif not beside:
                # It follows in the same track, the chute blowing backward.
                behind = run.place(-FOLLOW)
                needs = haul.duration(
                    behind, speed=2.0, turn_speed=1.5, end_speed=CHOPPER_SPEED
                )
                haul.wait_until(began - needs)
                haul.go(behind, speed=2.0, turn_speed=1.5, end_speed=CHOPPER_SPEED)
            duration = run.length / CHOPPER_SPEED
            chopper.go_in(duration, run.end, speed=CHOPPER_SPEED)
            haul.go_in(duration, run.place(run.length + gap, left), speed=CHOPPER_SPEED)
            work.append((began, chopper.time))
            gained = SILAGE_YIELD * at.CHOPPER * run.length
            load += [(began, mass), (chopper.time, mass + gained)]
            mass += gained
        cut += mass
        tip = Pose(*at.BUNKER, SOUTH)
        haul.go(*_trailer_way_out(haul.pose, beside), tip, speed=3.5, turn_speed=2.0)
        load += [(haul.time, mass), (haul.time + 60.0, 0.0)]
        out.transfers.append(
            Transfer("trailer to bunker", haul.time, haul.time + 60.0, mass, *at.BUNKER)
        )
        haul.wait_until(haul.time + 70.0)
    load.append((haul.time, 0.0))
    out.tracks += [
        Track("forage", chopper.motion(), [(start, 0.0), (chopper.time, 0.0)], work,
              at.CHOPPER),
        Track("trailer", haul.motion(), load),
    ]  # fmt: skip
    out.ledger["silage cut"] = cut
    out.ledger["silage hauled"] = sum(
        t.mass for t in out.transfers if t.kind == "trailer to bunker"
    )


def _trailer_way_out(pose: Pose, beside: bool) -> list[Pose]:
    """Return the way out of the silage ground to the bunker south of it."""
    gate = Pose(at.BUNKER[0], 6.0, SOUTH)
    if pose.north < 80.0:
        return [gate]
    lane = pose.east if beside else at.SILAGE_WEST + 3.0
    return [Pose(lane, 530.0, SOUTH), Pose(lane, 40.0, SOUTH), gate]


def hose(out: Season, start: float) -> None:
    """Inject with the drag hose; the flow cannot stop, so turns are doubled."""
    west = at.SILAGE_WEST + HOSE_WIDTH / 2
    centres = np.linspace(west, at.SILAGE_EAST - HOSE_WIDTH / 2, 9)
    rig = Driver(Pose(centres[0], 300.0, NORTH), time=start, radius=6.0)
    rig.wait_until(start + 120.0)
    began = rig.time
    poses = []
    for k, centre in enumerate(centres):
        ends = (at.HOSE_SOUTH + 6.0, at.HEIGHT - 26.0)
        low, high = ends if k % 2 == 0 else ends[::-1]
        heading = NORTH if k % 2 == 0 else SOUTH
        poses += [Pose(centre, low, heading), Pose(centre, high, heading)]
    for k in range(3):
        north = at.HEIGHT - 18.0 + 0.5 * HOSE_WIDTH * k - (0.5 if k else 0.0)
        ends = (at.SILAGE_WEST + 6.0, at.SILAGE_EAST - 6.0)
        ends = ends[::-1] if k % 2 == 0 else ends
        heading = WEST if k % 2 == 0 else EAST
        poses += [Pose(ends[0], north, heading), Pose(ends[1], north, heading)]
    rig.go(*poses, speed=HOSE_SPEED, turn_speed=1.4)
    ended = rig.time
    rig.wait_until(ended + 90.0)
    out.tracks.append(
        Track(
            "hose",
            rig.motion(),
            [(start, 0.0), (rig.time, 0.0)],
            [(began, ended)],
            HOSE_WIDTH,
        )
    )


def tanker(out: Season, start: float) -> None:
    """Spread with the tanker south of the hose; the last passes cross the ends."""
    west = at.SILAGE_WEST + TANKER_WIDTH / 2
    runs = []
    for k in range(13):
        ends = (20.0, at.HOSE_SOUTH - 8.0)
        low, high = ends if k % 2 == 0 else ends[::-1]
        runs.append(
            run_from(west + k * TANKER_WIDTH, low, west + k * TANKER_WIDTH, high)
        )
    for k in range(4):
        # The ends are covered last and lie half over the ends of the long passes.
        north = 5.0 + 6.0 * k
        ends = (at.SILAGE_WEST + 4.0, at.SILAGE_EAST - 14.0)
        ends = ends if k % 2 else ends[::-1]
        runs.append(run_from(ends[0], north, ends[1], north))
    nurse = Pose(*at.NURSE, EAST)
    rig = Driver(nurse, time=start, radius=7.5)
    capacity = RIGS["tanker"].capacity
    load, on_board, spread, filled, work = [(start, 0.0)], 0.0, 0.0, 0.0, []
    for run in runs:
        needs = TANKER_RATE * TANKER_WIDTH * run.length * LIQUID_DENSITY
        if needs > on_board:
            if rig.pose.north > 0.0:
                rig.go(nurse, speed=3.0, turn_speed=1.8)
            begin, end = rig.time + 20.0, rig.time + 170.0
            load += [(begin, on_board), (end, capacity)]
            out.transfers.append(
                Transfer("nurse to tanker", begin, end, capacity - on_board, *at.NURSE)
            )
            filled += capacity - on_board
            on_board = capacity
            rig.wait_until(end + 10.0)
        rig.go(run.place(-3.0), speed=3.0, turn_speed=1.8, end_speed=TANKER_SPEED)
        rig.go(run.start, speed=2.0, turn_speed=1.8, end_speed=TANKER_SPEED)
        began = rig.time
        rig.go_in(run.length / TANKER_SPEED, run.end, speed=TANKER_SPEED)
        load += [(began, on_board), (rig.time, on_board - needs)]
        work.append((began, rig.time))
        on_board -= needs
        spread += needs
    rig.go(nurse, speed=3.0, turn_speed=1.8)
    load.append((rig.time, on_board))
    out.tracks.append(Track("tanker", rig.motion(), load, work, TANKER_WIDTH))
    out.ledger |= {
        "slurry filled": filled,
        "slurry spread": spread,
        "slurry left in tanker": on_board,
    }


def undated(out: Season, start: float) -> None:
    """Drive a truck along the fence strip; its log will say nothing of the day."""
    lanes = (414.5, 420.5, 426.5)
    truck = Driver(Pose(lanes[0], -20.0, NORTH), time=start, radius=6.0)
    up = [Pose(lanes[0], 40.0, NORTH), Pose(lanes[0], 540.0, NORTH)]
    down = [Pose(lanes[2], 530.0, SOUTH), Pose(lanes[2], 70.0, SOUTH)]
    again = [Pose(lanes[1], 90.0, NORTH), Pose(lanes[1], 480.0, NORTH)]
    back = [Pose(lanes[2], 460.0, SOUTH), Pose(lanes[2], -20.0, SOUTH)]
    truck.go(*up, *down, *again, *back, speed=3.0, turn_speed=1.8)
    out.tracks.append(
        Track("hauler", truck.motion(), [(start, 0.0), (truck.time, 0.0)])
    )
