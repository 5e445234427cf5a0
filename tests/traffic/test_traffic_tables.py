"""Tables of the traffic on a field small enough to count by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.layers import get_layer, new_tray
from trafficmap.core.settings.traffic import TrafficSettings
from trafficmap.core.tables import FIXES, PASSES, SESSIONS
from trafficmap.traffic import cover, facts, field_parts, loading_spots

BOUNDARY = box(0, 0, 40, 60)
START = pd.Timestamp("2026-10-20T14:00:00Z")


def pass_table(states, *, session=0):
    n = len(states)
    start = START + pd.to_timedelta(np.arange(n) * 1000.0, "s")
    table = pd.DataFrame(
        {
            "pass_id": np.arange(n),
            "machine_id": np.full(n, "m", dtype=object),
            "log_id": np.zeros(n, np.int64),
            "state": np.array(states, dtype=object),
            "start": start.astype("datetime64[ms, UTC]"),
            "end": start.astype("datetime64[ms, UTC]"),
            "first": np.arange(n),
            "last": np.arange(n) + 1,
            "length": np.full(n, 50.0),
            "inferred": np.zeros(n, np.bool_),
        }
    )[PASSES.names()]
    return table.assign(session=session)


def sessions_of(shift=0.02, within=0.01, n=1):
    table = SESSIONS.empty().reindex(range(n))
    return table.assign(
        session=np.arange(n),
        machine_id="m",
        log_id=np.arange(n),
        correction="rtk",
        sigma_within=within,
        sigma_shift=shift,
        assumed=False,
    )


def fixes_of(rows):
    """Return split fixes from (seconds, easting, northing, state)."""
    seconds, easting, northing, state = zip(*rows, strict=True)
    fixes = FIXES.empty().reindex(range(len(rows)))
    time = START + pd.to_timedelta(np.array(seconds, float), "s")
    return fixes.assign(
        machine_id="m",
        log_id=np.zeros(len(rows), np.int64),
        time=time.astype("datetime64[ms, UTC]"),
        seconds=np.array(seconds, float),
        easting=np.array(easting, float),
        northing=np.array(northing, float),
        row=np.arange(1, len(rows) + 1),
        state=list(state),
        pass_id=np.zeros(len(rows), np.int64),
    )


def season(build):
    """Two rows 10 m apart and the turn between, whose wheels keep to single cells."""
    at = START.timestamp()
    legs = [
        {"easting": [10.5, 10.5], "northing": [0, 50], "time": [at, at + 25]},
        {
            "easting": [10.5, 10.5, 20.5, 20.5],
            "northing": [50, 55.5, 55.5, 50],
            "heading": 0.0,
            "time": [at + 1000, at + 1003, at + 1008, at + 1011],
        },
        {"easting": [20.5, 20.5], "northing": [50, 0], "time": [at + 2000, at + 2025]},
    ]
    wheels = [{"width": 0.8, "mass": 4000.0}]
    return build.paths(legs, wheels=wheels), build.grid(60, 40)


def test_parts_of_a_field(build):
    paths, grid = season(build)
    events = cover(paths, grid=grid)
    inside = np.ones(grid.shape)
    passes = pass_table(["working", "turning", "working"])
    layer, notes = field_parts(
        events,
        passes,
        boundary=BOUNDARY,
        grid=grid,
        inside=inside,
        width=8.0,
        rows_heading=0.0,
    )
    assert notes == []
    # Row 0 is north. Ends of the rows, then 12 m of transition, sides are no end.
    column = layer[:, 30]
    assert column.tolist() == [3] * 8 + [2] * 12 + [1] * 20 + [2] * 12 + [3] * 8
    # Only the turning pass makes turning ground; the first row up to it does not.
    assert (layer[5:10, 10] == 4).all()
    assert layer[12, 10] == 2
    # Nobody told how wide: nine tenths of the turning ground lie within about 9 m.
    layer, notes = field_parts(
        events, passes, boundary=BOUNDARY, grid=grid, inside=inside, rows_heading=0.0
    )
    assert [note.code for note in notes] == ["traffic.headland_guessed"]
    assert 7 <= (layer[:, 30] == 3).sum() / 2 <= 10
    # Without a turn there is no headland, and nothing is made up.
    straight = pass_table(["working"] * 3)
    layer, notes = field_parts(
        events, straight, boundary=BOUNDARY, grid=grid, inside=inside
    )
    assert (layer == 1).all()
    assert notes == []


def all_facts(build, **more):
    paths, grid = season(build)
    inside = np.ones(grid.shape)
    tray = new_tray(grid)
    rows = [(k, 10.5, 2.0 * k, "working") for k in range(25)]
    rows += [(30 + k, 10.5, 62.0 + 3 * k, "road") for k in range(5)]
    fixes = fixes_of(rows)
    tables, notes = facts(
        cover(paths, grid=grid),
        paths,
        split_fixes=fixes,
        passes=pass_table(["working", "turning", "working"]),
        payload=pd.DataFrame({"payload": np.zeros(len(fixes))}),
        sessions=sessions_of(),
        boundary=BOUNDARY,
        grid=grid,
        inside=inside,
        tray=tray,
        headland=8.0,
        rows_heading=0.0,
        time_zone="America/Chicago",
        **more,
    )
    return tables, tray, notes


def test_table_by_machine_doing_and_part(build):
    tables, tray, notes = all_facts(build)
    assert notes == []
    table = tables.traffic.set_index(["machine_id", "doing", "part"]).sort_index()
    whole = table.loc[("all", "any", "field")]
    # 100 m of rows and 11 m of turn, 0.8 m wide; moved sideways the wheel sweeps no
    # ground and drives no way.
    assert whole["run_over"] == pytest.approx(0.8 * 111, abs=1e-4)
    assert whole["run_over_share"] == pytest.approx(0.8 * 111 / 2400, abs=1e-7)
    assert whole["area"] == 2400.0
    assert whole["distance"] == pytest.approx(111.0, abs=1e-3)
    assert whole["passes"] == 3
    assert whole["wheel"] == pytest.approx(4000.0)
    assert whole["under_3"] == pytest.approx(whole["run_over"])
    assert whole["under_5_high"] == 0.0
    # 4 Mg over 111 m on 0.24 ha.
    assert whole["load_distance"] == pytest.approx(4 * 0.111 / 0.24, rel=1e-5)
    assert abs(whole["first"] - START) < pd.Timedelta(1, "s")
    assert table.loc[("m", "working", "field"), "run_over"] == pytest.approx(80.0)
    assert table.loc[("m", "turning", "turning"), "passes"] == 1
    # The parts make up the field, in ground and in distance.
    parts = table.loc[("all", "any")].drop(["field"])
    for name in ("area", "run_over", "run_over_first", "run_over_again", "distance"):
        assert parts[name].sum() == pytest.approx(whole[name], rel=1e-6)
    # The road has length and no ground.
    road = table.loc[("m", "any", "road")]
    assert road["distance"] == pytest.approx(12.0 + (62.0 - 48.0))
    assert np.isnan(road["area"])
    assert get_layer(tray, "first_day")[30, 10] == 20261020
    assert get_layer(tray, "first_day")[30, 30] == 0
    assert set(np.unique(get_layer(tray, "field_part"))) == {1, 2, 3, 4}
    # How often: everything once, what the turn shares with the rows not even twice.
    depth = tables.depth[tables.depth["part"] == "field"]
    assert depth["passes"].iloc[0] == pytest.approx(whole["run_over"], abs=1e-4)
    axles = tables.axles
    assert axles["run_over_first"].sum() == pytest.approx(whole["run_over"], abs=1e-4)
    assert axles["wheel"].tolist() == pytest.approx([4000.0])


def test_expected_share_is_made_on_request(build):
    _, tray, _ = all_facts(build)
    assert "run_over_chance" not in tray
    few = TrafficSettings(position_draws=8)
    _, tray, _ = all_facts(build, settings=few)
    chance, sure = get_layer(tray, "run_over_chance"), get_layer(tray, "run_over")
    # 2 cm of error leaves the map as it is, but for the edges of the samples.
    assert np.abs(chance - sure).max() < 0.05
    assert chance.sum() == pytest.approx(sure.sum(), rel=0.01)


def stop(at, seconds, *, easting=5.0, northing=5.0, state="idle"):
    """Return fixes of coming, standing and going, and their clock."""
    rows = [
        (at, easting, northing - 30, "hauling"),
        (at + 10, easting, northing, state),
    ]
    rows += [(at + 10 + k, easting, northing, state) for k in range(5, int(seconds), 5)]
    rows.append((at + 10 + seconds, easting, northing + 30, "hauling"))
    return rows


def test_loading_spots_by_hand():
    rows = stop(0, 60) + stop(1000, 60, easting=8.0) + stop(2000, 60, easting=35.0)
    rows += stop(3000, 10) + stop(4000, 40, northing=90.0, state="loading")
    fixes = fixes_of(rows)
    clock = fixes["seconds"].to_numpy()
    # Filled with 5 t and 7 t at the first spot, emptied of 12 t at the other; the
    # fourth stop is too short, and at the last nobody knows what it took on.
    payload = np.select(
        [clock < 60, clock < 1060, clock < 2060, clock < 4000],
        [0.0, 5000.0, 12_000.0, 0.0],
        np.nan,
    )
    spots = loading_spots(fixes, pd.DataFrame({"payload": payload}), boundary=BOUNDARY)
    assert spots["spot"].tolist() == [1, 2, 3]
    assert spots["stops"].tolist() == [2, 1, 1]
    assert spots["kind"].tolist() == ["filled", "emptied", "not known"]
    assert spots["mass_in"].iloc[0] == 12_000.0
    assert np.isnan(spots["mass_out"].iloc[0])
    assert spots["mass_out"].iloc[1] == 12_000.0
    assert spots["easting"].tolist() == [6.5, 35.0, 5.0]
    assert spots["in_field"].tolist() == [True, True, False]
    assert spots["machines"].unique().tolist() == ["m"]
    assert spots["standing"].iloc[0] == pytest.approx(2 * 65.0)
    assert spots["first"].iloc[1] == START + pd.Timedelta(2010, "s")


def test_no_stop_is_no_spot():
    fixes = fixes_of([(k, 2.0 * k, 5.0, "working") for k in range(10)])
    spots = loading_spots(
        fixes, pd.DataFrame({"payload": np.zeros(10)}), boundary=BOUNDARY
    )
    assert spots.empty


def test_a_field_nothing_drove_on(build):
    paths, grid = build.paths([]), build.grid(60, 40)
    fixes = fixes_of([(k, 10.5, 5.0, "idle") for k in range(5)])
    tray = new_tray(grid)
    tables, notes = facts(
        cover(paths, grid=grid),
        paths,
        split_fixes=fixes,
        passes=pass_table([]),
        payload=pd.DataFrame({"payload": np.zeros(len(fixes))}),
        sessions=sessions_of(),
        boundary=BOUNDARY,
        grid=grid,
        inside=np.ones(grid.shape),
        tray=tray,
        settings=TrafficSettings(position_draws=2),
    )
    assert [note.code for note in notes] == ["traffic.none"]
    whole = tables.traffic.iloc[0]
    assert (whole["machine_id"], whole["part"]) == ("all", "field")
    assert whole["run_over"] == 0.0
    assert whole["area"] == 2400.0
    assert np.isnan(whole["wheel"])
    assert tables.depth.empty
    assert tables.spots.empty
    assert get_layer(tray, "run_over_chance").max() == 0.0
