"""A forecast in field.toml comes out as hours fit for work, and through the command.

End rows and manure overlaps as the trade knows them (common practice, no source):
packed end rows are the last to be fit, ground under two coats of liquid comes later.
"""

from __future__ import annotations

import dataclasses
import json

import pandas as pd
import pytest

from sample_fields import make
from trafficmap import pipeline
from trafficmap.cli import run_command

SMALL = """
[zones]
assume_confirmed = 0.28
seed = 0.02
min_area = 50.0
min_length = 5.0
machine_lengths = 0.5
place_error = 0.1
width_assumed = 2.0
[plan]
ripping = 0.0
levelling = 0.0
pays_when = "on balance"
"""
HEAD = "date,rain_mm,tmin_c,tmax_c\n"


def forecast_text(days=8, rain=0.0, low=2.0, high=12.0, start="2026-11-21"):
    dates = pd.date_range(start, periods=days)
    return HEAD + "".join(f"{d:%Y-%m-%d},{rain},{low},{high}\n" for d in dates)


def coming(days=8, rain=0.0, low=2.0, high=12.0):
    return pd.DataFrame(
        {
            "date": pd.date_range("2026-11-21", periods=days).astype("datetime64[s]"),
            "t_min": low, "t_max": high, "rain": rain,
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("when") / "field"
    make.write_sample(place, field="two_strips")
    keys = place / "field.toml"
    told = 'file = "weather.csv"\n'
    text = keys.read_text("utf-8")
    assert told in text
    more = 'forecast = "forecast.csv"\npast = "station.csv"\n'
    text = text.replace(told, told + more)
    text = text.replace('next = "corn"\n', 'next = "corn"\nspring_pass = true\n')
    keys.write_text(text, "utf-8")
    (place / "forecast.csv").write_text(forecast_text(rain=0.5), "utf-8")
    days = pd.date_range("2015-01-01", "2025-12-31")
    rows = "".join(f"{d:%Y-%m-%d},{(d.day % 5) * 1.5},4,14\n" for d in days)
    (place / "station.csv").write_text(HEAD + rows, "utf-8")
    return place


@pytest.fixture(scope="module")
def out(folder):
    place = folder.parent / "out"
    # Nobody dug the strips, which are small: let there be work to wait for.
    settings = folder.parent / "small.toml"
    settings.write_text(SMALL, "utf-8")
    given = ["-q", "run", str(folder), "-o", str(place), "--settings", str(settings)]
    assert run_command(given) == 0
    return place


def test_hours_reach_run_json_page_readme_and_tables(out):
    run = json.loads((out / "run.json").read_text("utf-8"))
    assert run["when"]["zones"]
    assert run["when"]["windows"]
    assert run["odds"]
    assert '<section id="when">' in (out / "map.html").read_text("utf-8")
    assert "\nWHEN\n" in (out / "README.txt").read_text("utf-8")
    for name in ("windows", "when", "nights", "odds"):
        assert f"tables/{name}.csv" in run["outputs"]
    codes = {note["code"] for note in run["notes"]}
    assert {"when.hours", "odds.told"} <= codes
    zones = {row["zone"] for row in run["zones"]}
    assert {row["zone"] for row in run["when"]["windows"]} <= zones


def test_windows_of_every_zone_fill_the_forecast(out):
    windows = pd.DataFrame(
        json.loads((out / "run.json").read_text())["when"]["windows"]
    )
    for _, rows in windows.groupby("zone"):
        assert rows["hours"].sum() == 8 * 24
        assert rows["end"].tolist()[:-1] == rows["start"].tolist()[1:]
        assert rows["lasts"].tolist() == [False] * (len(rows) - 1) + [True]


def test_check_says_what_was_found(folder, capsys):
    assert run_command(["check", str(folder)]) == 0
    told = capsys.readouterr().out
    assert "forecast: 8 days from 2026-11-21 to 2026-11-28, with rain." in told
    assert "past weather: 2015 to 2025." in told


def test_explain_tells_it_for_a_spot(out, capsys):
    run = json.loads((out / "run.json").read_text("utf-8"))
    capsys.readouterr()
    assert run_command(["explain", str(out), "--at", "-84.0497,41.2978"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert " ".join(run["when"]["zones"][0]["look"].split()) in told


def test_the_command_answers_for_a_new_forecast(out, folder, tmp_path, capsys):
    later = tmp_path / "rain.csv"
    later.write_text(forecast_text(rain=12.0), "utf-8")
    place = tmp_path / "answer"
    before = (out / "run.json").read_bytes()
    arguments = ["when", str(out), "--forecast", str(later), "-o", str(place)]
    assert run_command(arguments) == 0
    told = capsys.readouterr().out
    flat = " ".join(told.split())
    assert "Will it shatter" in flat
    assert "rain" in flat
    assert flat.endswith("broke from shank to shank.")
    document = json.loads((place / "when.json").read_text("utf-8"))
    assert document["forecast"] == "rain.csv"
    assert set(pd.DataFrame(document["when"]["windows"])["shatters"]) == {"rain"}
    assert (place / "windows.csv").stat().st_size > 100
    # The run itself is left as it was.
    assert (out / "run.json").read_bytes() == before
    assert run_command(arguments) == 3
    assert "holds when.txt already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (forecast_text(start="2026-08-01"), "ends before the known weather"),
        (forecast_text(start="2027-03-01"), "the known weather and the forecast"),
        ("date,rain_mm,tmin_c,tmax_c\n2026-11-21,0,,\n", "has a hole"),
        ("when,what\n1,2\n", "column 'time' is missing"),
    ],
)  # fmt: skip
def test_a_forecast_of_no_use_is_refused_with_its_reason(
    out, tmp_path, capsys, text, said
):
    path = tmp_path / "bad.csv"
    path.write_text(text, "utf-8")
    assert run_command(["when", str(out), "--forecast", str(path)]) == 3
    assert said in capsys.readouterr().err


def test_no_such_file(out, tmp_path, capsys):
    assert run_command(["when", str(out), "--forecast", str(tmp_path / "no.csv")]) == 3
    assert "no.csv: is not there" in capsys.readouterr().err


def test_a_forecast_without_rain_tells_nights_and_why_no_hours(two_strips):
    result, _ = two_strips
    cold = coming(low=-8.0, high=-1.0).drop(columns="rain")
    again = pipeline.redraw(
        result, field=dataclasses.replace(result.field, forecast=cold)
    )
    assert again.when is None
    assert len(again.nights)
    assert "forecast.no_rain" in [note.code for note in again.notes]


def test_where_nothing_waits_it_is_said(two_strips):
    result, _ = two_strips
    field = dataclasses.replace(result.field, forecast=coming())
    again = pipeline.redraw(result, field=field)
    assert set(again.zones["advice"]) <= {"leave", "keep out", "manage"}
    assert not len(again.when.zones)
    # The same forecast is not followed through the soil again, another one is.
    assert pipeline.redraw(again).ahead is again.ahead
    other = dataclasses.replace(field, forecast=coming(rain=0.01))
    assert pipeline.redraw(again, field=other).ahead is not again.ahead
    assert "when.none" in [note.code for note in again.notes]


def test_rain_of_the_forecast_makes_every_zone_of_the_field_wetter(ditch):
    def asked(rain):
        forecast = coming(rain=[0.0, rain] + [0.0] * 6)
        field = dataclasses.replace(ditch.field, forecast=forecast)
        return pipeline.redraw(ditch, field=field)

    dry, wet = asked(0.0), asked(0.04)
    both = [r.when.windows.groupby("zone")["p_fit_low"].min() for r in (dry, wet)]
    assert len(both[0])
    assert (both[1] <= both[0] + 1e-9).all()
    assert (both[1] < both[0] - 0.01).any()
    # Known days and the zones themselves stay.
    pd.testing.assert_frame_equal(
        dry.zones.drop(columns="geometry"), wet.zones.drop(columns="geometry")
    )


def test_overlaps_and_packed_ends_of_the_sample_are_never_fit_before_the_body(ditch):
    forecast = coming(days=10, rain=0.0, low=6.0, high=18.0)
    field = dataclasses.replace(ditch.field, forecast=forecast)
    result = pipeline.redraw(ditch, field=field)
    windows = result.when.windows.merge(result.when.zones[["zone", "kind"]], on="zone")
    clay = windows.groupby("kind")["p_fit_high"].max()
    assert clay["overlap"] < clay["body"]
    packed = result.units.table.set_index("unit")["column"]
    zones = result.zones.set_index("zone")
    by_column: dict = {}
    for row in result.when.zones.itertuples():
        key = (packed[zones["unit"][row.zone]], round(row.tip_depth, 3))
        by_column.setdefault(key, {}).setdefault(row.kind, []).append(row.zone)
    compared = 0
    chance = windows.groupby("zone")["p_fit_low"].min()
    for kinds in by_column.values():
        for ends in kinds.get("end_rows", []):
            for body in kinds.get("body", []):
                if result.units.table["rolls"].map(len)[zones["unit"][body]]:
                    continue
                assert chance[ends] <= chance[body] + 1e-9
                compared += 1
    assert compared
