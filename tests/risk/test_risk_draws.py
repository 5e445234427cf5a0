"""Draws: the analytic chance proved, pruned to the bit, stated chances come true."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray, put_layer
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.risk import assess, draw
from trafficmap.traffic.events import PassEvents, Visits

DEPTHS = np.array(COMPUTE_DEPTHS)
N = DEPTHS.size
STEP = 0.05
OFFSETS = STEP * np.arange(-60, 61)


class Season:
    """Machines with one wheel each over a strip of cells, one soil unit."""

    def __init__(
        self, random, *, cells=60, machines=3, passes_a_cell=1, unsure=0.5, water=0.3
    ):
        self.grid = FieldGrid(32616, 0.0, 0.0, 1.0, 1, cells)
        peak = random.uniform(6e4, 2.5e5, machines)
        bell = np.exp(-((OFFSETS[:, None] / (0.3 + DEPTHS / 2)) ** 2)) / (1 + DEPTHS)
        stress = peak[:, None, None] * bell
        best = stress.max(axis=1)
        self.profiles = SimpleNamespace(
            stress=stress,
            row_of=np.arange(machines)[:, None],
            wheel_load=np.full(machines, 3e4),
            first_offset=float(OFFSETS[0]),
            step=STEP,
            peak_low=(1 - unsure) * best,
            peak_high=(1 + unsure) * best,
        )
        cell = np.repeat(np.arange(cells), passes_a_cell)
        axle = random.integers(0, machines, cell.size).astype(np.int32)
        self.visits = Visits(
            cell=cell,
            axle_id=axle,
            pass_id=axle.astype(np.int64),
            state=np.zeros(cell.size, np.int32),
            time=np.zeros(cell.size),
            offset=random.uniform(-0.5, 0.5, cell.size).astype(np.float32),
            heading=np.zeros(cell.size, np.float32),
            cell_start=np.searchsorted(cell, np.arange(cells + 1)),
        )
        none = np.zeros(cell.size)
        whole = none.astype(np.int32)
        self.events = PassEvents(
            cell, whole, none.astype(np.int64), whole, none, none, none,
            self.visits.cell_start,
        )  # fmt: skip
        ln_strength = np.log(random.uniform(5e4, 1.5e5)) + 0.1 * np.arange(N)
        self.strength = SimpleNamespace(
            times=np.zeros(1),
            ln_strength=np.broadcast_to(ln_strength, (1, 1, N)),
            ln_spread=np.full((1, 1, N), water),
            suction=np.full((1, 1, N), 5e4),
            row_of=lambda times: np.zeros(len(times), dtype=np.int64),
        )
        self.columns = SimpleNamespace(
            column_of_cell=np.zeros(cells, dtype=np.int64),
            swelling=np.zeros(1, dtype=np.bool_),
            unit_of_column=np.zeros(1, dtype=np.int64),
        )
        self.passes = pd.DataFrame(
            {
                "pass_id": np.arange(machines),
                "machine_id": [f"machine {m}" for m in range(machines)],
                "session": np.arange(machines),
            }
        )
        self.sessions = pd.DataFrame(
            {"session": np.arange(machines), "sigma_shift": np.zeros(machines)}
        )
        self.tray = new_tray(self.grid)
        self.inside = np.ones(self.grid.shape)
        put_layer(self.tray, "run_over", np.full(self.grid.shape, 0.5))

    @property
    def ground(self) -> dict:
        return {
            "profiles": self.profiles,
            "strength": self.strength,
            "columns": self.columns,
            "grid": self.grid,
            "inside": self.inside,
            "tray": self.tray,
        }

    def chance(self) -> np.ndarray:
        assess(
            self.visits, self.events, settings=RiskSettings(), swelling=False,
            **self.ground,
        )  # fmt: skip
        return self.tray["probability"].values.reshape(N, -1)

    def drawn(self, *, prune=True, **settings):
        return draw(
            self.visits, self.passes, sessions=self.sessions, prune=prune,
            settings=RiskSettings(**({"draws": 200} | settings)), **self.ground,
        )  # fmt: skip


def test_pruned_is_the_same_to_the_bit_and_leaves_most_out():
    random = np.random.default_rng(4)
    season = Season(
        random, cells=400, machines=6, passes_a_cell=4, unsure=0.02, water=0.02
    )
    season.sessions["sigma_shift"] = 0.15
    season.chance()
    narrow = {
        "spread_law": 0.02, "spread_texture": 0.02, "spread_stress": (0.03, 0.03),
    }  # fmt: skip
    pruned, whole = season.drawn(**narrow), season.drawn(prune=False, **narrow)
    np.testing.assert_array_equal(pruned.area, whole.area)
    assert pruned.area.any()
    assert pruned.kept < 0.9 * whole.kept


@pytest.mark.kernel
def test_the_same_seed_draws_the_same_seasons():
    season = Season(np.random.default_rng(5))
    season.chance()
    first, again = season.drawn(), season.drawn()
    other = season.drawn(draw_seed=2)
    np.testing.assert_array_equal(first.area, again.area)
    assert first.sensitivity == again.sensitivity
    assert (first.area != other.area).any()


def test_mean_of_draws_is_the_analytic_area_where_one_wheel_passed():
    """Ten thousand seasons; 0.02 of the ground is four standard errors and more."""
    season = Season(np.random.default_rng(6), cells=20)
    chance = season.chance()
    found = season.drawn(draws=10_000).area.sum(axis=1).mean(axis=0)
    np.testing.assert_allclose(found, 0.5 * chance.sum(axis=1), atol=0.02 * 10)


def test_together_is_wider_than_apart():
    """One strength for all makes cells damaged together: apart would average out."""
    season = Season(np.random.default_rng(7), cells=60, machines=1)
    chance = season.chance()[2]
    row = next(
        r for r in season.drawn().table if r["zone"] is None and r["depth"] == DEPTHS[2]
    )
    apart = 0.5 * np.sqrt((chance * (1 - chance)).sum())
    assert row["low"] <= row["middle"] <= row["high"]
    assert row["high"] - row["low"] > 3.3 * apart


def test_an_unknown_load_matters_most_where_only_it_is_unknown():
    season = Season(np.random.default_rng(8), machines=1, unsure=0.7, water=0.01)
    season.chance()
    narrow = {"spread_law": 0.02, "spread_texture": 0.0, "spread_stress": (0.02, 0.02)}
    found = season.drawn(**narrow).sensitivity
    assert (found[0]["unknown"], found[0]["machine"]) == ("load", "machine 0")
    now = found[0]["high"] - found[0]["low"]
    assert now > 0
    assert found[0]["known_high"] - found[0]["known_low"] < now


def test_water_matters_as_much_as_it_is_not_known():
    shares = []
    for water in (0.8, 0.4, 0.0):
        season = Season(np.random.default_rng(9), machines=1, unsure=0.0, water=water)
        season.chance()
        found = season.drawn(draws=2000).sensitivity
        shares.append(
            next(row["share"] for row in found if row["unknown"] == "moisture")
        )
    assert shares[0] > shares[1] + 0.1 > 0.2
    assert shares[2] < 0.02


def test_water_that_was_read_narrows_the_interval_of_the_field():
    def width(water):
        season = Season(
            np.random.default_rng(9), machines=20, unsure=0.0, water=water, cells=200
        )
        season.chance()
        rows = season.drawn(draws=2000, spread_law=0.1, spread_stress=(0.1, 0.1)).table
        row = next(r for r in rows if r["zone"] is None and r["depth"] == DEPTHS[2])
        return row["high"] - row["low"]

    assert width(0.0) < 0.9 * width(0.6)


def test_nothing_known_is_no_draw_and_not_an_area_of_nothing():
    season = Season(np.random.default_rng(10))
    season.strength = None
    assert season.drawn() is None


def test_stated_chances_come_true_within_five_points_in_every_class():
    """Seasons with known truth, made here with none of the program's own draws.

    The true load is anywhere in its interval, the true strength and the true spread of
    stress are off by what the settings say; the program sees only the best values.
    """
    random = np.random.default_rng(2026)
    settings = RiskSettings()
    stated, happened = [], []
    for _ in range(1200):
        water = random.choice((0.0, 0.2, 0.4, 0.8))
        season = Season(random, cells=6, machines=2, water=water)
        stated.append(season.chance())
        profiles = season.profiles
        # Truth: even load from 0.5 to 1.5 of the best, by machine.
        load = random.uniform(0.5, 1.5, 2)
        level = np.interp(DEPTHS, settings.spread_depths, settings.spread_stress)
        off = np.exp(level * random.standard_normal((2, 1)))
        law, texture, water = random.standard_normal(3)
        soil = np.exp(
            settings.spread_law * law
            + settings.spread_texture * texture
            + season.strength.ln_spread[0, 0] * water
        )
        axle = season.visits.axle_id
        shown = np.abs(OFFSETS - season.visits.offset[:, None]) <= 0.5 + 1e-9
        met = np.where(shown[:, :, None], profiles.stress[axle], 0.0).max(axis=1)
        true = met * load[axle, None] * off[axle]
        limit = np.exp(season.strength.ln_strength[0, 0]) * soil
        happened.append((true > limit).T)
    chance = np.concatenate([part.ravel() for part in stated])
    hit = np.concatenate([part.ravel() for part in happened])
    edges = (0.0, *settings.class_limits, 1.0 + 1e-9)
    for low, high in itertools.pairwise(edges):
        mine = (chance >= low) & (chance < high)
        assert mine.sum() > 500
        assert abs(chance[mine].mean() - hit[mine].mean()) < 0.05


def test_a_load_left_out_of_the_spread_would_be_overconfident():
    """What the widening is for: without it the same seasons miss."""
    season = Season(np.random.default_rng(12), unsure=0.8)
    wide = season.chance()
    bare = SimpleNamespace(**{**vars(season.profiles), "peak_low": None})
    season.profiles = bare
    narrow = season.chance()
    sure = narrow > 0.9
    assert sure.any()
    assert (wide[sure] < narrow[sure]).all()
