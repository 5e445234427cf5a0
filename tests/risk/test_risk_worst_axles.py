"""Damage put down to axles: it adds up, and the heavy wheel on wet soil has most."""

from __future__ import annotations

import numpy as np
import pytest

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.tables import AXLE_DAMAGE, require_table


def damage_of(result, depth):
    share = result.tray["damaged_share"].values[COMPUTE_DEPTHS.index(depth)]
    inside = result.tray["inside"].values
    return float(np.nansum(share * inside) * result.grid.cell_area)


def test_areas_of_all_axles_add_up_to_the_damage_of_the_field(strips):
    table = require_table(strips.axles, AXLE_DAMAGE)
    for depth, group in table.groupby("depth"):
        assert group["damaged"].sum() == pytest.approx(damage_of(strips, depth))


def test_every_axle_stands_once_a_depth_and_the_worst_comes_first(strips):
    table = strips.axles
    assert not table.duplicated(["machine_id", "body", "axle", "depth"]).any()
    middle = table.loc[table["depth"] == 0.35, "damaged"].to_numpy()
    assert (np.diff(middle) <= 0).all()


def test_the_loaded_cart_outweighs_the_tractor_that_pulls_it(strips):
    """Common practice, no source: a full grain cart is the heaviest axle there is."""
    table = strips.axles[strips.axles["depth"] == 0.5]
    heavy = table.loc[table["wheel"].idxmax()]
    assert heavy["wheel_low"] <= heavy["wheel"] <= heavy["wheel_high"]
    assert heavy["axle_mass"] >= heavy["wheel"]
    assert heavy["damaged"] >= table.loc[table["wheel"].idxmin(), "damaged"]


@pytest.fixture(scope="module")
def strips(tmp_path_factory):
    from trafficmap.cli.sample import _sample_module
    from trafficmap.field import read_field
    from trafficmap.pipeline import run

    folder = tmp_path_factory.mktemp("axles")
    folder = _sample_module().write_sample(folder / "two", field="two_strips")
    field, _ = read_field(folder)
    return run(field)
