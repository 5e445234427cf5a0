"""Frost: limits of the equations, hourly weather, and nights of a bare field."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trafficmap.core.errors import ModelRangeError
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.soil._frost import frost_day, grow_front
from trafficmap.soil.crust import (
    bearing_load,
    carries_over_frost,
    frost_word,
    frozen_thickness_needed,
    ground_word,
)
from trafficmap.soil.frost import (
    berggren_factor,
    frost_depth_stefan,
    frozen_ground_index,
)
from trafficmap.soil.heat import (
    TopsoilHeat,
    conductivity_johansen,
    frozen_by_hour,
    heat_by_hour,
    hourly_forcing,
)

CELLS = 100
SETTINGS = SoilSettings()
LOAM = {"theta_s": 0.46, "bulk_density": 1430.0, "quartz": 0.3}


def topsoil(resistance=0.0):
    thickness = np.full(CELLS, 0.01)
    return TopsoilHeat(thickness, np.full(CELLS, 0.30), **LOAM, resistance=resistance)


def test_front_in_steps_is_the_front_at_once():
    whole = frost_depth_stefan(40.0, conductivity=1.8, theta=0.3, resistance=0.2)
    front = 0.0
    for push in (5.0, 15.0, 20.0):
        front = grow_front(front, push * 86400, 1.8, 0.3, 0.2)
    assert front == pytest.approx(whole, rel=1e-12)


def test_berggren_goes_to_stefan_for_cold_soil_without_heat():
    factors = [berggren_factor(0.0, mu) for mu in (0.5, 0.1, 0.01, 1e-4)]
    assert factors == sorted(factors)
    assert factors[-1] == pytest.approx(1.0, abs=1e-4)
    assert berggren_factor(1.0, 0.2) < berggren_factor(0.2, 0.2)
    with pytest.raises(ModelRangeError, match="need 0 or more and above 0"):
        berggren_factor(0.3, 0.0)


def test_snow_slows_the_frozen_ground_index():
    bare = frozen_ground_index(np.full(10, -5.0))
    snow = frozen_ground_index(np.full(10, -5.0), snow_depth=np.full(10, 0.2))
    assert (snow < bare).all()
    assert frozen_ground_index(np.full(3, 10.0), start=5.0)[-1] == 0.0


def test_crust_that_carries():
    load = 20e3 * 9.81
    needed = float(frozen_thickness_needed(load))
    assert needed == pytest.approx(0.48, abs=5e-3)
    assert bearing_load(needed) == pytest.approx(load)
    assert frost_word(0.60, load=load, drier_than_plastic=False) == "carries"
    assert frost_word(0.06, load=load, drier_than_plastic=True) == "carries"
    assert frost_word(0.06, load=load, drier_than_plastic=False) == "may rut"
    assert frost_word(0.04, load=load, drier_than_plastic=True) == "does not carry"


def test_hourly_weather_keeps_the_day():
    sun = np.array([8e6, 9e6])
    found = hourly_forcing(
        [-4.0, -6.0],
        [5.0, 3.0],
        day_of_year=[320, 321],
        latitude=42.0,
        radiation=sun,
        evaporation=[0.0006, 0.0],
    )
    assert found.air.size == 48
    daily = found.absorbed.reshape(2, 24).sum(axis=1) * 3600
    assert daily == pytest.approx(0.8 * sun)
    assert found.latent[:24].sum() * 3600 == pytest.approx(0.0006 * 2.45e9)
    assert found.air.min() >= -6.0
    assert found.air.max() == pytest.approx(5.0, abs=0.1)
    # No step of more than a few degrees from hour to hour, midnight included.
    assert np.abs(np.diff(found.air)).max() < 3.0
    assert (found.absorbed[[0, 23]] == 0).all()


def test_still_ground_stays_as_it_is():
    frozen, temperature = frozen_by_hour(
        topsoil(),
        start_temperature=np.full(CELLS, 4.0),
        surface_temperature=np.full(48, 4.0),
    )
    assert (frozen == 0).all()
    assert temperature == pytest.approx(4.0, abs=1e-9)


def test_weather_or_a_surface_is_needed():
    with pytest.raises(ModelRangeError, match="neither a surface temperature nor"):
        frozen_by_hour(topsoil(), start_temperature=np.zeros(CELLS))


@pytest.mark.parametrize(
    ("low", "high", "resistance", "deepest", "noon"),
    [
        # Own working with a second program, which this has to repeat within 0.6 cm:
        # 1 December, 42 N, 2 m/s, clear, from 15 h, soil of 1 degC above and 4 below.
        (-8.0, 3.0, 0.0, 5.6, 4.2),
        (-8.0, 3.0, 0.3, 0.6, 0.3),
        (-4.0, 6.0, 0.0, 2.8, 1.4),
    ],
)
def test_one_cold_night(low, high, resistance, deepest, noon):
    forcing = hourly_forcing(
        np.full(3, low),
        np.full(3, high),
        day_of_year=np.full(3, 335),
        latitude=42.0,
        start_hour=15,
    )
    depth = (np.arange(CELLS) + 0.5) / CELLS
    frozen, _ = frozen_by_hour(
        topsoil(resistance),
        start_temperature=np.minimum(4.0, 1.0 + 6.0 * depth),
        forcing=forcing,
    )
    night = frozen[:22]
    assert 100 * night.max() == pytest.approx(deepest, abs=0.7)
    # Deepest in the hours after sunrise.
    assert (15 + int(night.argmax()) + 1) % 24 in (7, 8, 9, 10)
    assert 100 * frozen[20] == pytest.approx(noon, abs=0.5)


def test_frozen_thickness_needed_grows_with_the_root_of_the_load():
    one, four = frozen_thickness_needed(1e5), frozen_thickness_needed(4e5)
    assert four == pytest.approx(2 * one)
    assert frozen_thickness_needed(1e5, wet=False) > one
    assert math.isclose(float(bearing_load(0.0)), 0.0)


# --- words for frozen ground ---

WET = {"drier_than_plastic": False, "settings": SETTINGS}
DRY = {"drier_than_plastic": True, "settings": SETTINGS}


@pytest.mark.parametrize(
    ("base", "frozen", "thawed", "ground", "word"),
    [
        # Common practice, no source; 5 cm after CRREL SR-04-1 (excerpt).
        ("does not carry", 0.009, 0.0, WET, "does not carry"),
        ("does not carry", 0.010, 0.0, WET, "may rut"),
        ("does not carry", 0.049, 0.0, DRY, "may rut"),
        ("may rut", 0.049, 0.0, DRY, "may rut"),
        ("may rut", 0.050, 0.0, DRY, "carries"),
        ("does not carry", 0.300, 0.0, WET, "may rut"),
        ("carries", 0.020, 0.0, DRY, "carries"),
        ("unknown", 0.100, 0.0, WET, "unknown"),
        ("carries", 0.100, 0.02, DRY, "may rut"),
        ("may rut", 0.100, 0.02, WET, "may rut"),
        ("may rut", 0.100, 0.04, WET, "does not carry"),
        ("does not carry", 0.100, 0.02, WET, "does not carry"),
        ("may rut", math.nan, 0.0, WET, "may rut"),
    ],
)
def test_what_frost_does_to_the_word(base, frozen, thawed, ground, word):
    assert carries_over_frost(base, frozen=frozen, thawed=thawed, **ground) == word


def test_states_of_the_ground():
    assert ground_word(0.0, 0.0, settings=SETTINGS) == "not frozen"
    assert ground_word(0.03, 0.0, settings=SETTINGS) == "frozen crust"
    assert ground_word(0.03, 0.05, settings=SETTINGS) == "thawed over frozen"


# --- the front by day against the solver by the hour ---


def test_front_by_day_keeps_to_the_hourly_solver_and_the_root_alone_does_not():
    thickness = np.concatenate([np.full(40, 0.01), np.full(26, 0.10)])
    soil = TopsoilHeat(thickness, np.full(66, 0.30), 0.46, 1432.0, 0.3)
    run = heat_by_hour(
        soil,
        start_temperature=np.full(66, 4.0),
        surface_temperature=np.full(480, -5.0),
    )
    by_hour = run.frozen[23::24]
    state = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 4.0])
    by_day = []
    for _ in range(20):
        frost_day(state, -5.0, 0.0, 0.30, 0.46, 1432.0, 0.3, 0.0, 1.0, 1.0, 1.0)
        by_day.append(state[0])
    assert by_day[4:] == pytest.approx(by_hour[4:], rel=0.05)
    plain = frost_depth_stefan(
        100.0, conductivity=conductivity_johansen(
            0.30, theta_s=0.46, bulk_density=1432.0, quartz=0.3, frozen=True
        ), theta=0.30,
    )  # fmt: skip
    assert plain > 1.08 * by_hour[-1]
