"""How far soil water may be off, and what a reading of moisture is worth."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from trafficmap.core.constants import COMPUTE_DEPTHS, GRAVITY
from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.tables import DUG
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.model import Crop, SoilMap, Tile
from trafficmap.risk import joint_spread
from trafficmap.soil import (
    carrying_loads,
    columns,
    correct,
    fit,
    run_water,
    wheel_capacity,
)
from trafficmap.soil.columns import LAYER_CENTRES
from trafficmap.soil.correct import moisture_readings
from trafficmap.soil.series import strength_at
from trafficmap.soil.spread import between_points, class_spread, rain_error

SETTINGS = SoilSettings()
GRID = FieldGrid(32616, 0.0, 4.0, 1.0, 4, 4)
DAY = "2026-10-20"


def soil_map(assumed=False):
    """Return two units side by side, silty clay loam and loam."""
    rows = []
    for unit, name in (("a", "silty clay loam"), ("b", "loam")):
        sand, clay = TEXTURE_CENTROIDS[name]
        rows.append(
            {
                "soil_unit": unit,
                "share": 1.0,
                "top": 0.0,
                "bottom": 1.0,
                "sand": sand,
                "clay": clay,
                "organic_matter": 0.02,
                "bulk_density": math.nan,
            }
        )
    units = gpd.GeoDataFrame(
        {"soil_unit": ["a", "b"], "name": ["a", "b"], "texture": "", "drained": None},
        geometry=[box(0, 0, 2, 4), box(2, 0, 4, 4)],
        crs=32616,
    )
    return SoilMap(units, pd.DataFrame(rows), assumed=assumed)


def weather():
    days = pd.date_range("2026-05-01", "2026-11-30")
    rain = np.where(np.arange(len(days)) % 6 == 0, 0.012, 0.0)
    return pd.DataFrame(
        {
            "date": days.astype("datetime64[s]"),
            "rain": rain,
            "t_min": 8.0,
            "t_max": 20.0,
        }
    )


def season(*, assumed=False, distance=None, liquid=(), settings=SETTINGS):
    found, _ = columns(
        soil_map(assumed), grid=GRID, liquid_layers=liquid, settings=settings
    )
    series, _ = run_water(
        found,
        weather=weather(),
        latitude=41.0,
        crop=Crop("corn"),
        tile=Tile("none"),
        station_distance=distance,
        settings=settings,
    )
    return series


@pytest.fixture(scope="module")
def plain():
    return season()


def reading(kind="moisture", value=0.30, *, depth=0.25, at=1.0, point="1", **more):
    row = {
        "point": point,
        "easting": at,
        "northing": 2.0,
        "date": pd.Timestamp(DAY),
        "kind": kind,
        "wheeled": math.nan,
        "depth": depth,
        "value": value,
        "finding": "calibrated" if kind == "moisture" else "",
    }
    return row | more


def dug(*rows):
    table = pd.DataFrame(list(rows)) if rows else DUG.empty()
    table["date"] = table["date"].astype("datetime64[s]")
    return table


# --- spread ------------------------------------------------------------------------


def test_each_source_is_told_and_the_whole_is_their_sum_of_squares(plain):
    parts = plain.account["spread"]
    assert set(parts) == {"retention", "texture", "weather", "model", "whole"}
    assert parts["texture"] == 0.0
    square = sum(parts[name] ** 2 for name in parts if name != "whole")
    assert parts["whole"] == pytest.approx(math.sqrt(square))
    assert parts["whole"] == pytest.approx(
        float(np.sqrt((plain.theta_sd**2).mean())), rel=1e-9
    )


def test_a_far_gauge_and_a_mere_class_say_less(plain):
    near = season(distance=0.0)
    assert (near.theta_sd <= plain.theta_sd + 1e-12).all()
    assert near.theta_sd.mean() < plain.theta_sd.mean()
    by_class = season(assumed=True)
    assert by_class.account["spread"]["texture"] > 0.01
    assert (by_class.theta_sd > plain.theta_sd).all()
    np.testing.assert_array_equal(by_class.theta, plain.theta)


def test_an_own_sample_is_no_mere_class():
    soil = soil_map(assumed=True)
    found, _ = columns(soil, grid=GRID, settings=SETTINGS)
    assert found.class_only
    sampled = soil.horizons.assign(clay=soil.horizons["clay"] + 0.01)
    found, _ = columns(
        SoilMap(soil.units, sampled, assumed=True), grid=GRID, settings=SETTINGS
    )
    assert not found.class_only


def test_rain_of_the_gauge_in_the_field_is_best_and_far_is_capped():
    errors = [rain_error(d, settings=SETTINGS) for d in (0.0, 5e3, 10e3, 20e3, 90e3)]
    assert errors[0] == pytest.approx(0.05)
    assert errors[1] == pytest.approx(math.hypot(0.05, 0.15))
    assert errors[3] == errors[4]
    assert (np.diff(errors[:4]) > 0).all()


def test_one_spread_for_all_if_somebody_wants_it():
    series = season(settings=SoilSettings(theta_spread=0.065))
    assert (series.theta_sd == 0.065).all()
    assert series.account["spread"] == {"whole": 0.065}


def test_spread_between_the_points_of_the_curve(plain):
    curve = plain.columns.curve
    given = {"full": 0.04, "middle": 0.05, "dry": 0.02}
    for theta, wanted in (
        (curve.theta_s, 0.04),
        (curve.theta_33, 0.05),
        (curve.theta_1500, 0.02),
        (0.5 * (curve.theta_33 + curve.theta_1500), 0.035),
        (0.5 * curve.theta_1500, 0.02),
    ):
        np.testing.assert_allclose(between_points(theta[None], curve, **given), wanted)


def test_within_a_class_the_curve_spreads_as_its_slopes_say(plain):
    full, middle, dry = class_spread(plain.columns, settings=SETTINGS)
    # Saxton & Rawls: theta_1500 rises by about 0.5 for clay, so 0.05 makes 0.027.
    assert dry[0] == pytest.approx(0.0265, abs=0.003)
    assert (middle > 0.01).all()
    assert (middle < 0.05).all()
    assert (full > 0.0).all()
    assert (full < 0.03).all()


def test_no_spread_is_wider_than_knowing_nothing():
    series = season(distance=20e3, settings=SoilSettings(rain_spread=(0.9, 0.9)))
    curve = series.columns.curve
    level = (curve.theta_s - curve.theta_1500) / math.sqrt(12)
    known = season(distance=0.0, settings=SoilSettings(rain_spread=(0.0, 0.0)))
    most = np.sqrt(level**2 + 0.05**2 + 0.04**2)
    assert (series.theta_sd <= most + 1e-12).all()
    assert (series.theta_sd >= known.theta_sd - 1e-12).all()


def test_liquid_does_not_run_the_weather_again_for_every_column(monkeypatch):
    import trafficmap.soil.spread as room

    calls = []
    real = room.solve_column

    def counted(found, column, **more):
        calls.append(column)
        return real(found, column, **more)

    monkeypatch.setattr(room, "solve_column", counted)
    layer = np.tile([0.0, 0.006, 0.0, 0.012], (4, 1))
    when = pd.Timestamp(f"{DAY} 12:00", tz="UTC").timestamp()
    series = season(liquid=[(when, layer, 0.12)])
    assert series.columns.size == 4
    # Evaporation, runoff and four seasons of rain for each of two soil units.
    assert len(calls) == 2 * 6
    assert set(calls) == {0, 2}
    wet = series.theta[series.day_of(DAY), :, 2]
    assert wet[1] > wet[0] + 0.02


# --- readings ----------------------------------------------------------------------


def test_no_reading_changes_nothing(plain):
    same, notes = correct(plain, dug(), grid=GRID, settings=SETTINGS)
    assert same is plain
    assert notes == []


def test_one_calibrated_reading_is_one_step_of_kalman(plain):
    after, notes = correct(plain, dug(reading()), grid=GRID, settings=SETTINGS)
    day, layer = plain.day_of(DAY), 3
    prior, spread = plain.theta[day, 0, layer], plain.theta_sd[day, 0, layer]
    error = math.hypot(0.028, 0.03)
    gain = spread**2 / (spread**2 + error**2)
    assert after.theta[day, 0, layer] == pytest.approx(prior + gain * (0.30 - prior))
    assert after.theta_sd[day, 0, layer] == pytest.approx(math.sqrt(1 - gain) * spread)
    assert [note.code for note in notes] == ["soil.water_corrected"]
    told = after.account["readings"]
    assert told["spread_before"] == pytest.approx(spread)
    assert told["spread_after"] == pytest.approx(after.theta_sd[day, 0, layer])
    assert f"fell from {100 * spread:.1f} to" in notes[0].sentence
    assert "readings" not in plain.account


def test_a_reading_fades_with_depth_time_and_soil(plain):
    after, _ = correct(plain, dug(reading()), grid=GRID, settings=SETTINGS)
    assert (after.theta_sd <= plain.theta_sd + 1e-12).all()
    day = plain.day_of(DAY)
    for before, now in (
        (plain.theta_sd, after.theta_sd), (plain.drying_sd, after.drying_sd),
    ):  # fmt: skip
        share = now / before
        assert (np.diff(share[day, 0, 3:]) > 0).all()
        assert (np.diff(share[day:, 0, 3]) > 0).all()
        assert share[day, 1, 3] > share[day, 0, 3]
    # Weather and model of May say nothing of October; the curve is the same soil's.
    assert (after.drying_sd / plain.drying_sd)[0, 0, 3] > 0.999
    assert (after.theta_sd / plain.theta_sd)[0, 0, 3] < 0.99
    own = after.theta_own[day, :, 3] - plain.theta[day, :, 3]
    ratio = plain.drying_sd[day, 1, 3] / plain.drying_sd[day, 0, 3]
    assert own[1] == pytest.approx(0.5 * ratio * own[0])


def test_what_moves_suction_is_weather_and_model(plain):
    parts = plain.account["spread"]
    mean = float(np.sqrt((plain.drying_sd**2).mean()))
    assert mean == pytest.approx(math.hypot(parts["weather"], parts["model"]))
    by_class = season(assumed=True)
    np.testing.assert_allclose(by_class.drying_sd, plain.drying_sd)
    whole = season(settings=SoilSettings(theta_spread=0.065))
    assert whole.drying_sd is None


def test_a_reading_moves_suction_as_far_as_it_is_not_the_curve(plain):
    """Two unknowns, one reading: the formula of the conditional mean by hand."""
    after, _ = correct(plain, dug(reading()), grid=GRID, settings=SETTINGS)
    felt, _ = correct(plain, dug(reading("feel", 0.8)), grid=GRID, settings=SETTINGS)
    at = plain.day_of(DAY), 0, 3
    drying, whole = plain.drying_sd[at], plain.theta_sd[at]
    error = math.hypot(0.028, 0.03)
    gain = drying**2 / (whole**2 + error**2)
    assert after.theta_own[at] == pytest.approx(
        plain.theta[at] + gain * (0.30 - plain.theta[at])
    )
    assert after.drying_sd[at] == pytest.approx(drying * math.sqrt(1 - gain))
    # A hand speaks of suction itself: the curve has no part in it.
    gain = drying**2 / (drying**2 + SETTINGS.feel_spread**2)
    assert felt.drying_sd[at] == pytest.approx(drying * math.sqrt(1 - gain))
    assert felt.drying_sd[at] < after.drying_sd[at]
    assert after.unread is plain


@pytest.fixture(scope="module")
def felt(plain):
    """The same series felt everywhere as the model has it: only surer."""
    curve, day = plain.columns.curve, plain.day_of(DAY)
    share = plain.theta[day] - curve.theta_1500
    share = share / (curve.theta_33 - curve.theta_1500)
    rows = [
        reading("feel", share[c, k], depth=float(z), at=1.0 + 2 * c, point=f"{k}{c}")
        for k, z in enumerate(LAYER_CENTRES)
        for c in (0, 1)
    ]
    after, _ = correct(plain, dug(*rows), grid=GRID, settings=SETTINGS)
    return after


def test_readings_narrow_what_strength_may_be(plain, felt):
    when = [pd.Timestamp(f"{DAY} 18:00", tz="UTC").timestamp()]
    asked = {"last_tillage_depth": 0.1, "settings": SETTINGS}
    before, now = (strength_at(series, when, **asked) for series in (plain, felt))
    assert (before.ln_spread > 0.03).all()
    assert (now.ln_spread < 0.85 * before.ln_spread).all()


def test_the_load_a_wheel_may_carry_leaves_room_for_water_not_known(plain, felt):
    wheel = {
        "machine_id": "m", "body": "b", "body_id": 0, "axle": "a", "axle_id": 0,
        "wheel": 0, "slot": 0, "forward": 0.0, "right": 0.0, "width": 0.7,
        "diameter": math.nan, "kind": "tyre", "contact_length": math.nan, "rollers": 0,
        "pressure": 120e3, "pressure_assumed": False, "contact_area": math.nan,
        "contact_slope": math.nan,
    }  # fmt: skip
    states = SimpleNamespace(
        machine_id=np.array(["m"], dtype=object), load=np.array([[30e3]])
    )

    spread = joint_spread(np.array(COMPUTE_DEPTHS), settings=RiskSettings())
    noon = [pd.Timestamp(f"{DAY} 12:00", tz="UTC").timestamp()]
    for series in (plain, felt):
        table, _ = carrying_loads(
            series, wheels=pd.DataFrame([wheel]), states=states, nu=4.5, spread=spread,
            last_tillage_depth=0.1, settings=SETTINGS, risk=RiskSettings(), day=DAY,
        )  # fmt: skip
        state = strength_at(series, noon, last_tillage_depth=0.1, settings=SETTINGS)
        wide = np.hypot(spread, state.ln_spread[0])
        # A chance of 0.20 lies 0.8416 standard deviations below the middle.
        safe = np.exp(state.ln_strength[0] - 0.8416 * wide)
        capacity = wheel_capacity(
            pd.DataFrame([wheel]), safe, nu=4.5, settings=SETTINGS
        ) / GRAVITY  # fmt: skip
        capacity[~np.isfinite(capacity)] = np.nan
        capacity[series.columns.swelling] = np.minimum(
            capacity[series.columns.swelling], 7000.0
        )
        np.testing.assert_allclose(
            table["mass_unlikely"].to_numpy().reshape(2, -1)[:, :-1],
            capacity[:, :-1], rtol=1e-3,
        )  # fmt: skip


@pytest.mark.parametrize("share", [0.05, 0.5, 0.99, 1.4])
def test_spread_of_strength_is_the_slope_of_the_law_where_it_is_straight(plain, share):
    curve = plain.columns.curve
    water = curve.theta_1500 + share * (curve.theta_33 - curve.theta_1500)
    water = np.minimum(water, curve.theta_s)
    theta = np.broadcast_to(water, plain.theta.shape).copy()
    series = dataclasses.replace(
        plain, theta=theta, drying_sd=np.full_like(theta, 0.001), theta_own=None
    )
    when = [pd.Timestamp(f"{DAY} 18:00", tz="UTC").timestamp()]
    state = strength_at(series, when, last_tillage_depth=0.0, settings=SETTINGS)

    def strength(theta_):
        own = np.broadcast_to(theta_, theta[:2].shape)
        moved = dataclasses.replace(series, theta=np.repeat(own[:1], len(theta), 0))
        return strength_at(
            moved, when, last_tillage_depth=0.0, settings=SETTINGS
        ).ln_strength

    slope = (strength(water - 1e-5) - strength(water + 1e-5)) / 2e-5
    np.testing.assert_allclose(state.ln_spread, 0.001 * slope, rtol=0.03, atol=1e-9)


def test_dry_soil_is_not_taken_drier_than_crops_dry_it(plain):
    curve = plain.columns.curve
    theta = np.broadcast_to(curve.theta_1500, plain.theta.shape).copy()
    when = [pd.Timestamp(f"{DAY} 18:00", tz="UTC").timestamp()]
    asked = {"last_tillage_depth": 0.0, "settings": SETTINGS}
    wide = dataclasses.replace(plain, theta=theta, drying_sd=np.full_like(theta, 0.05))
    state = strength_at(wide, when, **asked)
    # By fine quadrature: half of it lies at the wilting point, half is wetter.
    step = np.linspace(-6.0, 6.0, 2401)
    weight = np.exp(-0.5 * step**2) / np.exp(-0.5 * step**2).sum()
    known = dataclasses.replace(wide, drying_sd=np.zeros_like(theta))
    laws = []
    for more in np.unique(np.maximum(0.05 * step, 0.0))[::20]:
        at_ = dataclasses.replace(known, theta=theta + more)
        laws.append((more, strength_at(at_, when, **asked).ln_strength))
    water, law = np.array([w for w, _ in laws]), np.array([v for _, v in laws])
    for c in range(2):
        for d in range(law.shape[-1]):
            values = np.interp(np.maximum(0.05 * step, 0.0), water, law[:, 0, c, d])
            mean = weight @ values
            wanted = np.sqrt(weight @ (values - mean) ** 2)
            assert state.ln_strength[0, c, d] == pytest.approx(mean, abs=0.02)
            assert state.ln_spread[0, c, d] == pytest.approx(wanted, abs=0.02)


def test_a_corrected_series_has_the_suction_of_its_water(plain):
    from trafficmap.soil.retention import suction

    after, _ = correct(
        plain, dug(reading(value=0.05), reading(value=0.88, at=3.0, point="2")),
        grid=GRID, settings=SETTINGS,
    )  # fmt: skip
    curve = plain.columns.curve
    np.testing.assert_allclose(after.suction, suction(after.theta_own, curve))
    for water in (after.theta, after.theta_own):
        assert (water <= curve.theta_s + 1e-12).all()
        assert (water >= 0.5 * curve.theta_1500 - 1e-12).all()


def test_feel_is_a_share_of_what_a_crop_can_take(plain):
    found, notes = moisture_readings(
        plain, dug(reading("feel", 0.5)), grid=GRID, settings=SETTINGS
    )
    curve = plain.columns.curve
    assert found.theta[0] == pytest.approx(
        0.5 * (curve.theta_33[0, 3] + curve.theta_1500[0, 3])
    )
    assert found.spread[0] == SETTINGS.feel_spread
    assert notes == []


def test_a_probe_nobody_calibrated_says_little_however_often_it_is_read(plain):
    often = [
        reading(value=0.25, date=pd.Timestamp(DAY) + pd.Timedelta(days=k), finding="")
        for k in range(10)
    ]
    after, notes = correct(plain, dug(*often), grid=GRID, settings=SETTINGS)
    day = plain.day_of(DAY)
    share = (after.theta_sd / plain.theta_sd)[day, 0, 3]
    assert share > 0.75
    assert "soil.probe_not_calibrated" in [note.code for note in notes]
    once, _ = correct(plain, dug(reading(value=0.25)), grid=GRID, settings=SETTINGS)
    assert (once.theta_sd / plain.theta_sd)[day, 0, 3] < share


def test_what_cannot_be_used_is_said(plain):
    rows = [
        reading(value=math.nan),
        reading(depth=math.nan),
        reading(depth=1.4),
        reading(at=90.0),
        reading(date=pd.Timestamp("2031-01-01")),
        reading(date=pd.NaT),
    ]
    same, notes = correct(plain, dug(*rows), grid=GRID, settings=SETTINGS)
    assert same is plain
    assert [(n.code, n.count) for n in notes] == [("soil.reading_left_out", 6)]


def test_a_reading_nobody_can_believe_is_said(plain):
    _, notes = correct(plain, dug(reading(value=0.80)), grid=GRID, settings=SETTINGS)
    assert [n.code for n in notes] == ["soil.water_corrected", "soil.reading_far"]


def test_hand_rolls_count_where_fitness_is_asked_and_only_there(plain):
    roll = reading("hand_roll", math.nan, finding="crumbles")
    same, _ = correct(plain, dug(roll), grid=GRID, settings=SETTINGS)
    assert same is plain
    state = fit(
        plain, column=0, day=DAY, tip_depth=0.35, hand_rolls=dug(roll),
        settings=SETTINGS,
    )  # fmt: skip
    assert state.readings == 1


def test_a_dry_calibrated_reading_raises_the_chance_to_shatter(plain):
    rows = [
        reading(value=0.20, depth=float(z), point=str(k))
        for k, z in enumerate(LAYER_CENTRES[2:5])
    ]
    after, _ = correct(plain, dug(*rows), grid=GRID, settings=SETTINGS)
    asked = {"column": 0, "day": DAY, "tip_depth": 0.35, "settings": SETTINGS}
    before, now = fit(plain, **asked), fit(after, **asked)
    reached = slice(2, 5)
    assert (now.water_sd < before.water_sd)[reached].all()
    missed = (1.0 - now.layer_probability) / (1.0 - before.layer_probability)
    assert (missed[reached] < 0.5).all()


def test_the_stated_spread_holds_on_seasons_with_known_truth():
    """Truth drawn from the stated errors: two thirds of it lie within one spread."""
    series = season()
    rng = np.random.default_rng(7)
    day = series.day_of(DAY)
    spread = series.theta_sd[day, 0]
    apart = np.abs(LAYER_CENTRES[:, None] - LAYER_CENTRES)
    covariance = np.outer(spread, spread) * np.exp(-apart / 0.2)
    error = math.hypot(0.028, 0.03)
    hits = []
    for _ in range(150):
        truth = rng.multivariate_normal(series.theta[day, 0], covariance)
        rows = reading(value=float(truth[3] + rng.normal(0.0, error)))
        after, _ = correct(series, dug(rows), grid=GRID, settings=SETTINGS)
        hits.append(
            np.abs(after.theta[day, 0] - truth)[2:5] <= after.theta_sd[day, 0][2:5]
        )
    assert np.mean(hits) == pytest.approx(0.683, abs=0.05)
