"""Soil: water, frost, strength and fitness by column, and stress below wheels.

In come the soil map, weather, liquid and wheel loads; out go soil columns, their state
at every day and hour, stress profiles, and whether the ground carries and shatters.
"""

from trafficmap.soil.ahead import Ahead, coming_water, forecast_rain
from trafficmap.soil.audit import audit_axles
from trafficmap.soil.carrying import carrying_loads, wheel_capacity
from trafficmap.soil.columns import SoilColumns, columns, concentration_factor
from trafficmap.soil.coming import coming_nights, heaviest_vehicle
from trafficmap.soil.compaction import density_note, pressed_density
from trafficmap.soil.correct import correct
from trafficmap.soil.fitness import FitState, fit
from trafficmap.soil.nights import nights as freeze_nights
from trafficmap.soil.profiles import Profiles, stress_profiles
from trafficmap.soil.series import Strength, moisture_at, strength_at, wetness_word
from trafficmap.soil.stress import carrying_capacity, nu_by_texture
from trafficmap.soil.tillage import Resets, resets
from trafficmap.soil.water import SoilSeries, run_water

__all__ = [
    "Ahead",
    "FitState",
    "Profiles",
    "Resets",
    "SoilColumns",
    "SoilSeries",
    "Strength",
    "audit_axles",
    "carrying_capacity",
    "carrying_loads",
    "columns",
    "coming_nights",
    "coming_water",
    "concentration_factor",
    "correct",
    "density_note",
    "fit",
    "forecast_rain",
    "freeze_nights",
    "heaviest_vehicle",
    "moisture_at",
    "nu_by_texture",
    "pressed_density",
    "resets",
    "run_water",
    "strength_at",
    "stress_profiles",
    "wetness_word",
    "wheel_capacity",
]
