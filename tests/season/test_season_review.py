"""Did it pay: made-up harvests whose answer is known."""

from __future__ import annotations

import json
import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.settings.season import SeasonSettings
from trafficmap.formats.rawlog import RawLog
from trafficmap.season.review import interval, review, strips_wanted
from trafficmap.season.yields import require_later, yield_readings

EAST, NORTH = 500_000.0, 4_500_000.0
WIDTH = 9.144
STRIPS = (4, 10, 16, 22)
"""Passes of the combine that are check strips, each three headers wide."""

CHOICES = SeasonSettings()


def zones(strips=STRIPS, advice="rip", wide=3.0):
    """Return a field 28 headers wide with strips left in it."""
    field = shapely.box(EAST, NORTH, EAST + 28 * WIDTH, NORTH + 400.0)
    left = [
        shapely.box(
            EAST + (k + 0.5 - wide / 2) * WIDTH,
            NORTH,
            EAST + (k + 0.5 + wide / 2) * WIDTH,
            NORTH + 400.0,
        )
        for k in strips
    ]
    body = field.difference(shapely.union_all(left)) if left else field
    rows = [(1, "body", advice, body)] + [(0, "strip", "leave", s) for s in left]
    return gpd.GeoDataFrame(
        [row[:3] for row in rows],
        columns=["zone", "kind", "advice"],
        geometry=[row[3] for row in rows],
        crs=32616,
    )


def readings(gain, *, spread=0.0, strips=STRIPS, seed=1, along=0.0):
    """Return a harvest at 1 kg/m2, ``gain`` more where treated, patchy by strip."""
    random = np.random.default_rng(seed)
    rows = []
    for k in range(28):
        near = any(abs(k - s) <= 1 for s in strips)
        patch = random.normal(0.0, spread) if near and k in strips else 0.0
        for y in np.arange(2.0, 399.0, 2.0):
            value = 1.0 + (0.0 if near else gain)
            patch_here = patch if near else 0.0
            wave = along * math.sin(y / 40.0)
            rows.append(
                (EAST + (k + 0.5) * WIDTH, NORTH + y, value + patch_here + wave)
            )
    frame = pd.DataFrame(rows, columns=["easting", "northing", "value"])
    area = 2.0 * WIDTH
    return pd.DataFrame(
        {
            "easting": frame["easting"],
            "northing": frame["northing"],
            "mass": frame["value"] * area,
            "area": area,
            "width": WIDTH,
        }
    )


def asked(gain, *, cost=0.005, price=0.16, **more):
    return review(
        zones(), readings(gain, **more), price=price, cost=cost, settings=CHOICES
    )


def test_an_even_gain_is_found_to_the_gram_and_pays():
    found = asked(0.05)
    assert found.difference == pytest.approx(0.05, abs=1e-9)
    assert found.net == pytest.approx(0.05 * 0.16 - 0.005)
    assert found.verdict == "paid"
    assert found.pairs["used"].all()
    assert len(found.pairs) == 4
    assert found.area == pytest.approx((28 - 12) * WIDTH * 400.0)


def test_nothing_gained_did_not_pay():
    found = asked(0.0)
    assert found.verdict == "did not pay"
    assert found.net_high == pytest.approx(-0.005)


def test_patchy_ground_cannot_tell_and_says_how_many_strips_would():
    found = asked(0.04, spread=0.05)
    assert found.verdict == "cannot tell yet"
    assert found.net_low < 0.0 < found.net_high
    assert found.strips_wanted is None or found.strips_wanted > 4
    assert "spans its cost" in found.sentence


def test_many_alike_readings_do_not_make_it_surer():
    """A wave along the rows is in both and cancels; it is no repeat either."""
    even, wave = asked(0.05), asked(0.05, along=0.3)
    assert wave.difference == pytest.approx(even.difference, abs=1e-6)
    one = readings(0.04, spread=0.05)
    twice = pd.concat([one, one], ignore_index=True)
    told = {"price": 0.16, "cost": 0.005, "settings": CHOICES}
    first, second = review(zones(), one, **told), review(zones(), twice, **told)
    width = first.net_high - first.net_low
    assert second.net_high - second.net_low == pytest.approx(width)


