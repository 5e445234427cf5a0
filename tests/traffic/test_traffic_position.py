"""Position error: what is sure of a map of tracks, and what is not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from trafficmap.core.layers import get_layer, new_tray
from trafficmap.core.settings.traffic import TrafficSettings
from trafficmap.core.tables import PASSES, SESSIONS
from trafficmap.traffic import cover_chance, run_over_chance

WHEEL = [{"width": 0.8}]


def tables(sessions, *, within, shift):
    n = len(sessions)
    time = pd.to_datetime(np.arange(n), unit="s", utc=True).astype(
        "datetime64[ms, UTC]"
    )
    passes = pd.DataFrame(
        {
            "pass_id": np.arange(n), "machine_id": "m", "log_id": sessions,
            "state": "working", "start": time, "end": time, "first": np.arange(n),
            "last": np.arange(n) + 1, "length": 1.0, "inferred": False,
        }
    )[PASSES.names()].assign(session=sessions)  # fmt: skip
    count = max(sessions) + 1
    table = SESSIONS.empty().reindex(range(count)).assign(
        session=np.arange(count), machine_id="m", log_id=np.arange(count),
        correction="sbas", sigma_within=within, sigma_shift=shift, assumed=False,
    )  # fmt: skip
    return {"passes": passes, "sessions": table}


def chance_of(build, lanes, sessions, *, within, shift, draws=200):
    legs = [
        {
            "easting": [lane, lane],
            "northing": [-40, 50],
            "time": [100 * k, 100 * k + 90],
        }
        for k, lane in enumerate(lanes)
    ]
    paths, grid = build.paths(legs, wheels=WHEEL), build.grid(40, 240, cell=0.25)
    tray = new_tray(grid)
    notes = run_over_chance(
        paths,
        grid=grid,
        inside=np.ones(grid.shape),
        tray=tray,
        settings=TrafficSettings(position_draws=draws),
        **tables(sessions, within=within, shift=shift),
    )
    layer = get_layer(tray, "run_over_chance").astype(float)
    return layer.mean(axis=0), notes


@pytest.mark.parametrize(("within", "shift"), [(0.3, 0.0), (0.0, 0.3), (0.18, 0.24)])
def test_one_pass_has_the_chance_of_the_closed_form(build, within, shift):
    across, notes = chance_of(build, [30.0], [0], within=within, shift=shift)
    assert notes == []
    middle = (np.arange(240) + 0.5) * 0.25
    # The mean of the closed form over each cell; 200 draws know it to 0.03.
    fine = (np.arange(240 * 20) + 0.5) * 0.25 / 20 - 30.0
    exact = cover_chance(fine, width=0.8, sigma=0.3).reshape(240, 20).mean(axis=1)
    assert np.abs(across - exact).max() < 0.05
    # The area stays that of the wheel: width by length.
    assert across.sum() * 0.25 == pytest.approx(0.8, rel=0.01)
    assert middle[across > 0.01].min() > 28.0


def test_passes_of_one_session_move_together(build):
    # Twice in one lane. Shifted together they stay on one another; apart they do not.
    lanes = [30.0, 30.0]
    same, _ = chance_of(build, lanes, [0, 0], within=0.0, shift=0.5)
    apart, _ = chance_of(build, lanes, [0, 1], within=0.0, shift=0.5)
    own, _ = chance_of(build, lanes, [0, 0], within=0.5, shift=0.0)
    assert same.sum() * 0.25 == pytest.approx(0.8, rel=0.01)
    # Two wheels of 0.8 m, their distance normal with 0.5 * sqrt(2): they cover
    # 0.8 + E min(|d|, 0.8) together.
    spread = np.abs(norm.ppf((np.arange(10_000) + 0.5) / 10_000) * 0.5 * np.sqrt(2))
    expected = 0.8 + np.minimum(spread, 0.8).mean()
    assert apart.sum() * 0.25 == pytest.approx(expected, rel=0.05)
    assert own.sum() * 0.25 == pytest.approx(expected, rel=0.05)


def test_the_same_seed_gives_the_same_map(build):
    a, _ = chance_of(build, [30.0], [0], within=0.2, shift=0.2, draws=9)
    b, _ = chance_of(build, [30.0], [0], within=0.2, shift=0.2, draws=9)
    np.testing.assert_array_equal(a, b)


def test_an_error_wider_than_the_wheel_is_said(build):
    _, notes = chance_of(build, [30.0], [0], within=0.2, shift=0.9, draws=4)
    assert [note.code for note in notes] == ["traffic.position_wide"]
    assert notes[0].sentence == (
        "The place of m (to 0.9 m) is known less well than its wheels are wide. Areas "
        "and counts hold; which square it was does not: do not read single tracks."
    )


def test_without_error_a_point_is_under_the_wheel_or_not():
    chance = cover_chance(np.array([0.0, 0.39, 0.41]), width=0.8, sigma=0.0)
    assert chance.tolist() == [1.0, 1.0, 0.0]
