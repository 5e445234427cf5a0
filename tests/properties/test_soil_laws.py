"""Orders any model of stress, strength and water has to keep, whatever its numbers."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import spearmanr
from shapely.geometry import box

from trafficmap.core.grid import FieldGrid
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.model import Crop, SoilMap, Tile
from trafficmap.soil import columns, run_water
from trafficmap.soil.columns import LAYER_CENTRES, LAYER_THICKNESS
from trafficmap.soil.contact import patch_area
from trafficmap.soil.crust import carries_over_frost
from trafficmap.soil.fitness import plastic_limit_estimate
from trafficmap.soil.frost import berggren_factor, frost_depth_stefan
from trafficmap.soil.heat import TopsoilHeat, heat_by_hour, hourly_forcing
from trafficmap.soil.profiles import lateral_stress_circle
from trafficmap.soil.retention import (
    conductivity,
    density_factor_limit,
    retention_saxton_rawls,
    suction,
)
from trafficmap.soil.strength import (
    exceedance_probability,
    floored_probability,
    joined_damage,
    ln_strength_by_suction,
)
from trafficmap.soil.stress import (
    carrying_capacity,
    vertical_stress_parabola4,
    vertical_stress_uniform_circle,
)

gpd = pytest.importorskip("geopandas")

loads = st.floats(5e3, 120e3)
pressures = st.floats(60e3, 800e3)
depths = st.floats(0.05, 0.9)
factors = st.floats(3.0, 6.0)
sizes = st.sampled_from([None, (0.65, 1.85), (0.80, 1.85), (1.05, 2.15)])
names = st.sampled_from(sorted(TEXTURE_CENTROIDS))
TINY = 1e-9
sizes_of = st.floats(0.001, 0.3)


def chain(load, pressure, depth, nu, size=None):
    width, diameter = size if size else (None, None)
    area = float(patch_area(load, pressure, width=width, diameter=diameter))
    radius = math.sqrt(area / math.pi)
    return float(vertical_stress_parabola4(load / area, depth, radius=radius, nu=nu))


@given(loads, st.floats(1.0, 3.0), pressures, depths, factors, sizes)
def test_a_heavier_wheel_never_presses_less(load, more, pressure, depth, nu, size):
    light = chain(load, pressure, depth, nu, size)
    assert chain(load * more, pressure, depth, nu, size) >= light * (1 - TINY)


@given(loads, pressures, st.floats(1.0, 3.0), depths, factors, sizes)
def test_more_pressure_never_presses_less(load, pressure, more, depth, nu, size):
    soft = chain(load, pressure, depth, nu, size)
    assert chain(load, pressure * more, depth, nu, size) >= soft * (1 - TINY)


@given(loads, pressures, depths, st.floats(1.0, 3.0), factors)
def test_deeper_is_never_more(load, pressure, depth, more, nu):
    shallow = chain(load, pressure, depth, nu)
    assert chain(load, pressure, depth * more, nu) <= shallow * (1 + TINY)


@given(loads, pressures, depths, factors, st.floats(0, 0.5))
def test_a_higher_concentration_presses_more_below_the_wheel(
    load, pressure, depth, nu, more
):
    assert chain(load, pressure, depth, nu + more) >= chain(
        load, pressure, depth, nu
    ) * (1 - TINY)


@given(pressures, st.floats(0.05, 0.6), depths, factors)
def test_stress_stays_below_the_pressure(pressure, radius, depth, nu):
    even = vertical_stress_uniform_circle(pressure, depth, radius=radius, nu=nu)
    bulged = vertical_stress_parabola4(pressure, depth, radius=radius, nu=nu)
    assert 0 < even <= pressure
    assert 0 < bulged <= 1.5 * pressure


@given(st.floats(20e3, 200e3), depths, pressures, factors)
def test_capacity_and_stress_are_inverse(strength, depth, pressure, nu):
    load = carrying_capacity(strength, depth, pressure=pressure, nu=nu)
    if math.isinf(load):
        assert 1.5 * pressure <= strength * (1 + 1e-6)
        return
    radius = math.sqrt(load / pressure / math.pi)
    found = vertical_stress_parabola4(pressure, depth, radius=radius, nu=nu)
    assert found == pytest.approx(strength, rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(loads, pressures, st.sampled_from([4.0, 4.5, 5.0]))
def test_beside_a_tyre_stress_falls_and_never_goes_below_zero(load, pressure, nu):
    area = float(patch_area(load, pressure))
    offsets = np.arange(0, 1.5, 0.025)
    found = lateral_stress_circle(
        load, load / area, area=area, offsets=offsets, depths=[0.1, 0.35, 0.9], nu=nu
    )
    assert (found >= 0).all()
    assert (np.diff(found, axis=0) <= found[0] * 1e-6).all()


# --- strength, damage ------------------------------------------------------------


@given(st.floats(0, 2e6), st.floats(0, 2e6), st.floats(20e3, 120e3))
def test_wetter_is_never_stronger(one, other, base):
    wet, dry = sorted((one, other))
    assert ln_strength_by_suction(wet, base) <= ln_strength_by_suction(dry, base)


@given(names, st.floats(0.9, 1.3), st.floats(0.9, 1.3), st.floats(0.3, 0.95))
def test_denser_soil_never_drains_faster(name, one, other, filled):
    sand, clay = TEXTURE_CENTROIDS[name]
    limit = float(density_factor_limit(sand, clay, organic_matter=0.02))
    loose, dense = sorted((min(one, limit), min(other, limit)))
    curves = [
        retention_saxton_rawls(sand, clay, organic_matter=0.02, density_factor=factor)
        for factor in (loose, dense)
    ]
    assert curves[1].k_sat <= curves[0].k_sat * (1 + TINY)
    assert curves[1].theta_s <= curves[0].theta_s


@given(names, st.floats(0.05, 1.0), st.floats(0.05, 1.0))
def test_wetter_means_less_suction_and_more_flow(name, one, other):
    sand, clay = TEXTURE_CENTROIDS[name]
    curve = retention_saxton_rawls(sand, clay, organic_matter=0.02)
    dry, wet = (share * float(curve.theta_s) for share in sorted((one, other)))
    assert suction(wet, curve) <= suction(dry, curve)
    assert conductivity(wet, curve) >= conductivity(dry, curve)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12), st.floats(0, 1))
def test_another_pass_never_mends_and_order_does_not_matter(damage, another):
    before = joined_damage(np.array(damage))
    after = joined_damage(np.array([*damage, another]))
    assert after >= before - 1e-12
    assert after == pytest.approx(joined_damage(np.array([another, *damage[::-1]])))
    assert max(damage) <= before + 1e-12
    assert before <= 1.0


@given(st.floats(0, 1), loads, depths, st.booleans())
def test_the_floor_only_lifts(chance, load, depth, swelling):
    found = floored_probability(chance, load=load, depth=depth, swelling=swelling)
    assert found >= chance
    if not swelling or load < 68670 or depth > 0.7:
        assert found == chance


@given(st.floats(1e3, 1e6), st.floats(1e3, 1e6), st.floats(1e4, 6e5))
def test_more_stress_is_never_less_likely_to_harm(one, other, strength):
    low, high = sorted((one, other))
    found = exceedance_probability(np.array([low, high]), strength, spread_stress=0.3)
    assert found[0] <= found[1]
    assert exceedance_probability(0.0, strength, spread_stress=0.3) == 0.0


# --- water -----------------------------------------------------------------------


def season(name, rain, *, tile="none", low=2.0, liquid=0.0, **more):
    sand, clay = TEXTURE_CENTROIDS[name]
    horizons = pd.DataFrame(
        {
            "soil_unit": ["a"],
            "share": [1.0],
            "top": [0.0],
            "bottom": [1.0],
            "sand": [sand],
            "clay": [clay],
            "organic_matter": [0.02],
            "bulk_density": [math.nan],
        }
    )
    units = gpd.GeoDataFrame(
        {"soil_unit": ["a"]}, geometry=[box(0, 0, 1, 1)], crs=32616
    )
    days = pd.date_range("2026-08-01", periods=len(rain))
    table = pd.DataFrame(
        {
            "date": days.astype("datetime64[s]"),
            "rain": np.asarray(rain, dtype=np.float64),
            "t_min": np.full(len(rain), low),
            "t_max": np.full(len(rain), low + 12.0),
        }
    )
    own = SoilSettings(**more)
    layers = [(days[30].timestamp() + 6e4, np.array([[liquid]]), 0.12)]
    found, _ = columns(
        SoilMap(units, horizons, assumed=True),
        grid=FieldGrid(32616, 0.0, 1.0, 1.0, 1, 1),
        liquid_layers=layers if liquid else (),
        settings=own,
    )
    series, _ = run_water(
        found,
        weather=table,
        latitude=41.0,
        tile=Tile(tile),
        crop=Crop("corn", harvested="2026-08-01"),
        settings=own,
    )
    return series


rains = st.lists(st.one_of(st.just(0.0), st.floats(0, 0.06)), min_size=60, max_size=60)


@settings(max_examples=25, deadline=None)
@given(names, rains, st.sampled_from(["none", "known"]), st.floats(-8, 15))
def test_no_water_is_lost_or_made(name, rain, tile, low):
    series = season(name, rain, tile=tile, low=low)
    assert series.closure < 1e-9
    curve = series.columns.curve
    assert (series.theta <= curve.theta_s + 1e-9).all()
    assert (series.theta > 0).all()


@settings(max_examples=25, deadline=None)
@given(names, rains, st.integers(0, 59), st.floats(0.001, 0.03))
def test_more_rain_never_leaves_the_ground_drier(name, rain, day, more):
    # Without runoff: wetter ground sheds more of the next storm by its curve number,
    # so there the order is not a law.
    wetter = [value / 2 for value in rain]
    one = season(name, wetter, curve_number=30.0)
    wetter[day] += more / 2
    other = season(name, wetter, curve_number=30.0)
    gained = (other.theta[-1, 0] - one.theta[-1, 0]) @ LAYER_THICKNESS
    assert gained >= -1e-4 - max(0.0, float((other.runoff - one.runoff).sum()))
    assert gained <= more / 2 + 1e-4


@settings(max_examples=15, deadline=None)
@given(names, rains, st.floats(0.003, 0.03))
def test_liquid_never_leaves_the_ground_drier_or_stronger(name, rain, liquid):
    plain, wet = season(name, rain), season(name, rain, liquid=liquid)
    gained = (wet.theta - plain.theta)[30:, 0] @ LAYER_THICKNESS
    assert (gained >= -1e-4).all()
    assert gained[0] <= liquid + 1e-9


@settings(max_examples=12, deadline=None)
@given(names)
def test_waiting_does_not_dry_the_subsoil(name):
    # No crop, no rain: once less than 0.01 mm a day moves, 60 days take 0.6 mm at
    # most from a layer of 0.1 m.
    series = season(name, [0.0] * 62)
    layer = 4
    curve = series.columns.curve
    slow = 0.01e-3 / 86400 / curve.k_sat[0, layer]
    held = curve.theta_s[0, layer] * slow ** (1 / curve.k_power[0, layer])
    theta = series.theta[:, 0, layer]
    assert theta[-1] >= min(float(held), theta[1]) - 0.006
    assert (np.diff(theta) <= 1e-9).all()


@given(names, st.floats(0.01, 0.06))
def test_plastic_limit_lies_below_a_full_soil(name, organic):
    sand, clay = TEXTURE_CENTROIDS[name]
    curve = retention_saxton_rawls(sand, clay, organic_matter=organic)
    found = float(plastic_limit_estimate(clay, organic, curve=curve))
    assert 0.05 < found < float(curve.theta_s / curve.bulk_density * 1000)


# --- a real station ---------------------------------------------------------------


@pytest.mark.real
def test_autumn_moisture_of_a_grass_station_is_ranked_right(shared_data):
    """Nothing is fitted: silty clay loam under sod, eight autumns, 5 to 20 cm.

    Cover and class were chosen among published forms with the results in sight, so
    this holds what was reached and proves nothing new.
    """
    file = shared_data / "weather_soil" / "uscrn_ks_daily_2003_2017.csv"
    raw = pd.read_csv(file).replace([-9999.0, -99.0], np.nan)
    raw["date"] = pd.to_datetime(raw["LST_DATE"].astype(str))
    raw = raw[raw["date"] >= "2009-01-01"]
    table = pd.DataFrame(
        {
            "date": raw["date"].astype("datetime64[s]"),
            "rain": raw["P_DAILY_CALC"] / 1e3,
            "t_min": raw["T_DAILY_MIN"],
            "t_max": raw["T_DAILY_MAX"],
        }
    ).dropna()
    sand, clay = TEXTURE_CENTROIDS["silty clay loam"]
    horizons = pd.DataFrame(
        {
            "soil_unit": "a",
            "share": 1.0,
            "top": [0.0, 0.3],
            "bottom": [0.3, 1.0],
            "sand": sand,
            "clay": clay,
            "organic_matter": [0.03, 0.01],
            "bulk_density": math.nan,
        }
    )
    units = gpd.GeoDataFrame(
        {"soil_unit": ["a"]}, geometry=[box(0, 0, 1, 1)], crs=32614
    )
    own = SoilSettings(cover="sod", curve_number=78.0)
    found, _ = columns(
        SoilMap(units, horizons, assumed=True),
        grid=FieldGrid(32614, 0.0, 1.0, 1.0, 1, 1),
        settings=own,
    )
    series, _ = run_water(
        found, weather=table, latitude=39.1, tile=Tile("none"), settings=own
    )
    measured = raw.set_index("date").reindex(series.dates)
    ranks = []
    for year in range(2009, 2017):
        # The sensor at 20 cm is missing in 2016.
        sensors = (5, 10) if year == 2016 else (5, 10, 20)
        autumn = (series.dates >= f"{year}-09-01") & (series.dates <= f"{year}-12-15")
        model = np.array(
            [
                np.interp(np.array(sensors) / 100, LAYER_CENTRES, row)
                for row in series.theta[autumn, 0]
            ]
        ).mean(axis=1)
        names = [f"SOIL_MOISTURE_{depth}_DAILY" for depth in sensors]
        truth = measured.loc[autumn, names].to_numpy().mean(axis=1)
        both = np.isfinite(model) & np.isfinite(truth)
        assert both.sum() > 60
        ranks.append(spearmanr(model[both], truth[both]).statistic)
    assert np.median(ranks) >= 0.90
    assert min(ranks) >= 0.75


# --- frost ---


@given(
    st.floats(-20.0, 5.0),
    st.floats(0.5, 15.0),
    st.floats(0.05, 0.45),
    st.floats(0.05, 0.45),
    st.floats(0.0, 0.5),
    st.booleans(),
)
@settings(max_examples=15)
def test_heat_is_neither_made_nor_lost(low, swing, top, below, resistance, given_top):
    cells = 40
    theta = np.where(np.arange(cells) < 10, top, below)
    soil = TopsoilHeat(np.full(cells, 0.01), theta, 0.46, 1430.0, 0.3, resistance)
    days = 4
    if given_top:
        surface = {"surface_temperature": low + swing * np.sin(np.arange(24 * days))}
    else:
        surface = {
            "forcing": hourly_forcing(
                np.full(days, low),
                np.full(days, low + swing),
                day_of_year=np.full(days, 330),
                latitude=42.0,
            )
        }
    run = heat_by_hour(soil, start_temperature=np.full(cells, 3.0), **surface)
    moved = np.abs(run.inflow).sum() + 1.0
    assert np.abs(run.stored - run.inflow).max() <= 1e-9 * moved
    # All ice there is lies in the column, and none is left where all is warm.
    assert (run.frozen <= 0.40 + 1e-9).all()
    assert (run.frozen[(run.temperature > 0.0).all(axis=1)] == 0.0).all()


@given(st.floats(0.0, 5.0), st.floats(0.01, 1.0), st.floats(0.01, 1.0))
def test_heat_of_the_soil_only_slows_a_front(alpha, mu, more):
    factor = berggren_factor(alpha, mu)
    assert 0.0 < factor < 1.0
    assert berggren_factor(alpha + more, mu) < factor + TINY
    assert berggren_factor(alpha, mu + more) < factor + TINY


@given(st.floats(0.0, 200.0), st.floats(0.05, 0.45), st.floats(0.0, 1.0), sizes_of)
def test_more_cover_or_water_never_freezes_deeper(frost, theta, cover, more):
    soil = {"conductivity": 1.8, "theta": theta, "resistance": cover}
    depth = frost_depth_stefan(frost, **soil)
    assert frost_depth_stefan(frost, **soil | {"resistance": cover + more}) <= depth
    assert frost_depth_stefan(frost, **soil | {"theta": theta + more}) <= depth
    assert frost_depth_stefan(frost + 10 * more, **soil) >= depth


RANK = {"does not carry": 0, "may rut": 1, "carries": 2}


@given(
    st.sampled_from(sorted(RANK)),
    st.floats(0.0, 1.0),
    st.floats(0.0, 0.2),
    st.floats(0.0, 0.2),
    st.booleans(),
)
def test_wetter_below_or_thawed_deeper_never_carries_better(
    base, frozen, thawed, more, drier
):
    def rank(word, depth, dry):
        found = carries_over_frost(
            word,
            frozen=frozen,
            thawed=depth,
            drier_than_plastic=dry,
            settings=SoilSettings(),
        )
        return RANK[found]

    here = rank(base, thawed, drier)
    assert rank(base, thawed, False) <= here
    assert rank(base, thawed + more, drier) <= here
    for worse in RANK:
        if RANK[worse] <= RANK[base]:
            assert rank(worse, thawed, drier) <= here
    # A crust under 5 cm never turns ground that does not carry into ground that does.
    if frozen < 0.05 and base != "carries":
        assert here < 2
