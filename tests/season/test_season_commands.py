"""The two commands: what they write, and what they refuse in one sentence."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trafficmap.cli import run_command
from trafficmap.cli.sample import _sample_module
from trafficmap.field import read_field
from trafficmap.outputs.compare_files import NAMES


@pytest.fixture(scope="module")
def told(out, folder, tmp_path_factory):
    """Return the words of a comparison with one change, already run once."""
    field, _ = read_field(folder)
    (machine,) = field.machines
    place = tmp_path_factory.mktemp("next")
    changes = place / "changes.toml"
    changes.write_text(
        f"[hard]\npressure_times = {{ {machine} = 2.0 }}\nyearly_cost = 7\n"
    )
    new = str(place / "new")
    words = ["-q", "compare", str(out), "--change", str(changes), "-o", new]
    assert run_command(words) == 0
    return words


def test_the_command_writes_every_file_and_never_over_another(told, out, capsys):
    new = Path(told[-1])
    wanted = {"compare.csv", "compare.json", "compare.txt", "compare.html"}
    assert wanted <= {p.name for p in new.iterdir()} <= set(NAMES)
    document = json.loads((new / "compare.json").read_text(encoding="utf-8"))
    assert [row["change"] for row in document["seasons"]] == ["as it was", "hard"]
    assert document["run"] == json.loads((out / "run.json").read_text())["run"]
    table = pd.read_csv(new / "compare.csv")
    assert table["run_over"].iloc[0] == pytest.approx(118.0, rel=1e-4)
    page = (new / "compare.html").read_text(encoding="utf-8")
    assert "Run over" in page
    assert "hard" in page
    capsys.readouterr()
    assert run_command(told) == 3
    assert "holds a comparison already" in capsys.readouterr().err


def test_money_can_be_recomputed_from_the_file(told):
    text = (Path(told[-1]) / "compare.json").read_text(encoding="utf-8")
    document = json.loads(text)
    first, second = document["seasons"]
    value, loss = document["money"]["value"], document["money"]["loss"]
    assert value > 0.0
    assert first["deep"] > 0.0
    for row in (first, second):
        for name in ("", "_low", "_high"):
            lost = value * loss * row[f"deep{name}"]
            assert row[f"loss{name}"] == pytest.approx(lost)
    assert second["saved"] == pytest.approx(first["loss"] - second["loss"] - 7)
    assert second["deep"] >= first["deep"]


def test_a_changed_field_stops_the_command(tmp_path, capsys):
    folder = _sample_module().write_sample(tmp_path / "two", field="two_strips")
    place = tmp_path / "out"
    assert run_command(["-q", "run", str(folder), "-o", str(place)]) == 0
    toml = folder / "field.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n# new\n", encoding="utf-8")
    capsys.readouterr()
    assert run_command(["-q", "compare", str(place)]) == 3
    assert "field.toml is not what out was made from" in capsys.readouterr().err


def test_nothing_asked_is_a_typing_mistake(out):
    assert run_command(["compare", str(out), "--no-suggest"]) == 2


def test_review_of_a_run_that_ripped_nothing_says_so(out, tmp_path, capsys):
    log = tmp_path / "harvest.csv"
    log.write_text(
        "time,latitude,longitude,mass flow (kg/s),width (m)\n"
        "2031-10-01T10:00:00Z,41.0,-87.0,5.0,6.0\n"
        "2031-10-01T10:00:01Z,41.00001,-87.0,5.0,6.0\n"
        "2031-10-01T10:00:02Z,41.00002,-87.0,5.0,6.0\n",
        encoding="utf-8",
    )
    capsys.readouterr()
    assert run_command(["-q", "review", str(out), "--yield", str(log)]) == 3
    said = capsys.readouterr().err
    assert "nothing in this run was to be ripped" in said


@pytest.fixture(scope="module")
def worked(out, tmp_path_factory):
    """A run folder whose zones are a ripped field with four wide strips."""
    import hashlib

    import geopandas as gpd
    import shapely

    place = tmp_path_factory.mktemp("worked")
    document = json.loads((out / "run.json").read_text(encoding="utf-8"))
    epsg = document["field"]["epsg"]
    east, north = 500_000.0, 4_500_000.0
    strips = [
        shapely.box(east + x, north, east + x + 20.0, north + 300.0)
        for x in (40.0, 90.0, 140.0, 190.0)
    ]
    field = shapely.box(east, north, east + 250.0, north + 300.0)
    body = field.difference(shapely.union_all(strips))
    zones = gpd.GeoDataFrame(
        {
            "zone": [1, 2, 3, 4, 5],
            "kind": ["body", *["strip"] * 4],
            "advice": ["rip", *["leave"] * 4],
        },
        geometry=[body, *strips],
        crs=epsg,
    )
    zones.to_file(place / "field.gpkg", layer="zones", driver="GPKG")
    content = (place / "field.gpkg").read_bytes()
    document["outputs"]["field.gpkg"] = hashlib.sha256(content).hexdigest()
    document["field"]["crop"] |= {"next": "corn", "price": 0.16}
    document["prices"] |= {"currency": "USD", "ripping": 0.006}
    (place / "run.json").write_text(json.dumps(document), encoding="utf-8")
    return place, epsg


def harvest_file(path, epsg, gain):
    """Write a harvest of 1 kg/m2, more by `gain` where the ground was ripped."""
    from pyproj import Transformer

    rows = []
    for k in range(25):
        x = 5.0 + 10.0 * k
        strip = any(left < x < left + 20.0 for left in (40.0, 90.0, 140.0, 190.0))
        way = np.arange(1.0, 300.0, 2.0)
        for y in way if k % 2 == 0 else way[::-1]:
            rows.append((x, y, (1.0 + (0.0 if strip else gain)) * 10.0 * 2.0, 1))
        rows += [(x + j, rows[-1][1], 0.0, 0) for j in range(1, 10)]
    east, north, flow, down = np.array(rows).T
    to_place = Transformer.from_crs(epsg, 4326, always_xy=True)
    longitude, latitude = to_place.transform(east + 500_000.0, north + 4_500_000.0)
    time = pd.date_range("2031-10-01T08:00:00", periods=len(rows), freq="s")
    table = pd.DataFrame(
        {
            "time": time.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "latitude": latitude.round(8),
            "longitude": longitude.round(8),
            "mass flow (kg/s)": flow.round(4),
            "width (m)": 10.0,
            "work state": down.astype(int),
            "moisture (%)": 15.5,
        }
    )
    table.to_csv(path, index=False)


@pytest.mark.parametrize(("gain", "verdict"), [(0.1, "paid"), (0.0, "did not pay")])
def test_review_says_what_the_harvest_was_made_to_say(
    worked, tmp_path, capsys, gain, verdict
):
    place, epsg = worked
    log = tmp_path / "harvest.csv"
    harvest_file(log, epsg, gain)
    new = tmp_path / "review"
    words = ["-q", "review", str(place), "--yield", str(log), "-o", str(new)]
    capsys.readouterr()
    assert run_command([*words, "--cost", "60", "--price", "160", "--lag", "0"]) == 0
    document = json.loads((new / "review.json").read_text(encoding="utf-8"))
    assert document["verdict"] == verdict
    assert document["difference"] == pytest.approx(gain, abs=2e-3)
    # Metric field: 60 a hectare, 160 a tonne.
    assert document["net"] == pytest.approx(
        0.160 * document["difference"] - 60.0 / 1e4, rel=1e-6
    )
    assert len(document["strips"]) == 4
    assert all(strip["used"] for strip in document["strips"])
    shown = capsys.readouterr().out
    assert shown.splitlines()[2 if "Invented" not in shown else 4].startswith("It")


def test_zones_that_were_changed_are_refused(worked, tmp_path, capsys):
    import shutil

    place, epsg = worked
    other = tmp_path / "other"
    shutil.copytree(place, other)
    with open(other / "field.gpkg", "ab") as stream:
        stream.write(b"x")
    log = tmp_path / "harvest.csv"
    harvest_file(log, epsg, 0.1)
    capsys.readouterr()
    assert run_command(["-q", "review", str(other), "--yield", str(log)]) == 3
    assert "field.gpkg was changed since the run" in capsys.readouterr().err
