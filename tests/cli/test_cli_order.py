"""``trafficmap order`` on made-up run folders: what goes in, what comes out, faults."""

from __future__ import annotations

import csv
import json
from zoneinfo import ZoneInfo

import pytest

from trafficmap.cli import run_command
from trafficmap.core.settings import Settings, settings_as_dict
from trafficmap.outputs.order_hours import same_hours

SCHEMA = 1


def plan_row(zone, *, hours=2.0, net=100.0, job="rip"):
    time = None if hours is None else hours * 3600.0
    return {
        "order": 1, "zone": zone, "job": job, "tool": "ripper", "depth": 0.3302,
        "area": 8000.0, "duration_low": time, "duration": time, "duration_high": time,
        "fuel_low": None, "fuel": None, "fuel_high": None, "cost": 50.0,
        "net_low": net / 2, "net": net, "net_high": net * 2, "reason": "",
    }  # fmt: skip


def window(zone, start, end, verdict="fit"):
    return {"zone": zone, "start": start, "end": end, "verdict": verdict}


@pytest.fixture
def farm(tmp_path, monkeypatch):
    """A folder in which run folders can be made up; commands run inside it."""
    monkeypatch.chdir(tmp_path)

    def make(folder, *rows, windows=None, until="2026-11-09T00:00-06:00", east=0.0,
             currency="USD", zones=(), **field):  # fmt: skip
        plain = {
            "name": folder.capitalize(), "invented": True, "units": "us",
            "time_zone": "America/Chicago",
        }  # fmt: skip
        settings = settings_as_dict(Settings())
        document = {
            "program": "trafficmap", "schema": SCHEMA,
            "newest_input": "2026-11-01T18:00:00Z", "field": plain | field,
            "settings": settings, "prices": {"currency": currency},
            "grid": {
                "epsg": 32616, "west": 400_000.0 + east, "north": 4_500_000.0,
                "cell": 1.0, "rows": 400, "cols": 400,
            },
            "plan": list(rows), "zones": list(zones),
            "when": None
            if windows is None
            else {"until": until, "zones": [], "windows": windows},
        }  # fmt: skip
        place = tmp_path / folder
        place.mkdir()
        (place / "run.json").write_text(json.dumps(document), "utf-8")
        return place

    return make


def order(*arguments):
    return run_command(["order", *arguments])


def told(capsys):
    return json.loads(capsys.readouterr().out)


def test_two_fields_in_one_order(farm, capsys):
    farm("north", plan_row(1, net=100), plan_row(2, net=300))
    farm("south", plan_row(5, net=50), east=4000.0)
    assert order("north", "south", "--hours-per-day", "8", "--days", "1", "--json") == 0
    answer = told(capsys)
    rows = answer["order"]
    assert [(row["field"], row["zone"]) for row in rows] == [
        ("North", 2), ("North", 1), ("South", 5)
    ]  # fmt: skip
    # Setting up 15 minutes, then 4 km by road at 25 km/h and 15 minutes once more.
    assert rows[0]["start"] == "2026-11-02T08:15-06:00"
    assert rows[2]["way_min"] == pytest.approx(15 + 4.0 * 1.3 / 25 * 60, abs=0.1)
    assert answer["net"] == 450.0
    assert answer["proved"]
    assert "No other order of these zones brings more" in answer["sentence"]
    assert answer["sentence"].startswith("Invented field")


