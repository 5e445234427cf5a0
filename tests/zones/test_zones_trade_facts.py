"""What every operator knows, as scenarios: common practice, no source."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from trafficmap.field import read_field
from trafficmap.pipeline import redraw, run


def _builder():
    name = "decision_field"
    if name not in sys.modules:
        path = Path(__file__).with_name(f"{name}.py")
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


made = _builder()
Dug = made.Dug
GOOD = made.TinyField()
RIPPER = "depth_max_m = 0.5"
CORN = 'now = "corn"\nspring_pass = true\nfall_pass = "chisel"\n'


@pytest.fixture(scope="module")
def line():
    """Run a field; what was measured once is not measured again for its like."""
    measured = {}

    def of(told, folder, **replaced):
        home = told.write(folder)
        text = (home / "field.toml").read_text(encoding="utf-8")
        for old, new in replaced.values():
            assert old in text
            text = text.replace(old, new)
        (home / "field.toml").write_text(text, encoding="utf-8")
        field, _ = read_field(home)
        key = (told.machine, told.soil, told.rain, told.lanes, told.sections,
               told.end_rows)  # fmt: skip
        if key in measured:
            return redraw(measured[key], field=field)
        measured[key] = run(field)
        return measured[key]

    return of


def of_kind(result, kind):
    return result.zones[result.zones["kind"] == kind]


def test_a_shallow_pass_of_8_in_does_not_reach_damage_below_it_and_says_so(
    line, tmp_path
):
    dug = (Dug(layer=(6.0, 10.6)),)
    shallow = line(
        GOOD.changed(dug=dug), tmp_path / "a", tool=(RIPPER, "depth_max_m = 0.2032")
    )
    body = of_kind(shallow, "body")
    assert set(body["row"]) == {"D7"}
    assert body["reason"].str.contains(r"does not reach that deep, only 8 in").all()
    assert body["depth"].isna().all()
    assert np.nanmax(shallow.layers["work_depth"].values) == 0
    deep = line(GOOD.changed(dug=dug), tmp_path / "b")
    assert set(of_kind(deep, "body")["advice"]) == {"rip"}


def test_the_usual_fall_pass_is_not_taken_for_a_cure(line, tmp_path):
    chisel = GOOD.changed(dug=(), crop=GOOD.crop + "\nlast_tillage_depth_cm = 20.0")
    notes = {n.code: n.sentence for n in line(chisel, tmp_path / "a").notes}
    assert "(chisel) works about 8 in (20 cm) deep" in notes["zones.shallow_pass"]
    none = GOOD.changed(dug=(), crop='now = "corn"\nnext = "corn"')
    codes = [note.code for note in line(none, tmp_path / "b").notes]
    assert "zones.shallow_pass" not in codes


def test_packed_end_rows_are_zones_of_their_own_and_the_last_to_be_fit(line, tmp_path):
    told = GOOD.changed(end_rows=True, dug=(Dug(rolls=""),), rain=9.0)
    result = line(told, tmp_path / "a")
    units = result.units.table
    ends = units["kind"] == "end_rows"
    assert ends.sum() == 2
    chance = result.fit["p_fit"].to_numpy(dtype=float)
    body = (units["kind"] == "body").to_numpy()
    assert chance[ends.to_numpy()].max() <= chance[body].min()


def test_end_rows_that_fail_do_not_hold_up_the_body(line, tmp_path):
    ends = tuple(Dug(place=place, rolls="rolls") for place in made.ENDS)
    result = line(GOOD.changed(end_rows=True, dug=(Dug(), *ends)), tmp_path / "a")
    assert set(of_kind(result, "body")["advice"]) == {"rip"}
    failed = of_kind(result, "end_rows")
    assert set(failed["advice"]) == {"leave"}
    assert failed["reason"].str.contains("leave them till dry").all()


def test_overlaps_of_manure_are_split_off_and_later(line, tmp_path):
    told = GOOD.changed(lanes=(*made.LANES, 51.0, 57.0, 60.0), sections=made.LIQUID)
    result = line(told, tmp_path / "a")
    wet = of_kind(result, "overlap")
    assert len(wet)
    assert wet["further"].str.contains("test it by itself, days later").all()
    assert not of_kind(result, "body")["further"].str.contains("days later").any()


def test_a_pass_that_cannot_hold_its_depth_is_stopped_not_made_shallower(
    line, tmp_path
):
    result = line(GOOD.changed(dug=(Dug(trial="rides out"),)), tmp_path / "a")
    body = of_kind(result, "body")
    assert set(body["advice"]) == {"stop"}
    assert body["depth"].isna().all()
    assert body["further"].str.contains("a shallower pass only where").all()
    assert not len(result.plan)
    assert np.nanmax(result.layers["work_depth"].values) == 0


@pytest.mark.parametrize(
    ("now", "then"), [("corn", "soybean"), ("soybean", "corn")], ids="->".join
)
def test_no_deep_work_by_default_before_beans_or_in_their_stubble(
    line, tmp_path, now, then
):
    crop = GOOD.crop.replace('next = "corn"', f'next = "{then}"')
    crop = crop.replace('now = "corn"', f'now = "{now}"')
    told = GOOD.changed(crop=crop, end_rows=True)
    result = run(read_field(told.write(tmp_path / "a"))[0])
    work = result.zones[result.zones["kind"].isin(["body", "end_rows"])]
    assert set(work["row"]) == {"D10"}
    assert not len(result.plan)


def test_beans_are_ripped_only_where_the_owner_says_so_and_residue_was_counted(
    line, tmp_path
):
    crop = GOOD.crop.replace('next = "corn"', 'next = "soybean"')
    prices = "\nyield_t_ha = 4.0\nprice_per_t = 500.0\nloss_reachable_pct = 12.0"
    on = crop + prices + "\nsoybean_allowed = true"
    assert set(of_kind(line(GOOD.changed(crop=on), tmp_path / "a"), "body")["row"]) == {
        "D10"
    }
    counted = GOOD.changed(crop=on + "\nresidue_counted_pct = 45.0")
    assert set(of_kind(line(counted, tmp_path / "b"), "body")["row"]) == {"D5"}


def test_a_sandy_ridge_is_left_unless_a_pan_is_probed(line, tmp_path):
    sand = GOOD.changed(soil='texture = "loamy sand"', end_rows=True, rain=3.0)
    left = line(sand.changed(dug=()), tmp_path / "a")
    assert set(of_kind(left, "end_rows")["row"]) == {"D11"}
    probed = line(sand.changed(dug=(Dug(), *map(Dug, made.ENDS))), tmp_path / "b")
    assert "D11" not in set(of_kind(probed, "end_rows")["row"])
    assert set(of_kind(probed, "end_rows")["probed"]) == {"confirmed"}
