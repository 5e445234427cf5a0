"""The gap report: how much of a machine's working time has no track."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.tracks import clean, gap_report

ZONE = "America/Chicago"


def drive(make, *, pauses, n=3600, timed=True, **columns):
    """Return an hour at 2 m/s up and down, a fix a second, cut out at `pauses`."""
    t = np.arange(n, dtype=float)
    north = 300.0 - np.abs((2.0 * t) % 600.0 - 300.0)
    keep = np.ones(n, dtype=bool)
    for a, b in pauses:
        keep[a:b] = False
    fixes = make.fixes(10.0 + t / 100.0, north, seconds=t, timed=timed, **columns)
    return fixes[keep].reset_index(drop=True)


def report(fixes, zone=ZONE):
    return gap_report(fixes, time_zone=zone, settings=TrackSettings())


def test_a_whole_track_has_no_gap(make):
    table, notes = report(drive(make, pauses=[]))
    (row,) = table.to_dict("records")
    assert (row["day"], row["start"], row["end"]) == ("2026-10-20", "10:00", "10:59")
    assert row["span"] == row["tracked"] == 3599.0
    assert row["missing"] == row["share"] == row["standing"] == 0.0
    assert row["largest"] == ""
    assert notes == []


def test_time_without_a_track_is_told_with_its_clock_times(make):
    table, notes = report(drive(make, pauses=[(600, 1450), (2000, 2100), (3000, 3020)]))
    (row,) = table.to_dict("records")
    assert row["missing"] == 851.0 + 101.0
    assert row["tracked"] == 3599.0 - 952.0
    assert row["share"] == pytest.approx(952 / 3599)
    assert row["largest"] == "10:09 to 10:24 (14 min); 10:33 to 10:35 (101 s)"
    # At the straight line it drove at least so long.
    assert row["missing_least"] < row["missing"]
    (note,) = notes
    assert note.severity == "check"
    assert note.sentence == (
        "combine: for 16 min of the 60 min it was on its way (26%) there is no track, "
        f"and for {row['missing_least'] / 60:.0f} min at least it drove; its passes "
        "then are on no map. The largest gaps on 2026-10-20: 10:09 to 10:24 (14 min); "
        "10:33 to 10:35 (101 s)."
    )


def test_a_machine_found_where_it_was_has_stood(make):
    fixes = drive(make, pauses=[])
    fixes.loc[1000:, "seconds"] += 2000.0
    fixes.loc[1000:, "time"] += pd.Timedelta(seconds=2000)
    table, notes = report(fixes)
    assert table["missing"].item() == 0.0
    assert table["standing"].item() == 2001.0
    assert notes == []


def test_a_rest_of_hours_is_no_gap_and_days_stand_apart(make):
    fixes = drive(make, pauses=[(1000, 1200)])
    late = fixes.assign(
        log_id=1,
        seconds=fixes["seconds"] + 86_400.0,
        time=fixes["time"] + pd.Timedelta(days=1),
        easting=fixes["easting"] + 300.0,
    )
    table, notes = report(pd.concat([late, fixes], ignore_index=True))
    assert table["day"].tolist() == ["2026-10-20", "2026-10-21"]
    assert table["missing"].tolist() == [201.0, 201.0]
    assert len(notes) == 1
    evening = fixes.assign(
        seconds=fixes["seconds"] + 5 * 3600.0,
        time=fixes["time"] + pd.Timedelta(hours=5),
        easting=fixes["easting"] + 300.0,
    )
    table, _ = report(pd.concat([fixes, evening], ignore_index=True))
    assert table["missing"].tolist() == [402.0]


def test_from_one_log_to_the_next_of_a_day(make):
    fixes = drive(make, pauses=[(1000, 2050)])
    fixes.loc[fixes["seconds"] > 1500, "log_id"] = 1
    table, _ = report(fixes)
    assert table["logs"].item() == 2
    assert table["missing"].item() == 1051.0


def test_a_clock_without_a_day_is_told_from_its_first_fix(make):
    table, notes = report(drive(make, pauses=[(600, 1450)], timed=False))
    assert table["day"].item() == ""
    assert table["largest"].item() == "00:09 to 00:24 (14 min)"
    assert "The largest gaps of one log" in notes[0].sentence


def test_what_was_drawn_over_a_gap_counts_by_itself(make):
    n = 400
    keep = np.ones(n, dtype=bool)
    keep[100:180] = False
    fixes = make.fixes(np.full(n, 9.0), 2.0 * np.arange(n))[keep]
    fixes, _ = clean(
        fixes,
        boundary=box(-50, -50, 50, 900),
        machines={"combine": make.machine()},
        settings=TrackSettings(),
    )
    table, _ = report(fixes)
    assert table["inferred"].item() == pytest.approx(81.0)
    assert table["missing"].item() == 0.0
    assert table["tracked"].item() == pytest.approx(399.0 - 81.0)


def test_dirt_before_cleaning_does_not_upset_it(make):
    fixes = drive(make, pauses=[])
    fixes.loc[10, ["easting", "northing"]] = 0.0
    fixes.loc[20, "easting"] = np.nan
    mixed = fixes.iloc[np.random.default_rng(1).permutation(len(fixes))]
    table, notes = report(mixed)
    assert table["tracked"].item() == 3599.0
    assert notes == []


def test_nothing_in_nothing_out(make):
    table, notes = report(make.fixes([], []))
    assert len(table) == 0
    assert notes == []


def test_logs_without_a_clock_are_left_out(make):
    fixes = drive(make, pauses=[(600, 1450)])
    other = drive(make, pauses=[], machine_id="cart", log_id=1)
    both = pd.concat([fixes, other], ignore_index=True)
    table, notes = gap_report(
        both, time_zone=ZONE, settings=TrackSettings(), clockless=(0,)
    )
    assert table["machine_id"].tolist() == ["cart"]
    assert notes == []
    # After cleaning the number of the log as it came counts.
    joined = both.assign(source_log=both["log_id"], log_id=0)
    table, _ = gap_report(
        joined, time_zone=ZONE, settings=TrackSettings(), clockless=(0, 1)
    )
    assert table.empty
