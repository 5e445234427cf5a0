"""A zip with several logs: each is named with the line that chooses it."""

from __future__ import annotations

import tomllib
import zipfile

import pytest

from trafficmap.cli import run_command
from trafficmap.core.errors import InputError
from trafficmap.field import read_field
from trafficmap.formats.archive import open_archive
from trafficmap.formats.logs import logs_in_zip, read_logs
from trafficmap.formats.vector import read_polygons
from trafficmap.formats.zipped import inner_file


def drive(*, east=0.0, count=60, minute=0):
    """Return a log that drives north at 1.5 m/s."""
    rows = ["longitude,latitude,time,speed_m_s"]
    for k in range(count):
        moment = f"2026-10-14T15:{minute + k // 60:02d}:{k % 60:02d}Z"
        rows.append(f"{-93.62 + east:.7f},{42.03 + 1.35e-5 * k:.7f},{moment},1.5")
    return "\n".join(rows) + "\n"


@pytest.fixture
def packed(tmp_path):
    """A zip with two logs, a text that is none, and what another system left."""
    path = tmp_path / "week.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("logs/combine.csv", drive())
        archive.writestr("logs/cart.csv", drive(east=0.0002, count=40))
        archive.writestr("readme.md", "what, ever")
        archive.writestr("__MACOSX/logs/._cart.csv", "x")
    return path


def test_the_refusal_holds_the_lines_to_paste(packed):
    assert logs_in_zip(packed) == ["combine.csv", "cart.csv"]
    with pytest.raises(
        InputError, match=r"holds 2 logs \(combine.csv, cart.csv\)"
    ) as e:
        read_logs(packed)
    assert 'as layer = "combine.csv" and layer = "cart.csv"' in e.value.hint
    lines = [tomllib.loads(line) for line, _ in e.value.choices]
    assert lines == [{"layer": "combine.csv"}, {"layer": "cart.csv"}]


def test_each_is_read_by_its_name(packed):
    for name, size in (("cart.csv", 40), ("logs/COMBINE.csv", 60)):
        (log,) = read_logs(packed, layer=name)
        assert len(log.table) == size
        assert log.path == packed
        assert log.part.casefold() == name.rpartition("/")[2].casefold()
    with pytest.raises(InputError, match=r"holds no 'carts.csv' among its logs") as e:
        read_logs(packed, layer="carts.csv")
    assert e.value.hint == 'write layer = "cart.csv"'


def test_names_that_are_alike_are_told_with_their_folders(tmp_path):
    path = tmp_path / "two.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("monday/log.csv", drive())
        archive.writestr('tues "day"/log.csv', drive(count=30))
    assert logs_in_zip(path) == ["monday/log.csv", 'tues "day"/log.csv']
    with pytest.raises(InputError) as e:
        read_logs(path)
    for (line, _), size in zip(e.value.choices, (60, 30), strict=True):
        (log,) = read_logs(path, layer=tomllib.loads(line)["layer"])
        assert len(log.table) == size


def test_new_writes_an_entry_for_each(packed, tmp_path, capsys):
    assert run_command(["new", str(tmp_path / "field"), str(packed)]) == 0
    capsys.readouterr()
    text = (tmp_path / "field" / "field.toml").read_text(encoding="utf-8")
    keys = tomllib.loads(text)
    assert [log["layer"] for log in keys["log"]] == ["combine.csv", "cart.csv"]
    # They drove at the same time, and their names say what they are.
    assert len({log["machine"] for log in keys["log"]}) == 2
    assert keys["machine"]["combine"]["class"].startswith("combine")
    field, notes = read_field(tmp_path / "field")
    assert [log.rows for log in field.logs] == [60, 40]
    assert [log.part for log in field.logs] == ["combine.csv", "cart.csv"]
    assert "log.twice" not in {note.code for note in notes}


def test_outlines_are_chosen_alike(tmp_path):
    path = tmp_path / "shapes.zip"
    ring = "[[[0,0],[{0},0],[{0},0.01],[0,0]]]"
    with zipfile.ZipFile(path, "w") as archive:
        for name, side in (("a.geojson", 0.01), ("b.geojson", 0.02)):
            shape = f'{{"type":"Polygon","coordinates":{ring.format(side)}}}'
            archive.writestr(name, shape)
    with pytest.raises(InputError, match="holds 2 files with shapes"):
        read_polygons(path)
    assert read_polygons(path, layer="b.geojson").total_bounds[2] == 0.02


LOG = b"time,latitude,longitude\n" + b"2026-01-01T00:00:00Z,42.0,-93.0\n" * 50
CSV = ("delimited text",)


@pytest.mark.parametrize(
    "names",
    [["a.csv", "a.csv/b.csv"], ["a.csv", "A.CSV/b.csv"], ["x" * 300 + ".csv"],
     ["a.csv", "."]],
)  # fmt: skip
def test_names_no_folder_can_hold_are_refused_before_anything_is_written(
    tmp_path, names
):
    path = tmp_path / "odd.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for name in names:
            packed.writestr(name, LOG)
    with pytest.raises(InputError, match=r"folder in it|none a computer can write"):
        open_archive(path)


@pytest.mark.parametrize(
    "method", [zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA]
)
def test_damage_at_any_byte_is_one_sentence(tmp_path, method):
    path = tmp_path / "damaged.zip"
    with zipfile.ZipFile(path, "w", method) as packed:
        packed.writestr("a.csv", LOG)
    whole = path.read_bytes()
    refused = 0
    for at in range(len(whole)):
        bent = bytearray(whole)
        bent[at] ^= 0xFF
        path.write_bytes(bent)
        try:
            with inner_file(path, kinds=CSV, what="logs") as (inner, _):
                inner.read_bytes()
        except InputError:
            refused += 1
    assert refused > len(whole) / 3
