"""field.toml: every key has a type, a range, a sentence when wrong, and a page."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.field.strict import other_units
from trafficmap.field.toml import TABLES, FieldToml, parse_field_toml, read_field_toml

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reference" / "field_toml.md"


def parse(text: str) -> FieldToml:
    return parse_field_toml(('[field]\nname = "a"\n' + text).encode())


def test_a_name_is_enough():
    keys = parse("")
    assert keys.field.name == "a"
    assert keys.schema == 1
    assert keys.log == ()


def test_the_whole_example_is_understood():
    keys = parse(
        """
        season = 2026
        time_zone = "America/Chicago"
        units = "us"
        [crop]
        now = "corn"
        harvested = 2026-10-20
        fall_pass = "none"
        [[log]]
        file = "a.csv"
        machine = "combine"
        columns = { speed = "spd" }
        [machine.combine]
        class = "combine_large"
        mass.empty_kg = 19000
        pressure_kpa = { front = 200 }
        [machine.cart]
        class = "tractor_articulated"
        trails = [{ class = "grain_cart_single", mass.empty_kg = 9000 }]
        """
    )
    assert keys.log[0].columns == {"speed": "spd"}
    assert keys.machine["combine"]["mass"] == {"empty_kg": 19000}
    assert keys.machine["cart"]["trails"][0]["class"] == "grain_cart_single"


@pytest.mark.parametrize(
    ("text", "sentence", "hint"),
    [
        ("seson = 2026", "field.seson is not a known key.", "write field.season"),
        ("[crop]\nyield_t_ha = -3", "crop.yield_t_ha is -3, need a number, above", ""),
        ('[crop]\nyield_t_ha = "12 t"', 'crop.yield_t_ha is "12 t"', "without quotes"),
        ('[crop]\nno_till = "yes"', 'crop.no_till is "yes", need true or false.', ""),
        (
            'units = "metrc"',
            'field.units is "metrc", need one of us, metric.',
            '"metric"',
        ),
        ("[log]\nfile = 3", "log is a table, need a list of tables.", "[[log]]"),
        (
            "[[log]]\nmachine = 'x'",
            "log[1].file is missing, need the file",
            "file = ...",
        ),
        ("[machine]\ncart = 3", "machine.cart is 3, need a table.", ""),
        ("[soil]\ntexture = 'clai'", 'soil.texture is "clai", need one of', '"clay"'),
        ("rows_heading_deg = 400", "field.rows_heading_deg is 400", "mend"),
        ("[weather]", "weather.file is missing, need the table of daily", "file = ..."),
        ("[tile]\nstate = 'known'", "tile.cover_m is missing", "position_only"),
        ("[soil]\nsand_pct = 3", "soil.clay_pct must come together", "give both"),
        ("[soil]\ncomponents = 'c.csv'", "without soil.horizons", "horizons"),
        ("[crop]\nprice_per_t = 1\nprice_per_bu = 1", "are both given", "keep one"),
        (
            "end_row_width_m = 3\nend_row_width_ft = 10",
            "given twice, in two units",
            "end_row_width_m",
        ),
        (
            "[[tool]]\nname = 'x'\nwidth_m = 5\nshanks = 7\ndepth_min_m = 0.5\n"
            "depth_max_m = 0.3",
            "tool[1] goes from 0.5 m to 0.3 m",
            "swap",
        ),
        (
            "[[log]]\nfile = 'a'\nmachine = 'b'\nepoch = 'x'",
            "log[1].epoch is 'x'",
            "day",
        ),
    ],
)
def test_a_wrong_key_is_named_by_its_path(text, sentence, hint):
    with pytest.raises(SettingsError, match=re.escape(sentence)) as caught:
        parse(text)
    assert hint in (caught.value.hint or "")
    assert str(caught.value).startswith("field.toml: ")
    assert caught.value.exit_code == 3


def test_list_entries_are_counted_from_one():
    text = "[[log]]\nfile = 'a'\nmachine = 'b'\n[[log]]\nfil = 'c'\nmachine = 'b'"
    with pytest.raises(SettingsError, match=re.escape("log[2].fil ")) as caught:
        parse(text)
    assert caught.value.hint == "write log[2].file"


@pytest.mark.parametrize(
    ("text", "where", "value"),
    [
        ("end_row_width_ft = 100", ("field", "end_row_width_m"), 30.48),
        ("frost_in = 2", ("field", "frost_cm"), 5.08),
        ("[price]\nripping_per_ac = 27", ("price", "ripping_per_ha"), 66.7184),
        ("[price]\ndiesel_per_gal = 4", ("price", "diesel_per_l"), 1.056688),
        ("[crop]\nyield_lb_ac = 8922", ("crop", "yield_t_ha"), 10.000234),
    ],
)
def test_a_number_may_come_in_another_unit(text, where, value):
    table = getattr(parse(text), where[0])
    assert getattr(table, where[1]) == pytest.approx(value, rel=1e-5)


def test_gallons_an_acre_become_cubic_metres_a_hectare():
    keys = parse("[[liquid]]\nmachine = 'x'\nrate_gal_ac = 10000")
    # 10 000 x 3.785411784 L / 0.40468564224 ha = 93.54 m3/ha
    assert keys.liquid[0].rate_m3_ha == pytest.approx(93.5396, abs=1e-4)


def test_a_unit_of_another_kind_is_no_known_key():
    with pytest.raises(SettingsError, match=re.escape("field.frost_kg is not a known")):
        parse("frost_kg = 2")


def test_other_units_of_a_key():
    assert "width_ft" in other_units("width_m")
    assert other_units("name") == ["name"]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"name = \xff", "line 1 holds a letter that is not UTF-8"),
        (b"[field\n", "cannot be read"),
        (b"schema = 2", "schema is 2, need 1"),
        (b"schema = true", "schema is True, need 1"),
        (b"field = 3", "field is 3, need a table"),
        (b"", "field is missing, need a table [field] with a name"),
    ],
)
def test_a_file_that_is_no_field_toml(content, sentence):
    with pytest.raises(SettingsError, match=re.escape(sentence)):
        parse_field_toml(content)


def test_a_byte_order_mark_is_no_fault():
    assert parse_field_toml(b'\xef\xbb\xbf[field]\nname = "a"').field.name == "a"


def test_no_file_says_how_to_make_one(tmp_path):
    with pytest.raises(InputError, match=r"holds no field\.toml") as caught:
        read_field_toml(tmp_path)
    assert "trafficmap new" in caught.value.hint


def test_a_huge_file_is_refused(tmp_path):
    (tmp_path / "field.toml").write_bytes(b"#" * (2**20 + 1))
    with pytest.raises(InputError, match="need 1,048,576 at most"):
        read_field_toml(tmp_path)


def test_every_key_is_on_its_page():
    page = PAGE.read_text(encoding="utf-8")
    sections = re.split(r"^## ", page, flags=re.M)
    for table, kind in TABLES.items():
        section = next(
            s for s in sections if s.startswith((f"[{table}]", f"[[{table}]]"))
        )
        keys = {field.name for field in msgspec.structs.fields(kind)}
        listed = set(re.findall(r"^\| `([a-z0-9_]+)`", section, flags=re.M))
        assert listed == keys, table
    names = {field.name for field in msgspec.structs.fields(FieldToml)}
    assert names == {*TABLES, "schema", "machine"}
    assert "## [machine.NAME]" in page