def test_files_by_their_ending_hold_the_same_order(farm, tmp_path, capsys):
    farm("north", plan_row(1), plan_row(3, hours=None, job="level ruts"))
    for name in ("a.html", "a.csv", "a.json"):
        assert order("north", "--hours-per-day", "6", "-o", name) == 0
    rows = list(csv.DictReader((tmp_path / "a.csv").read_text("utf-8").splitlines()))
    assert [row["zone"] for row in rows] == ["1", "3"]
    assert [row["done"] for row in rows] == ["True", "False"]
    page = (tmp_path / "a.html").read_text("utf-8")
    assert "Cut from the list" in page
    assert "roll soil by hand at every depth" in page
    assert "top 2 to 4 in" in page
    assert "://" not in page
    document = json.loads((tmp_path / "a.json").read_text("utf-8"))
    assert [row["zone"] for row in document["order"]] == [1, 3]
    before = page
    assert order("north", "--hours-per-day", "6", "-o", "a.html", "--overwrite") == 0
    assert (tmp_path / "a.html").read_text("utf-8") == before


def test_windows_of_the_run_hold(farm, capsys):
    farm(
        "north", plan_row(1, net=500), plan_row(2, net=100),
        windows=[
            window(1, "2026-11-02T13:00-06:00", "2026-11-02T17:00-06:00"),
            window(2, "2026-11-02T06:00-06:00", "2026-11-02T12:00-06:00",
                   "test by hand"),
            window(2, "2026-11-02T12:00-06:00", "2026-11-02T22:00-06:00", "not fit"),
        ],
    )  # fmt: skip
    assert order("north", "--hours-per-day", "10", "--days", "1", "--json") == 0
    rows = told(capsys)["order"]
    assert [(row["zone"], row["start"][11:16], row["end"][11:16]) for row in rows] == [
        (2, "08:15", "10:15"), (1, "13:00", "15:00")
    ]  # fmt: skip
    assert "roll soil by hand first" in rows[0]["reason"]
    assert "roll soil" not in rows[1]["reason"]


def test_hours_after_the_forecast_are_not_used_unless_by_hand(farm, capsys):
    farm("north", plan_row(1), windows=[], until="2026-11-03T00:00-06:00")
    assert order("north", "--hours-per-day", "10", "--days", "5", "--json") == 0
    answer = told(capsys)
    assert "no hour is both free and fit" in answer["sentence"].lower()
    codes = {note["code"] for note in answer["notes"]}
    assert {"order.no_hour", "order.forecast_ends"} <= codes
    arguments = ("--hours-per-day", "10", "--days", "5", "--by-hand", "--json")
    assert order("north", *arguments) == 0
    answer = told(capsys)
    assert answer["order"][0]["done"]
    assert "order.unforecast" in {note["code"] for note in answer["notes"]}


def test_a_table_of_hours_with_fit_hours_of_one_zone(farm, tmp_path, capsys):
    farm("north", plan_row(1, net=500), plan_row(2, net=100))
    (tmp_path / "hours.csv").write_text(
        "day,from,to,field,zone\n2026-11-02,07:00,12:00,,\n2026-11-03,07:00,12:00,,\n"
        "2026-11-03,08:00,24:00,North,1\n",
        "utf-8",
    )
    assert order("north", "--hours", "hours.csv", "--json") == 0
    rows = told(capsys)["order"]
    assert [(row["zone"], row["start"][:16]) for row in rows] == [
        (2, "2026-11-02T07:15"), (1, "2026-11-03T08:00")
    ]  # fmt: skip


def test_ways_somebody_knows_go_first(farm, tmp_path, capsys):
    farm("north", plan_row(1))
    farm("south", plan_row(2, net=50.0), east=9000.0)
    (tmp_path / "ways.csv").write_text("from,to,minutes\nNorth,South,7\n", "utf-8")
    arguments = ("--hours-per-day", "9", "--moves", "ways.csv", "--json")
    assert order("north", "south", *arguments) == 0
    assert told(capsys)["order"][1]["way_min"] == 7.0


