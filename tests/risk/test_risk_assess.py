"""The risk layers against a slow reference, and orders any model must keep."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import GridMismatchError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.risk import assess
from trafficmap.risk._kernels import join_passes
from trafficmap.risk.assess import worst_depth
from trafficmap.risk.spread import joint_spread, soil_spread
from trafficmap.soil.strength import (
    exceedance_probability,
    joined_damage,
    stress_spread,
)
from trafficmap.traffic.events import PassEvents, Visits

SETTINGS = RiskSettings()
N = len(COMPUTE_DEPTHS)
HOUR = 3600.0
PHI = NormalDist().cdf


@dataclass(frozen=True)
class Profiles:
    stress: np.ndarray
    row_of: np.ndarray
    wheel_load: np.ndarray
    first_offset: float
    step: float


@dataclass(frozen=True)
class Strength:
    times: np.ndarray
    ln_strength: np.ndarray
    suction: np.ndarray
    ln_spread: np.ndarray | None = None

    def row_of(self, times):
        """Row of the hour each time lies in, -1 for none."""
        rows = dict(zip(self.times, range(self.times.size), strict=True))
        hours = np.floor(np.asarray(times) / HOUR) * HOUR
        return np.array([rows.get(hour, -1) for hour in hours], dtype=np.int64)


@dataclass(frozen=True)
class Columns:
    column_of_cell: np.ndarray
    swelling: bool = False


def two_wheels(peak=(2e5, 1.5e5), *, half_track=1.0, load=60e3, step=0.025) -> Profiles:
    """One axle in `len(peak)` states: two bell-shaped wheels, wider with depth."""
    offsets = np.arange(-120, 121) * step
    rows = []
    for p in peak:
        bells = [
            np.maximum(
                np.exp(-(((offsets - half_track) / (0.25 + z / 2)) ** 2)),
                np.exp(-(((offsets + half_track) / (0.25 + z / 2)) ** 2)),
            )
            * p
            / (1 + z)
            for z in COMPUTE_DEPTHS
        ]
        rows.append(np.stack(bells, axis=-1))
    row_of = np.arange(len(peak)).reshape(1, -1)
    return Profiles(
        np.stack(rows), row_of, np.full(len(peak), load), float(offsets[0]), step
    )


def flat_strength(strength=9e4, *, hours=2, columns=2, suction=5e4) -> Strength:
    shape = (hours, columns, N)
    return Strength(
        np.arange(hours) * HOUR,
        np.log(np.broadcast_to(strength, shape)),
        np.full(shape, suction),
    )


def visits_of(rows, size) -> Visits:
    """Visits from (cell, state, time, offset, heading), sorted by cell, then time."""
    rows = sorted(rows, key=lambda row: (row[0], row[2]))
    cell = np.array([row[0] for row in rows], dtype=np.int64)
    return Visits(
        cell=cell,
        axle_id=np.zeros(cell.size, dtype=np.int32),
        pass_id=np.arange(cell.size),
        state=np.array([row[1] for row in rows], dtype=np.int32),
        time=np.array([row[2] for row in rows], dtype=float),
        offset=np.array([row[3] for row in rows], dtype=np.float32),
        heading=np.array([row[4] for row in rows], dtype=np.float32),
        cell_start=np.searchsorted(cell, np.arange(size + 1)),
    )


def events_of(cells, size) -> PassEvents:
    cell = np.sort(np.asarray(cells, dtype=np.int64))
    zero = np.zeros(cell.size)
    return PassEvents(
        cell, zero.astype(np.int32), zero.astype(np.int64), zero.astype(np.int32),
        zero, zero, zero, np.searchsorted(cell, np.arange(size + 1)),
    )  # fmt: skip


GRID = FieldGrid(32616, 0.0, 0.0, 1.0, 2, 3)


def run(rows, *, profiles=None, strength=None, settings=SETTINGS, swelling=None,
        over=None, inside=None, columns=True):  # fmt: skip
    profiles = two_wheels() if profiles is None else profiles
    strength = flat_strength() if strength is None else strength
    tray = new_tray(GRID)
    over = [row[0] for row in rows] if over is None else over
    notes = assess(
        visits_of(rows, GRID.size), events_of(over, GRID.size), profiles=profiles,
        strength=strength or None,
        columns=Columns(np.arange(GRID.size) % 2) if columns else None, grid=GRID,
        inside=np.ones(GRID.shape) if inside is None else inside, tray=tray,
        settings=settings, swelling=swelling,
    )  # fmt: skip
    return tray, notes


def layer(tray, name):
    return tray[name].values.reshape(*tray[name].values.shape[:-2], -1)


def slow(rows, profiles, strength, *, heavy=False, settings=SETTINGS):
    """Probability and mean by plain loops; the trapezoid by brute force on a square."""
    spread = joint_spread(np.array(COMPUTE_DEPTHS), settings=settings)
    chance = np.zeros((N, GRID.size))
    mean = np.zeros((N, GRID.size))
    for cell in range(GRID.size):
        for d in range(N):
            under, over = [], []
            for _, state, time, offset, heading in [r for r in rows if r[0] == cell]:
                table = profiles.stress[state, :, d]
                axis = table.max()
                places = profiles.first_offset + profiles.step * np.arange(table.size)
                ln_s = strength.ln_strength[int(time // HOUR), cell % 2, d]
                least = 0.2 if heavy and COMPUTE_DEPTHS[d] <= 0.7 else 0.0
                reach = 0.5 * (abs(math.cos(heading)) + abs(math.sin(heading)))
                seen = table[np.abs(places - offset) <= reach + 1e-9]
                if seen.max() < 0.05 * axis:
                    continue
                under.append(max(least, PHI((math.log(seen.max()) - ln_s) / spread[d])))
                side = np.linspace(-0.495, 0.495, 100)
                east, north = np.meshgrid(side, side)
                across = offset + east * math.cos(heading) - north * math.sin(heading)
                found = np.interp(across, places, table)
                score = (np.log(np.maximum(found, 1e-9)) - ln_s) / spread[d]
                p = np.maximum(least, ndtr(score))
                p[found < 0.05 * axis] = 0.0
                over.append(p)
            chance[d, cell] = joined(under)
            mean[d, cell] = joined_everywhere(over)
    return chance, mean


def joined_everywhere(over):
    """Damage joined at each of many places, then averaged over them."""
    if not over:
        return 0.0
    largest = np.max(over, axis=0)
    effective = np.sum(over, axis=0) / np.maximum(largest, 1e-300)
    grown = 1 + SETTINGS.pass_growth * np.log(np.maximum(effective, 1.0))
    return np.minimum(1.0, largest * grown).mean()


def joined(damage):
    """D_max (1 + k ln N_eff), written the long way."""
    if not damage or max(damage) == 0.0:
        return 0.0
    largest = max(damage)
    effective = sum(d / largest for d in damage)
    return min(1.0, largest * (1 + SETTINGS.pass_growth * math.log(effective)))


def square(rows):
    """The same visits driven along the grid, against it or across it."""
    quarter = np.pi / 2
    return [
        (*row[:4], float(np.float32(round(row[4] / quarter) * quarter))) for row in rows
    ]


def random_rows(rng, count):
    return [
        (
            int(rng.integers(GRID.size)),
            int(rng.integers(2)),
            float(rng.uniform(0, 2 * HOUR)),
            float(np.float32(rng.uniform(-2.5, 2.5))),
            float(np.float32(rng.uniform(-np.pi, np.pi))),
        )
        for _ in range(count)
    ]


@pytest.mark.parametrize("heavy", [False, True])
def test_kernel_agrees_with_plain_loops(heavy):
    rng = np.random.default_rng(3)
    rows = random_rows(rng, 25)
    profiles = two_wheels(load=80e3 if heavy else 60e3)
    strength = replace(
        flat_strength(), ln_strength=np.log(rng.uniform(4e4, 3e5, (2, 2, N)))
    )
    tray, _ = run(rows, profiles=profiles, strength=strength, swelling=True)
    chance, mean = slow(rows, profiles, strength, heavy=heavy)
    # Layers are stored in single precision.
    np.testing.assert_allclose(layer(tray, "probability"), chance, atol=2e-6)
    # Nine places across, 89 in a cell crossed askew, against ten thousand; all joined
    # place by place.
    np.testing.assert_allclose(layer(tray, "damaged_share"), mean, atol=0.03)


def test_passes_along_and_across_join_only_where_they_meet():
    rng = np.random.default_rng(11)
    rows = square(random_rows(rng, 40))
    profiles, strength = two_wheels(), flat_strength()
    _, mean = slow(rows, profiles, strength)
    tray, _ = run(rows)
    np.testing.assert_allclose(layer(tray, "damaged_share"), mean, atol=0.02)


def test_tracks_side_by_side_damage_twice_the_ground():
    """Not the same ground again, as one joined mean of each would have it."""
    thin = two_wheels((4e5,), half_track=0.0, step=0.0125)
    one, _ = run([(4, 0, 0.0, 0.3, 0.0)], profiles=thin)
    both, _ = run([(4, 0, 0.0, 0.3, 0.0), (4, 0, 1.0, -0.3, 0.0)], profiles=thin)
    back, _ = run([(4, 0, 0.0, 0.3, 0.0), (4, 0, 1.0, 0.3, np.pi)], profiles=thin)
    again, _ = run([(4, 0, 0.0, 0.3, 0.0), (4, 0, 1.0, 0.3, 0.0)], profiles=thin)
    share = [layer(t, "damaged_share")[0, 4] for t in (one, both, back, again)]
    assert share[1] > 1.5 * share[0]
    # Driven back on the other side of the middle is beside, too.
    assert share[2] == pytest.approx(share[1], abs=0.01)
    assert share[3] < 1.2 * share[0]


def test_kernel_and_soil_room_speak_of_the_same_law():
    depths = np.array(COMPUTE_DEPTHS)
    spread = joint_spread(depths, settings=SETTINGS)
    for d, z in enumerate(depths):
        theirs = exceedance_probability(
            1.2e5,
            9e4,
            spread_stress=stress_spread(z),
            spread_strength=soil_spread(SETTINGS),
        )
        assert PHI(math.log(1.2e5 / 9e4) / spread[d]) == pytest.approx(float(theirs))
    damage = [0.1, 0.45, 0.3]
    ours = join_passes(sum(damage), max(damage), SETTINGS.pass_growth)
    assert ours == pytest.approx(joined_damage(np.array(damage)), abs=1e-4)


def test_water_that_is_not_known_widens_every_chance_as_the_law_says():
    depths = np.array(COMPUTE_DEPTHS)
    spread = joint_spread(depths, settings=SETTINGS)
    rows = [(0, 0, 0.0, 1.0, 0.0)]
    known, _ = run(rows)
    for water in (0.2, 0.7):
        strength = replace(flat_strength(), ln_spread=np.full((2, 2, N), water))
        tray, _ = run(rows, strength=strength)
        for d in range(N):
            one = known["probability"].values[d, 0, 0]
            z = ndtri(one) * spread[d] / math.hypot(spread[d], water)
            found = tray["probability"].values[d, 0, 0]
            assert found == pytest.approx(PHI(z), abs=1e-5)
        # It says less: closer to a toss-up on either side.
        gap = np.abs(tray["probability"].values[:, 0, 0] - 0.5)
        assert (gap < np.abs(known["probability"].values[:, 0, 0] - 0.5)).all()


def test_more_places_across_the_cell_come_closer_to_the_mean():
    rng = np.random.default_rng(5)
    rows = random_rows(rng, 25)
    profiles, strength = two_wheels(), flat_strength()
    _, mean = slow(rows, profiles, strength)
    errors = []
    for points in (3, 9, 33):
        tray, _ = run(rows, settings=RiskSettings(mean_points=points))
        errors.append(np.abs(layer(tray, "damaged_share") - mean).max())
    assert errors[0] > errors[1] > errors[2]
    assert errors[2] < 0.01


def test_one_wheel_over_one_cell_by_hand():
    # The wheel centre, 1.0 m right of the axle, passes the middle of cell 4.
    tray, _ = run([(4, 0, 0.0, 1.0, 0.0)])
    peak = two_wheels().stress[0].max(axis=0)
    np.testing.assert_allclose(layer(tray, "stress")[:, 4], peak, rtol=1e-6)
    np.testing.assert_allclose(layer(tray, "strength")[:, 4], 9e4, rtol=1e-6)
    spread = joint_spread(np.array(COMPUTE_DEPTHS), settings=SETTINGS)
    hand = [PHI(math.log(p / 9e4) / s) for p, s in zip(peak, spread, strict=True)]
    np.testing.assert_allclose(layer(tray, "probability")[:, 4], hand, atol=1e-6)
    assert (layer(tray, "damaged_share")[:, 4] < hand).all()
    # Everywhere else nothing was driven: unlikely, not unknown.
    others = [0, 1, 2, 3, 5]
    assert (layer(tray, "probability")[:, others] == 0).all()
    assert (layer(tray, "risk_worst")[others] == 1).all()
    assert (layer(tray, "rut")[others] == 1).all()


def test_beside_the_wheels_is_not_wheeled():
    # Half way between wheels 3.2 m apart the stress only arrives at depth.
    profiles = two_wheels(half_track=1.6)
    tray, _ = run([(4, 0, 0.0, 0.0, 0.0)], profiles=profiles, over=[])
    peak = profiles.stress[0].max(axis=0)
    edge = profiles.stress[0][np.abs(np.arange(-120, 121) * 0.025) <= 0.5].max(axis=0)
    below = edge < 0.05 * peak
    assert below.any()
    assert not below.all()
    np.testing.assert_array_equal(layer(tray, "probability")[:, 4] == 0, below)


def test_passes_follow_the_log_law_and_stop_at_one():
    one, _ = run([(4, 0, 0.0, 1.0, 0.0)])
    four, _ = run([(4, 0, t, 1.0, 0.0) for t in (0.0, 10.0, 20.0, 30.0)])
    grown = layer(one, "probability")[:, 4] * (1 + SETTINGS.pass_growth * math.log(4))
    expected = np.minimum(grown, 1.0)
    np.testing.assert_allclose(layer(four, "probability")[:, 4], expected, rtol=1e-5)
    assert expected.max() == 1.0
    assert expected.min() < 1.0


def test_wetter_is_not_less_likely_and_heavier_is_not_less_likely():
    rng = np.random.default_rng(11)
    rows = random_rows(rng, 30)
    dry, _ = run(rows, strength=flat_strength(2e5))
    wet, _ = run(rows, strength=flat_strength(6e4))
    heavy, _ = run(rows, profiles=two_wheels((3e5, 2.2e5)), strength=flat_strength(2e5))
    for name in ("probability", "damaged_share"):
        assert (layer(wet, name) >= layer(dry, name) - 1e-6).all()
        assert (layer(heavy, name) >= layer(dry, name) - 1e-6).all()
    assert layer(wet, "probability").sum() > layer(dry, "probability").sum()


def test_more_passes_are_not_less_likely():
    rng = np.random.default_rng(12)
    rows = random_rows(rng, 20)
    few, _ = run(rows[:12])
    many, _ = run(rows)
    # Mixed passes: the largest may not fall, and the joined value may not either.
    assert (layer(many, "probability") >= layer(few, "probability") - 1e-6).all()


def test_heavy_wheels_on_dry_swelling_clay_keep_a_floor():
    rows = [(4, 0, 0.0, 1.0, 0.0)]
    dry = flat_strength(6e6)
    bare, _ = run(rows, strength=dry, profiles=two_wheels(load=75e3), swelling=False)
    clay, _ = run(rows, strength=dry, profiles=two_wheels(load=75e3), swelling=True)
    light, _ = run(rows, strength=dry, profiles=two_wheels(load=65e3), swelling=True)
    assert layer(bare, "probability")[:, 4].max() < 0.01
    assert layer(light, "probability")[:, 4].max() < 0.01
    floor = [0.2 if z <= 0.70 else 0.0 for z in COMPUTE_DEPTHS]
    np.testing.assert_allclose(layer(clay, "probability")[:, 4], floor, atol=1e-3)
    # By column: cells 0, 2, 4 stand on column 0.
    only, _ = run(
        [(4, 0, 0.0, 1.0, 0.0), (5, 0, 0.0, 1.0, 0.0)], strength=dry,
        profiles=two_wheels(load=75e3), swelling=np.array([False, True]),
    )  # fmt: skip
    assert layer(only, "probability")[2, 4] < 0.01
    assert layer(only, "probability")[2, 5] == pytest.approx(0.2)


@pytest.mark.parametrize(
    "case", ["no time", "late", "no load", "no soil", "frozen", "no weather"]
)
def test_what_is_not_known_is_not_assessed_and_never_low(case):
    rows = [(4, 0, 0.0, 1.0, 0.0), (1, 0, 0.0, 1.0, 0.0)]
    options = {}
    if case == "no time":
        rows[0] = (4, 0, np.nan, 1.0, 0.0)
    elif case == "late":
        rows[0] = (4, 0, 10 * HOUR, 1.0, 0.0)
    elif case == "no load":
        profiles = two_wheels()
        profiles = replace(profiles, row_of=np.array([[0, -1]]))
        rows[0] = (4, 1, 0.0, 1.0, 0.0)
        options["profiles"] = profiles
    elif case == "frozen":
        strength = flat_strength()
        ln = strength.ln_strength.copy()
        ln[0, 0] = np.nan
        options["strength"] = replace(strength, ln_strength=ln)
        rows[1] = (1, 0, 0.0, 1.0, 0.0)
    elif case == "no soil":
        options["columns"] = False
    elif case == "no weather":
        options["strength"] = False
        options["swelling"] = np.array([True, False])  # as many as soil columns
    tray, notes = run(rows, **options)
    assert layer(tray, "risk_worst")[4] == 5
    assert np.isnan(layer(tray, "probability")[:, 4]).all()
    assert layer(tray, "rut")[4] == 5
    assert (layer(tray, "risk")[:, 4] == 5).all()
    assert layer(tray, "undecided")[4] == 0
    if case in ("no time", "late", "no load", "frozen"):
        assert layer(tray, "risk_worst")[1] in (1, 2, 3, 4)
    assert layer(tray, "risk_worst")[0] == 1
    assert "risk.not_assessed" in [note.code for note in notes]


def test_run_over_without_a_visit_is_not_assessed():
    tray, _ = run([(4, 0, 0.0, 1.0, 0.0)], over=[2, 4])
    assert layer(tray, "risk_worst")[2] == 5


def test_outside_the_boundary_is_nothing():
    inside = np.ones(GRID.shape)
    inside[1, 1] = 0.0
    tray, _ = run([(4, 0, 0.0, 1.0, 0.0)], inside=inside)
    assert layer(tray, "risk_worst")[4] == 255
    assert np.isnan(layer(tray, "stress")[:, 4]).all()
    assert layer(tray, "rut")[4] == 255


@pytest.mark.parametrize(
    ("suction", "strength", "expected"),
    [
        (5e3, 5e6, 3),  # wet: likely whatever the strength says
        (5e3, 5e4, 4),
        (2e4, 5e4, 3),  # near field capacity: likely at most
        (5e4, 5e4, 2),  # drier: possible at most
        (5e4, 5e6, 1),
        (np.nan, 5e4, 5),
    ],
)
def test_ruts_follow_the_wetness_of_the_top(suction, strength, expected):
    tray, _ = run(
        [(4, 0, 0.0, 1.0, 0.0)], strength=flat_strength(strength, suction=suction)
    )
    assert layer(tray, "rut")[4] == expected


def test_undecided_and_worst_depth():
    stack = np.zeros((N, 1, 1))
    stack[COMPUTE_DEPTHS.index(0.10)] = 0.9
    stack[COMPUTE_DEPTHS.index(0.35)] = 0.4
    stack[COMPUTE_DEPTHS.index(0.90)] = 0.8
    assert worst_depth(stack)[0, 0] == 0.4
    stack[COMPUTE_DEPTHS.index(0.50)] = np.nan
    assert np.isnan(worst_depth(stack)[0, 0])


def test_another_grid_is_refused():
    tray = new_tray(GRID)
    with pytest.raises(GridMismatchError, match="events: got 5 cells, need the 6"):
        assess(
            visits_of([], 6), events_of([], 5), profiles=two_wheels(),
            strength=flat_strength(), columns=Columns(np.zeros(6, int)), grid=GRID,
            inside=np.ones(GRID.shape), tray=tray, settings=SETTINGS,
        )  # fmt: skip


def test_nothing_driven_at_all():
    tray, notes = run([])
    assert (layer(tray, "risk_worst") == 1).all()
    assert notes == []


def test_turning_track_and_cell_together_changes_nothing():
    """A path east past a cell north of it is a path north past a cell west of it."""
    north, _ = run([(4, 0, 0.0, -1.2, 0.0)])
    east, _ = run([(4, 0, 0.0, -1.2, np.pi / 2)])
    for name in ("probability", "damaged_share"):
        np.testing.assert_allclose(layer(north, name), layer(east, name), atol=1e-5)


@pytest.mark.parametrize("steps", [6.0, 20.0, 40.0, 60.0, 63.9, 80.0])
def test_two_windows_find_the_largest_of_every_range(steps):
    from trafficmap.risk.inputs import windows

    rng = np.random.default_rng(7)
    stress = rng.random((1, 200, 1))
    window, size, pad = windows(stress, steps)
    for length in np.linspace(steps - 1, steps * np.sqrt(2) + 1, 9):
        for low in (-30, 0, 17, 150, 190):
            high = low + int(length) - 1
            wanted = stress[0, max(low, 0) : max(high + 1, 0), 0].max(initial=0.0)
            ends = np.clip((low + pad, high - size + 1 + pad), 0, window.shape[1] - 1)
            found = window[0, ends, 0].max()
            assert found == wanted
