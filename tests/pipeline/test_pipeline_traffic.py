"""Tables of the traffic against the truth of the invented field, and as files."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from trafficmap.core.layers import get_layer
from trafficmap.core.tables import (
    LOADING_SPOTS,
    TRAFFIC,
    TRAFFIC_AXLES,
    TRAFFIC_DEPTH,
    require_table,
)
from trafficmap.outputs import traffic_tables
from trafficmap.outputs.manifest import newest_input, run_document


def ground(ditch):
    table = ditch.driven.traffic
    field = table[(table["part"] == "field") & (table["doing"] == "any")]
    return field.set_index("machine_id")


def test_tables_keep_their_contracts(ditch):
    driven = ditch.driven
    require_table(driven.traffic, TRAFFIC)
    require_table(driven.depth, TRAFFIC_DEPTH)
    require_table(driven.axles, TRAFFIC_AXLES)
    require_table(driven.spots, LOADING_SPOTS)


def test_each_machine_ran_over_what_it_did(ditch, ditch_truth):
    mine = ground(ditch)
    for machine, share in ditch_truth["run_over_share"].items():
        if machine == "all_without_hauler":
            continue
        assert mine.loc[machine, "run_over_share"] == pytest.approx(share, abs=0.005)
    # Each square metre was first run over by one machine.
    first = mine.drop("all")["run_over_first"].sum()
    assert first == pytest.approx(mine.loc["all", "run_over"], rel=1e-6)


def test_parts_and_depths_make_up_the_field(ditch):
    table = ditch.driven.traffic
    every = table[(table["machine_id"] == "all") & (table["doing"] == "any")]
    parts = every[every["part"].isin(["inner", "transition", "headland", "turning"])]
    whole = every[every["part"] == "field"].iloc[0]
    for name in ("area", "run_over", "run_over_again", "same_track", "under_5"):
        assert parts[name].sum() == pytest.approx(whole[name], rel=1e-6)
    # Where machines turn is run over most, the inner field least.
    share = parts.set_index("part")["run_over_share"]
    assert share["inner"] < share["transition"] < share["headland"] < share["turning"]
    depth = ditch.driven.depth
    depth = depth[depth["part"] == "field"].set_index("times")
    assert depth.loc[1, "passes"] == pytest.approx(whole["run_over"], rel=1e-6)
    assert depth.loc[2, "passes"] == pytest.approx(whole["run_over_again"], rel=1e-6)
    assert depth.loc[1, "wheel_passes_5"] == pytest.approx(whole["under_5"], rel=1e-6)
    assert (np.diff(depth[TRAFFIC_DEPTH.names()[2:]], axis=0) <= 1e-6).all()
    low, high = whole["under_5_low"], whole["under_5_high"]
    assert low < whole["under_5"] < high


def test_layers_tell_what_the_table_does(ditch):
    inside = np.nan_to_num(get_layer(ditch.tray, "inside"))
    whole = ground(ditch).loc["all"]
    for layer, column in (
        ("run_over", "run_over"),
        ("run_over_again", "run_over_again"),
        ("same_track", "same_track"),
        ("under_3", "under_3"),
        ("under_5", "under_5"),
    ):
        total = (np.nan_to_num(get_layer(ditch.tray, layer)) * inside).sum(dtype=float)
        assert total == pytest.approx(whole[column], rel=1e-5)
    low, best, high = (
        np.nan_to_num(get_layer(ditch.tray, f"heaviest_wheel{end}"))
        for end in ("_low", "", "_high")
    )
    assert (low <= best + 1).all()
    assert (best <= high + 1).all()
    assert high.max() == pytest.approx(whole["wheel_high"], rel=1e-6)
    first, last = (get_layer(ditch.tray, f"{end}_day") for end in ("first", "last"))
    assert set(np.unique(first[first > 0])) <= set(range(20260901, 20261105))
    assert (last >= first).all()


def test_the_first_axle_is_the_first_on_fresh_ground(ditch):
    axles = ditch.driven.axles.set_index(["machine_id", "axle"])
    assert axles.loc[("combine", "front"), "first_share"] > 0.8
    assert axles.loc[("combine", "rear"), "first_share"] < 0.05
    assert axles.loc[("tanker", "bogie rear"), "first_share"] < 0.01


def test_loads_change_hands_where_they_did(ditch, ditch_truth):
    spots = ditch.driven.spots
    hauled = ditch_truth["ledger_kg"]["grain hauled"]
    # All grain left the field by trucks filled standing at one place.
    trucks = spots[spots["machines"].str.contains("truck")]
    assert len(trucks) == 1
    assert trucks["mass_in"].iloc[0] == pytest.approx(hauled, rel=0.12)
    assert trucks["stops"].iloc[0] == spots["stops"].max()


def test_as_files_and_as_words(ditch):
    files = traffic_tables.csv_files(ditch.driven)
    assert sorted(files) == [
        "tables/loading_spots.csv",
        "tables/traffic.csv",
        "tables/traffic_axles.csv",
        "tables/traffic_depth.csv",
    ]
    rows = list(csv.DictReader(io.StringIO(files["tables/traffic.csv"])))
    whole = ground(ditch).loc["all"]
    assert float(rows[0]["run_over_m2"]) == pytest.approx(whole["run_over"], abs=0.06)
    assert float(rows[0]["run_over_ac"]) == pytest.approx(
        whole["run_over"] / 4046.8564224, abs=0.006
    )
    assert rows[0]["first_utc"].endswith("Z")
    told = traffic_tables.sentences(ditch)
    assert told[0].startswith("Wheels ran over 26.3 acres, 44 % of the field; over ")
    assert told[-1].startswith("Loads changed hands standing at ")
    machines = traffic_tables.machine_rows(ditch)
    assert machines[0]["name"] == "all machines"
    assert len(machines) == 1 + 8
    spots = traffic_tables.spot_table(ditch)
    assert len(spots) == len(ditch.driven.spots)
    roads = traffic_tables.road_table(ditch)
    table = ditch.driven.traffic
    by_table = table[table["part"] == "road"].set_index("machine_id")["distance"]
    for machine, length in zip(roads["machine"], roads["length_m"], strict=True):
        assert length == pytest.approx(by_table[machine], abs=0.1)


def test_run_json_tells_the_traffic(ditch):
    told = run_document(ditch, mark="0" * 12, date=newest_input(ditch), outputs={})
    traffic = told["traffic"]
    whole = traffic["by_machine_and_part"][0]
    assert (whole["machine_id"], whole["part"]) == ("all", "field")
    assert whole["run_over_share"] == pytest.approx(
        told["totals"]["run_over_share"], rel=1e-6
    )
    assert traffic["depth"][0]["times"] == 1
    assert traffic["loading_spots"][0]["spot"] == 1
    assert 0.0 < told["totals"]["same_track_share"] < 1.0


def test_two_strips_by_hand(two_strips):
    result, truth = two_strips
    table = result.driven.traffic
    whole = table[(table["part"] == "field") & (table["doing"] == "any")].iloc[0]
    assert whole["run_over"] == pytest.approx(truth["run_over_m2"], rel=0.005)