HEAD = "day,from,to,field,zone\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("day,from\n2026-11-02,08:00\n", "has no column 'to'"),
        (HEAD, "no line without a field"),
        (HEAD + "soon,08:00,18:00,,\n", "line 2 has day 'soon'"),
        (HEAD + "2026-11-02,8,18:00,,\n", "line 2 has from '8', need 08:00"),
        (HEAD + "2026-11-02,18:00,08:00,,\n", "line 2 ends before it starts"),
        (HEAD + "2026-11-02,08:00,,,\n", "line 2 has no to"),
        (HEAD + "2026-11-02,08:00,12:00,,\n2026-11-02,11:00,15:00,,\n", "overlap"),
        (HEAD + "2026-11-02,08:00,12:00,East,\n", "names the field 'East'"),
        (HEAD + "2026-11-02,08:00,12:00,North,two\n", "has zone 'two'"),
    ],
)
def test_a_table_of_hours_that_cannot_be_read(farm, tmp_path, capsys, text, told):
    farm("north", plan_row(1))
    (tmp_path / "hours.csv").write_text(text, "utf-8")
    assert order("north", "--hours", "hours.csv") == 3
    assert told in capsys.readouterr().err


def test_what_cannot_be_one_order(farm, tmp_path, capsys):
    farm("north", plan_row(1))
    farm("again", plan_row(1), name="North")
    farm("euro", plan_row(1), currency="EUR")
    for arguments, sentence in (
        (("north", "again", "--hours-per-day", "8"), "is the field of two run folders"),
        (("north", "euro", "--hours-per-day", "8"), "the runs count in EUR, USD"),
        (("north", "--hours-per-day", "25"), "got 25 hours a day"),
        (
            ("north", "--hours-per-day", "8", "--from", "soon"),
            "got 'soon' as first day",
        ),
        (("north", "--hours", "none.csv"), "none.csv: cannot be read"),
        (("north", "--hours-per-day", "8", "-o", "a.pdf"), "ends in '.pdf'"),
        (("nowhere", "--hours-per-day", "8"), "is not a folder"),
    ):
        assert order(*arguments) == 3
        assert sentence in capsys.readouterr().err
    for arguments in (("north",), ("north", "--hours", "h", "--hours-per-day", "8"),
                      ("north", "--hours", "h", "--days", "3")):  # fmt: skip
        assert order(*arguments) == 2
    (tmp_path / "taken.html").write_text("mine", "utf-8")
    assert order("north", "--hours-per-day", "8", "-o", "taken.html") == 3
    assert (tmp_path / "taken.html").read_text("utf-8") == "mine"


def test_nothing_to_rip_is_a_sentence_not_a_fault(farm, capsys):
    farm("north")
    assert order("north", "--hours-per-day", "8", "--json") == 0
    assert "There is nothing to rip." in told(capsys)["sentence"]


def test_assumed_layers_are_said(farm, tmp_path, capsys):
    folder = farm("north", plan_row(1))
    document = json.loads((folder / "run.json").read_text("utf-8"))
    document["settings"]["zones"]["assume_confirmed"] = 0.33
    (folder / "run.json").write_text(json.dumps(document), "utf-8")
    assert order("north", "--hours-per-day", "8", "--json") == 0
    assert "nobody dug" in told(capsys)["sentence"]


def test_days_of_24_hours_do_not_overlap_where_the_clock_goes_forward():
    zone = ZoneInfo("America/Chicago")
    spans = same_hours("2026-03-07", days=3, each=24.0, zone=zone)
    hours = [(end - start).total_seconds() / 3600 for start, end in spans]
    assert hours == [24.0, 23.0, 24.0]
    assert spans[1][1] == spans[2][0]


def test_the_clock_change_does_not_move_the_morning(farm, capsys):
    farm("north", plan_row(1, hours=18.0))
    arguments = ("--hours-per-day", "8", "--from", "2026-10-31", "--days", "3")
    assert order("north", *arguments, "--json") == 0
    starts = [row["start"] for row in told(capsys)["order"]]
    assert starts == [
        "2026-10-31T08:15-05:00", "2026-11-01T08:00-06:00", "2026-11-02T08:00-06:00"
    ]  # fmt: skip
