"""Ditch sixty: the files can be read by others, and the dirt is really in them."""

from __future__ import annotations

import datetime as dt
import io
import struct
import tomllib

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from sample_fields import places as at
from sample_fields.make import names, write_sample
from trafficmap.core.errors import InputError


def test_the_same_bytes_every_time(ditch, tmp_path):
    again = write_sample(tmp_path / "again")
    files = sorted(p.relative_to(ditch) for p in ditch.rglob("*") if p.is_file())
    assert files == sorted(
        p.relative_to(again) for p in again.rglob("*") if p.is_file()
    )
    for name in files:
        assert (ditch / name).read_bytes() == (again / name).read_bytes(), name


def test_an_unknown_field_is_refused_by_name(tmp_path):
    with pytest.raises(InputError, match="got 'nowhere', need one of ditch_sixty"):
        write_sample(tmp_path, "nowhere")
    assert names()[0] == "ditch_sixty"


def test_all_that_field_toml_names_is_there(ditch):
    toml = tomllib.loads((ditch / "field.toml").read_text())
    assert toml["field"]["invented"] is True
    named = [log["file"] for log in toml["log"]]
    named += [toml[key]["file"] for key in ("weather", "dug")]
    named += [toml["soil"]["map"], toml["soil"]["horizons"], toml["field"]["boundary"]]
    named += [entry["file"] for entry in toml["keep_out"]]
    for machine in toml["machine"].values():
        named += [machine["file"]] if "file" in machine else []
        named += [body["file"] for body in machine.get("trails", ())]
    assert [name for name in named if not (ditch / name).exists()] == []
    assert {log["machine"] for log in toml["log"]} == set(toml["machine"])


def test_nothing_lies_after_the_season(ditch):
    weather = pd.read_csv(ditch / "weather.csv", parse_dates=["date"])
    assert weather["date"].max() < pd.Timestamp("2026-11-24")
    assert (weather["date"].diff().dropna() == pd.Timedelta(days=1)).all()
    assert (weather["tmin_c"] < weather["tmax_c"]).all()
    assert (weather["rain_mm"] >= 0).all()
    rain = weather.set_index("date")["rain_mm"]
    # Dry before the first harvest, wet before the second.
    assert rain["2026-08-20":"2026-10-02"].sum() < 40
    assert rain["2026-10-03":"2026-10-14"].sum() > 120


def test_boundary_and_soil_are_read_by_geopandas(ditch):
    boundary = gpd.read_file(ditch / "boundary.geojson", engine="pyogrio")
    metric = boundary.to_crs(at.EPSG)
    assert metric.area.sum() == pytest.approx(240_000.0, rel=1e-6)
    soil = gpd.read_file(ditch / "soil.geojson", engine="pyogrio").to_crs(at.EPSG)
    assert soil.area.sum() == pytest.approx(240_000.0, rel=1e-6)
    horizons = pd.read_csv(ditch / "horizons.csv")
    assert set(horizons["soil_unit"]) == set(soil["soil_unit"])
    sums = horizons[["sand_pct", "silt_pct", "clay_pct"]].sum(axis=1)
    assert (sums == 100).all()


def test_the_cart_is_a_geopackage_of_points(ditch, truth):
    points = gpd.read_file(ditch / "logs" / "cart_1002.gpkg", engine="pyogrio")
    faults = truth["log_faults"]["cart_1002.gpkg"]
    assert len(points) == faults["rows"]
    assert set(points.geom_type) == {"Point"}
    time = pd.to_datetime(points["timestamp"])
    # The receiver was off for five minutes.
    assert time.sort_values().diff().max() >= pd.Timedelta(seconds=300)


def test_the_yield_log_has_repeats_gaps_and_a_jump(ditch, truth):
    table = pd.read_csv(
        ditch / "logs" / "combine_1002.csv", skiprows=1, encoding="utf-8-sig"
    )
    faults = truth["log_faults"]["combine_1002.csv"]
    repeats = table.duplicated().sum()
    assert repeats == faults["rows_repeated"] > 0
    stamp = pd.to_datetime(table["Date"] + " " + table["Time"], format="mixed")
    assert (stamp.diff().dt.total_seconds() > 2).sum() >= faults["gaps"] - 1
    east = table["Longitude"].diff() * 83_700.0
    assert ((east > 55) & (east < 75)).sum() == 1
    mass = table.drop_duplicates()["Mass Flow (lb/s)"].sum() * 0.45359237
    grain = sum(
        t["mass_kg"]
        for t in truth["transfers"]
        if t["kind"] == "combine to cart" and t["start"].startswith("2026-10-02")
    )
    # 1 Hz, noise of 5 % that averages out, and what the gaps hide.
    assert mass == pytest.approx(grain, rel=0.01)