def test_the_interval_is_that_of_the_textbook():
    """Differences 0.5, 1.5, 2.5, 3.5: t(0.95, 3) = 2.353, s = 1.291 (a t table)."""
    mean, half = interval(np.array([0.5, 1.5, 2.5, 3.5]), confidence=0.90)
    assert mean == 2.0
    assert half == pytest.approx(2.353 * 1.2909944 / 2.0, rel=3e-4)


def test_the_interval_holds_the_truth_as_often_as_it_says():
    random = np.random.default_rng(3)
    hits = 0
    for _ in range(2000):
        mean, half = interval(random.normal(1.0, 2.0, 4), confidence=0.90)
        hits += abs(mean - 1.0) <= half
    assert hits / 2000 == pytest.approx(0.90, abs=0.02)


def test_strips_wanted_is_the_first_number_that_clears_the_edge():
    values = np.array([0.0, 2.0, 1.0, 3.0])
    n = strips_wanted(values, edge=0.5, confidence=0.9)
    from scipy.stats import t

    spread = values.std(ddof=1)

    def half(count):
        return t.ppf(0.95, count - 1) * spread / math.sqrt(count)

    assert half(n) < 1.0 <= half(n - 1)
    assert strips_wanted(values, edge=1.5, confidence=0.9) is None


def test_too_few_strips_never_give_a_verdict():
    left = STRIPS[:2]
    found = review(
        zones(left),
        readings(0.5, strips=left),
        price=0.16,
        cost=0.0,
        settings=CHOICES,
    )
    assert found.verdict == "cannot tell yet"
    assert "2 of 2 strips can be compared, at least 3 are needed" in found.sentence
    assert math.isnan(found.net_low)


def test_a_header_wider_than_the_strip_is_said():
    found = review(
        zones(wide=0.5), readings(0.05), price=0.16, cost=0.005, settings=CHOICES
    )
    assert not found.pairs["used"].any()
    (note,) = [n for n in found.notes if n.code == "review.strip_left_out"]
    assert "the header was wider than the strip" in note.sentence
    assert "Strips 1, 2, 3, 4" in note.sentence


def test_without_a_price_only_yields_are_compared():
    found = asked(0.05, price=math.nan)
    assert found.verdict == "cannot tell yet"
    assert found.sentence == "Cannot tell yet: the price of the crop is not known."
    assert found.difference == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("ground", "harvest", "sentence"),
    [
        (zones(advice="leave"), readings(0.05), "nothing in this run was to be ripped"),
        (zones(()), readings(0.05), "this run left no check strip"),
        (
            zones(),
            readings(0.05).assign(easting=700_000.0),
            "the harvest logs lie on another field",
        ),
        (zones(), readings(0.05).iloc[:0], "no reading in the harvest logs"),
    ],
)
def test_misuse_gets_its_sentence(ground, harvest, sentence):
    with pytest.raises(InputError, match=sentence):
        review(ground, harvest, price=0.16, cost=0.005, settings=CHOICES)


def test_a_few_wild_readings_do_not_count():
    wild = readings(0.05)
    wild.loc[::50, "mass"] *= 30.0
    found = review(zones(), wild, price=0.16, cost=0.005, settings=CHOICES)
    assert found.difference == pytest.approx(0.05, abs=1e-6)


def raw_log(tmp_path, *, late=0.0, gain=0.1, moisture=0.155):
    """Return one row north and one south; the southern half yields more."""
    from pyproj import Transformer

    to_place = Transformer.from_crs(32616, 4326, always_xy=True)
    east, north, down = [], [], []
    for k in range(14):
        way = np.arange(0.0, 400.0, 2.0)
        way = way if k % 2 == 0 else way[::-1]
        # It turns for thirty seconds, the header up.
        east += [EAST + (k + 0.5) * WIDTH] * way.size
        east += (EAST + (k + 0.5 + np.arange(1, 31) / 30) * WIDTH).tolist()
        north += [*way, *np.full(30, way[-1])]
        down += [1.0] * way.size + [0.0] * 30
    east, north, down = np.array(east), np.array(north) + NORTH, np.array(down)
    seconds = np.arange(east.size, dtype=float) + 1.8e9
    value = 1.0 + gain * (north < NORTH + 200.0)
    flow = np.where(down > 0, value * WIDTH * 2.0, 0.0)
    flow = np.interp(seconds - late, seconds, flow)
    longitude, latitude = to_place.transform(east, north)
    table = pd.DataFrame(
        {
            "longitude": longitude,
            "latitude": latitude,
            "seconds": seconds,
            "row": np.arange(1, east.size + 1),
            **dict.fromkeys(
                ("speed", "heading", "altitude", "fix_quality", "tank_mass"), np.nan
            ),
            "width": WIDTH,
            "work_state": down,
            "mass_flow": flow,
            "moisture": moisture,
            "application_rate": np.nan,
        }
    )
    return RawLog(
        table=table, path=tmp_path / "harvest.csv", kind="text", part="", clock="utc"
    )


