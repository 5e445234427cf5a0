"""Reference evapotranspiration against outside numbers.

FAO-56 is Allen et al. 1998, Irrigation and Drainage Paper 56; its worked examples are
those the evaporation library carries in its own tests.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pyet
import pytest

from trafficmap.soil.evapotranspiration import (
    extraterrestrial_radiation,
    reference_evapotranspiration,
    saturation_pressure,
)


def one_day(day, low, high, **more):
    values = {"date": [pd.Timestamp(day)], "rain": [0.0]}
    values |= {"t_min": [float(low)], "t_max": [float(high)]}
    return pd.DataFrame(values | {name: [value] for name, value in more.items()})


@pytest.mark.published(
    "At 1800 m",
    source="FAO-56 example 2, p. 32",
    mark="outside",
)
def test_air_pressure_and_psychrometric_constant(published):
    pressure = pyet.calc_press(1800.0)
    assert pressure == published(81.8, abs=0.05, of="air pressure [kPa]")
    assert pyet.calc_psy(pressure) == published(
        0.054, abs=5e-4, of="psychrometric constant [kPa/degC]"
    )


@pytest.mark.published(
    "Saturation pressure [kPa]",
    source="FAO-56 example 3, p. 36",
    mark="outside",
)
def test_saturation_pressure(published):
    found = saturation_pressure(np.array([24.5, 15.0]))
    assert found == published((3.075, 1.705), abs=5e-3, of=("24.5 degC", "15 degC"))
    assert found.mean() == published(2.39, abs=5e-3, of="mean")


@pytest.mark.published(
    "Vapour pressure from humidity [kPa]",
    source="FAO-56 example 5, p. 39",
    mark="outside",
)
def test_vapour_pressure_from_humidity(published):
    low, high = pd.Series([18.0]), pd.Series([25.0])
    found = pyet.calc_ea(
        tmax=high, tmin=low, rhmax=pd.Series([82.0]), rhmin=pd.Series([54.0])
    )
    assert float(found.iloc[0]) == published(1.70, abs=5e-3)


@pytest.mark.published(
    "Radiation on 15 May at 22.9 S with 7.1 h of sun [MJ/m2]",
    source="FAO-56 example 10, p. 50",
    mark="outside",
)
def test_sun_from_hours(published):
    day = pd.Timestamp("2023-05-15").day_of_year
    turn = 0.409 * math.sin(2 * math.pi * day / 365 - 1.39)
    hours = 24 / math.pi * math.acos(-math.tan(math.radians(-22.9)) * math.tan(turn))
    top = float(extraterrestrial_radiation(day, latitude=-22.9))
    assert (0.25 + 0.50 * 7.1 / hours) * top / 1e6 == published(14.5, abs=0.05)


@pytest.mark.published(
    "Net long-wave loss [MJ/m2]",
    source="FAO-56 example 11",
    mark="outside",
)
def test_long_wave_loss(published):
    # FAO-56 example 11: 3.5 MJ/m2 with Rs 14.5, Rso 18.8, ea 2.1, 25.1/19.1 degC.
    days = pd.DatetimeIndex(["2023-05-15"])

    def series(value):
        return pd.Series([value], index=days)

    found = pyet.calc_rad_long(
        series(14.5),
        tmax=series(25.1),
        tmin=series(19.1),
        rso=series(18.8),
        ea=series(2.1),
        a=1.35,
        b=-0.35,
    )
    assert float(found.iloc[0]) == published(3.5, abs=0.05)


def uccle(**more):
    """FAO-56 example 18, p. 72: 6 July, 50.80 N, 100 m; wind brought to 2 m."""
    wind = 2.78 * 4.87 / math.log(67.8 * 10 - 5.42)
    humid = {"humidity_min": 0.63, "humidity_max": 0.84}
    return one_day("2023-07-06", 12.3, 21.5, wind=wind, radiation=22.07e6, **humid)


@pytest.mark.published(
    "Uccle, 6 July",
    source="FAO-56 example 18, p. 72",
    mark="outside",
)
def test_penman_monteith(published):
    eto, notes = reference_evapotranspiration(uccle(), latitude=50.80, elevation=100.0)
    assert eto[0] * 1e3 == published(
        3.88, abs=0.02, of="reference evapotranspiration [mm]"
    )
    assert notes == []
    top = extraterrestrial_radiation(187, latitude=50.80) / 1e6
    assert float(top) == published(
        41.09, abs=0.02, of="radiation above the air [MJ/m2]"
    )


@pytest.mark.published(
    "Lyon, 15 July",
    source="FAO-56 example 20",
    mark="from memory",
)
def test_penman_monteith_from_temperatures_and_a_named_wind(published):
    # FAO-56 example 20 (from memory): Lyon, July 15, 45.72 N, 200 m: Rs 22.29, 4.56.
    top = float(extraterrestrial_radiation(196, latitude=45.72))
    sun = 0.16 * math.sqrt(26.6 - 14.8) * top
    assert sun / 1e6 == published(
        22.29, abs=0.02, of="radiation from temperatures [MJ/m2]"
    )
    # Air at its driest of the day as humid as at the lowest temperature.
    full = float(saturation_pressure(14.8))
    humid = full / float(saturation_pressure(26.6))
    day = one_day("2023-07-15", 14.8, 26.6, wind=2.0, radiation=sun)
    day["humidity_min"], day["humidity_max"] = humid, 1.0
    eto, _ = reference_evapotranspiration(day, latitude=45.72, elevation=200.0)
    assert eto[0] * 1e3 == published(
        4.56, abs=0.02, of="reference evapotranspiration [mm]"
    )


@pytest.mark.published(
    "Hargreaves, 20 October at 42 N, 4 to 16 degC [mm]",
    source="worked apart with a fixed heat of evaporation",
    mark="own working",
)
def test_hargreaves(published):
    # Own working with a fixed heat of evaporation; the library lets it vary: 1 %.
    day = one_day("2023-10-20", 4.0, 16.0)
    eto, _ = reference_evapotranspiration(day, latitude=42.0)
    assert eto[0] * 1e3 == published(1.82, abs=0.02)


@pytest.mark.published(
    "Uccle, 6 July, American standard form [mm]",
    source="library refet",
    mark="second opinion",
)
def test_penman_monteith_second_opinion(published):
    refet = pytest.importorskip("refet", reason="second opinion, in the dev extra only")
    humid = 0.5 * (
        0.84 * float(saturation_pressure(12.3))
        + 0.63 * float(saturation_pressure(21.5))
    )
    other = refet.Daily(
        tmin=12.3,
        tmax=21.5,
        ea=humid,
        rs=22.07,
        uz=2.78,
        zw=10,
        elev=100,
        lat=50.80,
        doy=187,
        method="asce",
        rso_type="simple",
        input_units={"lat": "deg"},
    ).eto()
    eto, _ = reference_evapotranspiration(uccle(), latitude=50.80, elevation=100.0)
    # The American standard rounds a few constants otherwise.
    assert eto[0] * 1e3 == published(np.asarray(other).item(), rel=0.01)
