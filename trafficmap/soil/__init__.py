"""Soil: water, frost, strength and fitness by column, and stress below wheels.

In come the soil map, weather, liquid and wheel loads; out go soil columns, their state
at every day and hour, stress profiles, and whether the ground carries and shatters.
"""

from trafficmap.soil.columns import SoilColumns, columns, concentration_factor
from trafficmap.soil.fitness import FitState, fit
from trafficmap.soil.profiles import Profiles, stress_profiles
from trafficmap.soil.series import Strength, moisture_at, strength_at, wetness_word
from trafficmap.soil.stress import carrying_capacity, nu_by_texture
from trafficmap.soil.water import SoilSeries, run_water

__all__ = [
    "FitState",
    "Profiles",
    "SoilColumns",
    "SoilSeries",
    "Strength",
    "carrying_capacity",
    "columns",
    "concentration_factor",
    "fit",
    "moisture_at",
    "nu_by_texture",
    "run_water",
    "strength_at",
    "stress_profiles",
    "wetness_word",
]