def test_a_delay_of_the_grain_is_taken_out(tmp_path):
    log = raw_log(tmp_path, late=12.0)
    table, notes = yield_readings([log], epsg=32616, settings=CHOICES)
    south = table["northing"] < NORTH + 198.0
    value = table["mass"] / table["area"]
    assert value[south].median() == pytest.approx(1.1, rel=1e-3)
    assert value[~south & (table["northing"] > NORTH + 204.0)].median() == (
        pytest.approx(1.0, rel=1e-3)
    )
    (note,) = notes
    assert note.code == "review.lag_found"
    assert "12 s" in note.sentence


def test_wet_grain_is_put_to_trade_moisture(tmp_path):
    log = raw_log(tmp_path, moisture=0.24)
    table, _ = yield_readings(
        [log], epsg=32616, settings=CHOICES, moisture=0.155, lag=0.0
    )
    south = table["northing"] < NORTH + 198.0
    value = (table["mass"] / table["area"])[south].median()
    assert value == pytest.approx(1.1 * (1 - 0.24) / (1 - 0.155), rel=1e-6)


def test_row_ends_are_left_out(tmp_path):
    table, _ = yield_readings(
        [raw_log(tmp_path)], epsg=32616, settings=CHOICES, lag=0.0
    )
    assert table["northing"].min() >= NORTH + CHOICES.run_in
    assert table["northing"].max() <= NORTH + 400.0 - CHOICES.run_in


def test_a_harvest_before_the_work_is_refused(tmp_path):
    log = raw_log(tmp_path)
    assert require_later([log], "2026-11-04T15:36:17Z") == []
    with pytest.raises(InputError, match="was cut before the work was planned"):
        require_later([log], "2027-11-04T15:36:17Z")


def test_a_log_without_yield_is_refused(tmp_path):
    log = raw_log(tmp_path)
    log.table["mass_flow"] = np.nan
    with pytest.raises(InputError, match="tells no mass flow with a width"):
        yield_readings([log], epsg=32616, settings=CHOICES)


def test_the_answer_is_written_for_people_and_programs(tmp_path):
    from trafficmap.outputs.review_files import NAMES, write_review

    document = {
        "run": "abc",
        "prices": {"currency": "USD"},
        "field": {"name": "made up", "season": 2026, "units": "us", "invented": True},
    }
    found = asked(0.05)
    write_review(found, tmp_path, document=document, crop="corn")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(NAMES)
    text = (tmp_path / "review.txt").read_text(encoding="utf-8")
    # 0.05 kg/m2 is 8.0 bushels of 56 lb an acre.
    assert "Treated ground yielded 8.0 bu/ac more than the strips" in text
    assert "It paid" in text
    page = (tmp_path / "review.html").read_text(encoding="utf-8")
    assert "8.0 bu/ac" in page
    assert "http" not in page.replace("http-equiv", "")
    plain = json.loads((tmp_path / "review.json").read_text(encoding="utf-8"))
    net = plain["price"] * plain["difference"] - plain["cost"]
    assert plain["net"] == pytest.approx(net)
    assert plain["verdict"] == "paid"


def test_zones_only_tried_out_are_said():
    from trafficmap.core.settings import settings_from_dict
    from trafficmap.season.yields import assumed_notes

    assert assumed_notes(settings_from_dict({})) == []
    tried = settings_from_dict({"zones": {"assume_confirmed": 0.33}})
    (note,) = assumed_notes(tried)
    assert "layers assumed, nobody dug" in note.sentence
