"""Three invented days of harvest with every unloading known; no code of the package.

A combine cuts 800 m passes, a cart trails its hopper 7.2 m behind the tractor's
antenna and is emptied on the end row. Everything is set out on a clock of 0.2 s, the
loads are sums over that clock, and only then are logs of one fix a second taken.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np

DENSITY = 720.82
"""Corn, 56 lb a bushel [kg/m3]."""

TANK = 7620.0
"""300 bu [kg]."""

CART = 25400.0
"""1 000 bu [kg]."""

RATE = 0.120 * DENSITY
CART_RATE = 0.250 * DENSITY
RAMP = 5.0
SPEED = 6.0 / 3.6
HEAD = 9.0
PASS = 800.0
HOPPER_BEHIND = 7.2
ANTENNA_AHEAD = 1.2
BESIDE = 8.0
DAY = 8 * 3600.0
STEP = 0.2
MEAN_YIELD = 1.255
TRUCK = (220.0, -30.0)
"""The cart is emptied here, on the end row [m]."""


@dataclass
class Unloading:
    """One unloading as it was: when the auger ran [s], the mass [kg], standing."""

    begin: float
    end: float
    mass: float
    standing: bool
    seen: bool = True


@dataclass
class Day:
    """What happened in one day, on the clock of 0.2 s."""

    time: np.ndarray
    combine: np.ndarray
    cart: np.ndarray
    cutting: np.ndarray
    flow: np.ndarray
    tank: np.ndarray
    load: np.ndarray
    unloadings: list[Unloading]
    missing: list[tuple[float, float]] = field(default_factory=list)


@dataclass
class Script:
    """Corners of the day while it is made up: places by time."""

    combine: list[tuple[float, float]] = field(default_factory=list)
    cart: list[tuple[float, float, float]] = field(default_factory=list)
    auger: list[tuple[float, float]] = field(default_factory=list)
    emptied: list[tuple[float, float]] = field(default_factory=list)
    standing: list[bool] = field(default_factory=list)


def yield_at(east, north):
    """Grain as it is cut, 15 % up and down across the field [kg/m2]."""
    waves = np.sin(np.asarray(east) / 41.0 + 0.4) + np.cos(np.asarray(north) / 97.0)
    return MEAN_YIELD * (1.0 + 0.075 * waves)


def place_at(way):
    """Return east, north and whether the head is down at a length of way driven."""
    way = np.asarray(way, dtype=float)
    turn = 2 * 18.0 + HEAD
    number = np.floor(way / (PASS + turn)).astype(int)
    rest = way - number * (PASS + turn)
    up = number % 2 == 0
    along = np.minimum(rest, PASS)
    over = np.maximum(rest - PASS, 0.0)
    out = np.where(over < 18, over, np.where(over < 18 + HEAD, 18.0, turn - over))
    side = np.clip(over - 18.0, 0.0, HEAD)
    reach = np.where(rest <= PASS, along, PASS + out)
    north = np.where(up, reach, PASS - reach)
    return number * HEAD + side, north, rest <= PASS


def make_day(seed: int, *, start: float, first_way: float = 0.0) -> Day:
    """Make up one day of eight hours that begins at `start` [s]."""
    rng = np.random.default_rng(seed)
    script = Script()
    _write(script, rng, start, first_way)
    return _play(script, start)


def _write(script: Script, rng, start: float, way: float) -> None:
    """Write down what the two machines do until the day is over."""
    now, tank, load = start, 0.0, 0.0
    script.combine.append((now, way))
    script.cart.append((now, *TRUCK))
    free = now + 5.0
    while True:
        fill = rng.uniform(0.55, 0.93) * TANK
        way_full = _way_to(way, fill - tank)
        standing = bool(rng.random() < 0.55)
        # On the go there must be enough of the pass left.
        turn = 2 * 18.0 + HEAD
        rest = way_full % (PASS + turn)
        if not standing and not 150.0 < rest < PASS - 330.0:
            standing = True
        if standing and rest > PASS - 30.0:
            way_full += PASS + turn - rest + 12.0 if rest > PASS else 0.0
        at = now + (way_full - way) / SPEED
        if at > start + DAY - 700.0:
            break
        mass = tank + cut_between(way, way_full)
        e, n, _ = place_at(way_full)
        heading = 1.0 if (int(way_full // (PASS + turn)) % 2 == 0) else -1.0
        arrive = max(at, free + _trip_time(script, float(e), float(n)))
        script.combine.append((at, way_full))
        if arrive > at:
            script.combine.append((arrive, way_full))
        top_up = rng.random() < 0.15
        takes = rng.uniform(21.0, 45.0) if top_up else None
        wait, leave = rng.uniform(4.0, 12.0), rng.uniform(4.0, 12.0)
        left = float(e) - BESIDE * heading
        if standing:
            come = rng.uniform(8.0, 30.0)
            begin = arrive + come + wait
            takes = min(takes or 1e9, mass / RATE + RAMP)
            end = begin + takes
            spot = float(n) + (HOPPER_BEHIND + rng.uniform(-1.5, 1.5)) * heading
            _approach(script, rng, arrive + come, left, spot, heading, 0.0)
            script.cart.append((end + leave, left, spot))
            resume = end + rng.uniform(2.0, 8.0)
            script.combine.append((resume, way_full))
            now, way, tank = resume, way_full, mass - RATE * (takes - RAMP)
            free = end + leave
        else:
            begin = arrive + wait
            fill_rate = HEAD * SPEED * MEAN_YIELD
            takes = min(takes or 1e9, (mass + fill_rate * 20.0) / (RATE - fill_rate))
            end = begin + takes
            while takes > 22.0:
                there = way_full + (end - arrive) * SPEED
                given = RATE * (takes - RAMP)
                if given <= mass + cut_between(way_full, there) - 20.0:
                    break
                takes -= 0.5
                end = begin + takes
            free = end + leave
            stop = way_full + (free - arrive) * SPEED
            spot = float(n) + (HOPPER_BEHIND + rng.uniform(-1.5, 1.5)) * heading
            _approach(script, rng, arrive, left, spot, heading, SPEED)
            gone = spot + (stop - way_full) * heading
            script.cart.append((free, left, gone))
            there = way_full + (end - arrive) * SPEED
            tank = mass + cut_between(way_full, there) - RATE * (takes - RAMP)
            now, way = arrive + (there - way_full) / SPEED, there
            script.combine.append((now, way))
        script.auger.append((begin, end))
        script.standing.append(standing)
        load += RATE * (takes - RAMP)
        _leave(script, heading)
        if load > CART - 1.1 * TANK:
            here = script.cart[-1]
            way_there = np.hypot(here[1] - TRUCK[0], here[2] - TRUCK[1])
            there = here[0] + way_there / 5.0
            script.cart.append((there, *TRUCK))
            tip = there + rng.uniform(10.0, 30.0)
            done = tip + load / CART_RATE + RAMP
            script.emptied.append((tip, done))
            free = done + rng.uniform(5.0, 20.0)
            script.cart.append((free, *TRUCK))
            load = 0.0
        else:
            free = script.cart[-1][0]
    # The last of the day stays uncut: it stands where the tank is not yet full.
    script.combine.append((start + DAY, way))
    script.cart.append((start + DAY, *script.cart[-1][1:]))


def cut_between(one: float, two: float) -> float:
    """Return the mass cut between two lengths of way [kg]."""
    way = np.linspace(one, two, 200)
    east, north, cutting = place_at(way)
    gain = np.where(cutting, yield_at(east, north), 0.0) * HEAD
    return float(np.trapezoid(gain, way))


def _way_to(way: float, mass: float) -> float:
    """Return the length of way at which `mass` more is on board."""
    ahead = way + np.arange(0.0, 2500.0, 2.0)
    east, north, cutting = place_at(ahead)
    gain = np.cumsum(np.where(cutting, yield_at(east, north), 0.0) * HEAD * 2.0)
    return float(ahead[min(np.searchsorted(gain, mass), ahead.size - 1)])


def _trip_time(script: Script, east: float, north: float) -> float:
    """Return how long the cart needs to come near a place [s]."""
    _, here_e, here_n = script.cart[-1]
    return float(np.hypot(east - here_e, north - here_n)) / 5.0 + 45.0


def _approach(script, rng, moment, east, north, heading, speed) -> None:
    """Bring the cart from wherever it is to its place beside, from behind.

    Half of the times it comes from ahead, drives by against the way of the combine
    8 m beside it, and turns behind it.
    """
    back = 25.0
    closing = rng.uniform(0.8, 2.0)
    coming = back / closing
    behind = north - (back + speed * coming) * heading
    last, here_e, here_n = script.cart[-1]
    start = moment - coming
    # A drop-shaped turn behind the combine, 9 to 15 m from knot to knot.
    turn = [(0.0, -25.0), (-4.0, -33.0), (-10.0, -26.0), (-8.0, -14.0), (0.0, -2.0)]
    from_ahead = rng.random() < 0.5
    knots = [(start - 25.0 / 3.0, east, behind - 25.0 * heading)]
    if from_ahead:
        for one, two in itertools.pairwise(turn):
            step = np.hypot(two[0] - one[0], two[1] - one[1]) / 3.0
            place = east + two[0] * heading, behind + two[1] * heading
            knots.insert(0, (knots[0][0] - step, *place))
        ahead = behind + (speed * 30.0 + 130.0) * heading
        knots.insert(0, (knots[0][0] - 132.0 / 3.0, east, ahead))
    else:
        knots.insert(
            0, (knots[0][0] - 8.0, east - 7.0 * heading, behind - 45 * heading)
        )
    way = np.hypot(knots[0][1] - here_e, knots[0][2] - here_n)
    leaves = knots[0][0] - way / 5.0
    if leaves < last:
        # No time for more than the shortest way.
        knots = [(start - 25.0 / 3.0, east, behind - 25.0 * heading)]
        leaves = max(last, knots[0][0] - np.hypot(east - here_e, behind - here_n) / 5.0)
    if leaves > last:
        script.cart.append((leaves, here_e, here_n))
    script.cart += [k for k in knots if k[0] > leaves]
    script.cart.append((start, east, behind))
    script.cart.append((moment, east, north))


def _leave(script: Script, heading: float) -> None:
    """Drive on and away to the side, then wait there."""
    moment, east, north = script.cart[-1]
    script.cart.append((moment + 8.0, east - 3.0 * heading, north + 24.0 * heading))
    script.cart.append((moment + 16.0, east - 20.0 * heading, north + 40.0 * heading))


def _play(script: Script, start: float) -> Day:
    """Turn the script into tracks and sums."""
    time = start + np.arange(0.0, DAY, STEP)
    way = np.interp(time, *np.array(script.combine).T)
    way = _smooth(way)
    east, north, cutting = place_at(way)
    speed = np.gradient(way, STEP)
    combine = np.column_stack([_smooth(east), _smooth(north)])
    knots = np.array(script.cart)
    knots = knots[np.argsort(knots[:, 0], kind="stable")]
    cart = np.column_stack(
        [_smooth(np.interp(time, knots[:, 0], knots[:, k])) for k in (1, 2)]
    )
    flow = np.where(cutting, yield_at(east, north) * HEAD * np.maximum(speed, 0.0), 0.0)
    auger = _ramps(time, script.auger, RATE)
    tip = _ramps(time, script.emptied, CART_RATE)
    tank = np.cumsum(flow - auger) * STEP
    load = np.cumsum(auger - tip) * STEP
    found = [
        Unloading(a, b, RATE * (b - a - RAMP), standing)
        for (a, b), standing in zip(script.auger, script.standing, strict=True)
    ]
    return Day(time, combine, cart, cutting & (speed > 0.1), flow, tank, load, found)


def _ramps(time, spans, rate):
    """Return a rate that rises and falls over `RAMP` in every span."""
    out = np.zeros(time.size)
    for begin, end in spans:
        up = np.clip((time - begin) / RAMP, 0.0, 1.0)
        down = np.clip((end - time) / RAMP, 0.0, 1.0)
        out += rate * np.minimum(up, down)
    return out


def _smooth(values):
    """Return values with corners rounded over 4 s; straight and standing stay so."""
    size = int(4.0 / STEP) + 1
    padded = np.pad(values, size // 2, mode="edge")
    return np.convolve(padded, np.full(size, 1.0 / size), mode="valid")


def log_of(day: Day, who: str, *, sigma: float, rng, correlated: float = 0.0):
    """Return seconds, east, north of one fix a second of `combine` or `cart`.

    The antenna of the combine sits 1.2 m ahead of its front axle. ``sigma`` is the
    error of a fix [m], white, or alike over `correlated` seconds.
    """
    every = int(1.0 / STEP)
    track = (day.combine if who == "combine" else day.cart).copy()
    if who == "combine":
        east, north = track.T
        # Standing keeps the way it pointed.
        step_e, step_n = np.gradient(east), np.gradient(north)
        moves = np.hypot(step_e, step_n) > 1e-3
        last = np.maximum.accumulate(np.where(moves, np.arange(moves.size), 0))
        course = np.arctan2(step_e[last], step_n[last])
        track += ANTENNA_AHEAD * np.column_stack([np.sin(course), np.cos(course)])
    track = track[::every]
    noise = rng.normal(0.0, 1.0, track.shape)
    if correlated:
        keep = np.exp(-1.0 / correlated)
        for k in range(1, len(noise)):
            noise[k] = keep * noise[k - 1] + np.sqrt(1 - keep**2) * noise[k]
    return day.time[::every], *(track + sigma * noise).T
