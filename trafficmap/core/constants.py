"""Constants used in more than one room, with unit and source."""

from __future__ import annotations

GRAVITY = 9.81
"""Acceleration of free fall [m/s2]. The rounded engineering value; standard gravity
is 9.80665 (3rd CGPM 1901)."""

WATER_DENSITY = 1000.0
"""Density of water [kg/m3], rounded."""

PARTICLE_DENSITY = 2650.0
"""Density of mineral soil particles [kg/m3]; Saxton & Rawls 2006 use 2.65 g/cm3."""

FROST_LIMITS = (0.025, 0.05, 0.075)
"""Frozen thickness [m] that counts as frozen, carries at best, and stops ripping."""

REPORT_DEPTHS = (0.10, 0.25, 0.35, 0.50)
"""Depths [m] shown to a person: 4, 10, 14 and 20 in."""

COMPUTE_DEPTHS = (0.10, 0.25, 0.35, 0.50, 0.70, 0.90)
"""Depths [m] at which stress and strength are computed."""