def test_the_trailer_log_has_commas_and_a_row_of_units(ditch):
    text = (ditch / "logs" / "trailer_0908.csv").read_bytes().decode("cp1252")
    lines = text.splitlines()
    assert lines[1] == ";;deg;deg;km/h"
    body = "\n".join([lines[0], *lines[2:]])
    table = pd.read_csv(io.StringIO(body), sep=";", decimal=",")
    assert table["Breite"].between(41.2, 41.4).all()
    assert table["Laenge"].between(-84.1, -84.0).all()


def test_the_tanker_clock_runs_ahead(ditch, happened):
    table = pd.read_csv(ditch / "logs" / "tanker_1104.csv", sep="\t")
    (track,) = [t for t in happened.tracks if t.machine == "tanker"]
    first = pd.to_datetime(table["DateTime"].iloc[0]).tz_localize("America/New_York")
    true = dt.datetime.fromtimestamp(track.motion.time[0], dt.UTC)
    toml = tomllib.loads((ditch / "field.toml").read_text())
    (entry,) = [log for log in toml["log"] if log["machine"] == "tanker"]
    assert (first - true).total_seconds() + entry["clock_offset_s"] == 0.0


def test_the_fence_strip_log_holds_no_date(ditch):
    table = pd.read_csv(ditch / "logs" / "fence_strip.csv")
    assert list(table.columns) == ["lat", "lon", "time (s)"]
    assert table["time (s)"].iloc[0] == 0


def test_the_binary_log_walks_to_its_last_byte(ditch, truth):
    data = (ditch / "logs" / "TASKDATA" / "TLG00001.BIN").read_bytes()
    place, records, utc = 0, 0, []
    while place < len(data):
        ms, day, north, east = struct.unpack_from("<IHii", data, place)
        utc_ms, utc_day, count = struct.unpack_from("<IHB", data, place + 18)
        assert north / 1e7 == pytest.approx(41.3, abs=0.01)
        assert east / 1e7 == pytest.approx(-84.047, abs=0.01) or records
        utc.append(utc_day * 86_400 + utc_ms / 1000)
        # Eastern standard time in November: the record clock is 5 h behind UTC.
        assert utc[-1] - (day * 86_400 + ms / 1000) == 5 * 3600
        place += 25 + 5 * count
        records += 1
    assert place == len(data)
    assert records == truth["log_faults"]["TASKDATA"]["rows"]
    assert np.diff(utc).min() >= 0


def test_probe_pairs_stand_in_and_beside_tracks(ditch):
    table = pd.read_csv(ditch / "dug.csv")
    probes = table[table["kind"] == "probe"]
    each = probes.groupby(["point", "wheeled"]).size()
    assert (each == 24).all()
    assert (probes.drop_duplicates("point")["wheeled"].value_counts() == 90).all()
    rip = probes[probes["point"].str.match(r"middle_(south|centre)-")]
    hard = rip[(rip["wheeled"] == 1) & (rip["value_psi"] > 300)]
    deepest = hard.groupby("point")["depth_in"].max()
    assert deepest.median() == 10
    beside = rip[rip["wheeled"] == 0]["value_psi"]
    assert (beside < 300).all()


def test_machine_files_give_the_true_axle_loads(ditch):
    """The package's own statics agree with the lever arms behind the truth."""
    machines = pytest.importorskip("trafficmap.machines")
    toml = tomllib.loads((ditch / "field.toml").read_text())
    for name, table in toml["machine"].items():
        machine, notes = machines.read_machine(table, name=name, folder=ditch)
        assert [n.sentence for n in notes if n.severity == "stop"] == []
        if name != "hauler":
            assert machine.assumed == (), name
