"""A silage season by one machine, as a new user would map it: new, check, run.

The machine counted its own worked area and distance. The publisher moved dates and
places; areas therefore come from geometry and never from an attribute.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
import shapely

from trafficmap import tracks
from trafficmap.cli import run_command
from trafficmap.core.settings import Settings
from trafficmap.field import read_field
from trafficmap.outputs.run_folder import read_run

pytestmark = pytest.mark.real

ODD = {13_900.0: 14_267.0, 13_400.0: 13_839.0}
"""Two tasks by their counted area [m2], and the area [m2] that the machine's distance
counter times its logged width gives there: its two counters are 2.6 and 3.3 % apart."""

AREA, DISTANCE = 0.03, 0.05


@pytest.fixture(scope="module")
def season(shared_data, tmp_path_factory):
    """A folder a field, as `new` writes them."""
    folder = tmp_path_factory.mktemp("silage") / "season"
    assert run_command(["new", str(folder), str(shared_data / SET)]) == 0
    return folder


SET = "isoxml_forage_harvest"


@pytest.fixture(scope="module")
def driven(season):
    """Every field, its split fixes and its passes."""
    settings = Settings().tracks
    found = []
    for place in sorted(season.iterdir()):
        field, _ = read_field(place)
        ground = {"boundary": field.boundary, "machines": field.machines}
        fixes, _ = tracks.clean(field.fixes, **ground, settings=settings)
        fixes, passes, _ = tracks.split(fixes, **ground, settings=settings)
        found.append((field, fixes, passes))
    return found


def test_one_folder_a_field_and_each_checks(season, type_command):
    places = sorted(season.iterdir())
    assert len(places) == 14
    for place in places:
        said = type_command("check", place)
        assert said.code == 0
        assert "time_zone" in said.out  # the zone the clock was set to is asked for
        assert "forage harvester" in said.out


def test_worked_area_and_distance_meet_the_machines_counters(driven):
    for field, fixes, _ in driven:
        (source,) = field.logs
        (row,) = tracks.worked(fixes).to_dict("records")
        counted = source.counters
        area = ODD.get(counted["area"], counted["area"])
        assert row["area"] == pytest.approx(area, rel=AREA), field.name
        assert row["distance"] == pytest.approx(counted["distance"], rel=DISTANCE)


def test_fields_of_one_stated_area_stay_two_fields(driven):
    # T5 and T15 carry the same area attribute and the same count, 17 900 m2.
    alike = [f for f, _, _ in driven if f.logs[0].counters["area"] == 17_900.0]
    assert len(alike) == 2
    assert abs(alike[0].area - alike[1].area) > 100.0
    apart = shapely.distance(alike[0].boundary, alike[1].boundary)
    assert alike[0].epsg != alike[1].epsg or apart > 100.0


def test_road_trips_are_in_no_pass(driven):
    margin = Settings().tracks.boundary_margin
    for field, fixes, passes in driven:
        road = (fixes["state"] == "road").to_numpy()
        number = fixes["pass_id"].to_numpy()
        assert (number[road] == -1).all()
        near = field.boundary.buffer(margin + 1.0)
        shapely.prepare(near)
        east, north = fixes["easting"].to_numpy(), fixes["northing"].to_numpy()
        inside = shapely.contains_xy(near, east, north)
        assert inside[number >= 0].all(), field.name
        assert set(passes["state"]) <= {"working", "turning", "hauling", "loading"}


def test_the_field_left_switched_on_runs(season, tmp_path, type_command):
    place = next(p for p in sorted(season.iterdir()) if _counted(p) == 13_900.0)
    said = type_command("run", place, "-o", tmp_path / "out", "--strict")
    assert said.code == 4  # no soil, no weather, no zone: the stop notes stand
    assert "Not assessed: 1.00 of 1.00 ha. Rip nothing." in said.out
    run = read_run(tmp_path / "out")
    (row,) = run["totals"]["worked"]
    assert row["area"] == pytest.approx(ODD[13_900.0], rel=AREA)
    # Two tyres of about 0.8 m on a 9 m swath run over 18 %; turns on top.
    assert 0.18 < run["totals"]["run_over_share"] < 0.36
    assert run["totals"]["heaviest_axle_kg"] < 16_000.0


def test_with_soil_weather_and_zone_the_risk_is_known(season, tmp_path, type_command):
    """The smallest field, real tracks under invented weather."""
    place = next(p for p in sorted(season.iterdir()) if _counted(p) == 7_500.0)
    keys = (place / "field.toml").read_text(encoding="utf-8")
    year = int(keys.split("season = ")[1][:4])
    keys = keys.replace("# time_zone =", 'time_zone = "Europe/Berlin" #', 1)
    keys += '\n[soil]\ntexture = "silt loam"\n[weather]\nfile = "weather.csv"\n'
    home = tmp_path / "full"
    home.mkdir()
    (home / "field.toml").write_text(keys, encoding="utf-8")
    outline = (place / "boundary.geojson").read_text(encoding="utf-8")
    (home / "boundary.geojson").write_text(outline, encoding="utf-8")
    days = [dt.date(year, 1, 1) + dt.timedelta(days=k) for k in range(366)]
    rows = [f"{day},{6.0 * (k % 3 == 0)},8,19" for k, day in enumerate(days)]
    text = "date,rain_mm,t_min_c,t_max_c\n" + "\n".join(rows) + "\n"
    (home / "weather.csv").write_text(text, encoding="utf-8")
    said = type_command("run", home, "-o", tmp_path / "out")
    assert said.code == 0, said.err
    run = read_run(tmp_path / "out")
    assert not [note for note in run["notes"] if note["code"] == "clock.zone_missing"]
    assert "Not assessed" not in run["sentence"]
    zones = [zone for zone in run["zones"] if zone["zone"] > 0]
    assert zones
    assert all(np.isfinite(zone["probability"]) for zone in zones)


def _counted(place):
    field, _ = read_field(place)
    return field.logs[0].counters["area"]
