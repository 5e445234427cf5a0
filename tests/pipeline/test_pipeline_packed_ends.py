"""Packed end rows behave worse than the field they belong to.

Common practice, no source for how long: packed ground stays wet longer, and the cart
turns where it is packed most.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from trafficmap.plan import fit_states
from trafficmap.zones.units import Units

AUTUMN = pd.date_range("2026-10-05", "2026-11-05", tz=None)


@pytest.fixture
def body_and_ends(ditch):
    """Return units of one soil: a body and its end rows, nobody rolled."""

    def make(rolls: tuple = ()) -> Units:
        day = pd.NaT if not rolls else AUTUMN[-1]
        table = pd.DataFrame(
            {
                "unit": [0, 1],
                "kind": ["body", "end_rows"],
                "column": [0, 0],
                "layer_bottom": [math.nan, math.nan],
                "rolls": [rolls, rolls],
                "rolled_on": pd.to_datetime([day, day]),
            }
        )
        return Units(table, np.zeros((1, 2), int), ditch.grid, 0.0)

    return make


def chances(ditch, units: Units, day: pd.Timestamp) -> tuple[float, float]:
    state, _ = fit_states(
        units, series=ditch.series, field=ditch.field, settings=ditch.settings, day=day
    )
    return tuple(state["p_fit"])


def test_end_rows_are_never_fitter_and_dry_out_last(ditch, body_and_ends):
    pairs = np.array([chances(ditch, body_and_ends(), day) for day in AUTUMN])
    assert np.isfinite(pairs).all()
    body, ends = pairs.T
    assert (ends <= body).all()
    # After rain the body gains while the ends still stand as wet as they were.
    assert (ends < body - 1e-6).any()


def test_a_hand_roll_of_their_own_soil_settles_it(ditch, body_and_ends):
    rolls = ((0.15, "cracks"), (0.25, "cracks"), (0.35, "cracks"))
    body, ends = chances(ditch, body_and_ends(rolls), AUTUMN[-1])
    assert ends == body
