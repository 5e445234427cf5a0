"""The Field: everything that was handed in for one field, ready for the line."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.tables import TICKETS
from trafficmap.formats.rawlog import Finding

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.ground import GroundSlope
    from trafficmap.field.earlier import Earlier
    from trafficmap.field.slopes import SlopeMap
    from trafficmap.machines.model import Machine
    from trafficmap.tracks.ground import LogFacts


@dataclass(frozen=True)
class LogSource:
    """One log as named in field.toml and as it was found."""

    log_id: int
    path: Path
    part: str
    machine_id: str
    kind: str
    sha256: str
    rows: int
    clock: str
    findings: tuple[Finding, ...] = ()
    counters: dict[str, float] = field(default_factory=dict)
    antenna: tuple[float, float, float] | None = None
    clock_offset: float = 0.0
    facts: LogFacts | None = None


@dataclass(frozen=True)
class Crop:
    """The crop harvested, the crop that comes next, and how the ground is worked.

    ``yield_expected`` is that of the next crop, ``yield_harvested`` and
    ``yield_forage`` are of what was cut this season. Yields in kg/m2, prices in
    currency per kg, losses as fractions, depth in m; ``last_ripped`` is a year; None
    is not known.
    """

    now: str = ""
    next: str = ""
    harvested: str | None = None
    no_till: bool = False
    spring_pass: bool | None = None
    fall_pass: str = ""
    yield_expected: float | None = None
    yield_harvested: float | None = None
    yield_forage: float | None = None
    price: float | None = None
    loss_reachable: float | None = None
    residue_counted: float | None = None
    soybean_allowed: bool = False
    last_ripped: int | None = None
    last_tillage_depth: float | None = None
    cover_sown: str | None = None
    lanes_kept: bool = False


@dataclass(frozen=True)
class SoilMap:
    """Soil units: where they are and their horizons.

    ``units`` holds columns soil_unit, name, texture, drained, geometry in the field
    system; ``horizons`` keeps `core.tables.HORIZONS`. ``assumed`` is True when the
    horizons come from a texture class and not from a survey.
    """

    units: gpd.GeoDataFrame
    horizons: pd.DataFrame
    assumed: bool
    swelling: bool | None = None
    plastic_limit: float | None = None
    hydrologic_group: str = ""


@dataclass(frozen=True)
class Tool:
    """A deep-tillage tool and what pulls it, SI units; None is not known.

    ``price`` as bought [currency], ``salvage`` its worth at the end [fraction of the
    price], ``keep_years`` and ``hours_a_year`` how long and how much it is used;
    ``tractor_mass`` with ballast [kg].
    """

    name: str
    width: float
    shanks: int
    depth_min: float
    depth_max: float
    foot_width: float | None = None
    winged: bool = False
    leading_tines: bool = False
    power: float | None = None
    drive: str = ""
    length: float | None = None
    owned: bool = False
    speed: float | None = None
    kind: str = "subsoiler"
    price: float | None = None
    salvage: float | None = None
    keep_years: float | None = None
    hours_a_year: float | None = None
    tractor_mass: float | None = None


@dataclass(frozen=True)
class Prices:
    """Money, per SI unit, in one currency; None is not known.

    ``driver`` and ``tractor`` by second of work (the tractor without fuel and
    driver), ``interest`` by year [fraction].
    """

    currency: str = ""
    ripping: float | None = None
    levelling: float | None = None
    fall_pass: float | None = None
    fuel: float | None = None
    driver: float | None = None
    tractor: float | None = None
    interest: float | None = None


@dataclass(frozen=True)
class Tile:
    """What was said about tile.

    ``state`` is none, known (then ``cover`` [m]), position_only, exists or unsaid.
    """

    state: str = "unsaid"
    cover: float | None = None


@dataclass(frozen=True)
class Tillage:
    """Tillage of a day: how deep [m], and where; ``area`` None is the whole field."""

    date: str
    depth: float
    tool: str = ""
    area: BaseGeometry | None = None


@dataclass(frozen=True)
class Field:
    """One field and its season, read and checked, nothing computed.

    Parameters
    ----------
    name, season : str, int
    folder : Path
        The folder that holds field.toml.
    epsg : int
        UTM zone all metric coordinates are in.
    boundary : Polygon, MultiPolygon or None
        None when nothing says where the field is: no boundary was given and no log
        shows worked ground.
    area : float
        On the ellipsoid, 0 without a boundary. [m2]
    latitude : float
        Of the middle of the field, NaN when no place is known. [deg]
    boundary_given : bool
        False when the boundary is only the ground covered by worked steps.
    time_zone : str or None
        IANA name for what people read and for clocks without a zone.
    units : {"us", "metric"}
    fixes : DataFrame
        Contract `FIXES`.
    obstacles : GeoDataFrame
        kind, buffer [m], located (bool), cover [m], name, geometry (lines, points or
        areas as given, not yet buffered).
    dug : DataFrame
        Contract `DUG`.
    liquid : DataFrame
        Contract `LIQUID`.
    tickets : DataFrame
        Contract `TICKETS`: what was hauled off, by the scale.
    slope : float or None
        Median slope, as said or of a map. [fraction]
    ground : GroundSlope or None
        How the ground rises, from a raster of heights.
    slopes : SlopeMap or None
        Slope over the field, where a map of it was given.
    frost : float or None
        Frozen thickness measured today. [m]
    tillage : tuple of Tillage
        In order of their days.
    earlier : Earlier or None
        Damage that earlier seasons did.
    access : Polygon, MultiPolygon or None
        Strips outside the boundary whose traffic counts, as roads to the field.
    forecast : DataFrame or None
        Coming days (date, t_min, t_max) or hours (time in UTC, temperature) [degC],
        and rain [m] where told.
    past : DataFrame or None
        Daily weather of years before the season: date, rain [m], t_min, t_max [degC].
    station_distance : float or None
        From the rain gauge to the field; None where not said. [m]
    inputs : tuple of dict
        name, sha256 and bytes of every file read, for run.json.
    """

    name: str
    season: int
    folder: Path
    invented: bool
    epsg: int
    boundary: BaseGeometry | None
    area: float
    time_zone: str | None
    units: str
    logs: tuple[LogSource, ...]
    fixes: pd.DataFrame
    machines: dict[str, Machine]
    soil: SoilMap | None
    weather: pd.DataFrame | None
    crop: Crop
    liquid: pd.DataFrame
    obstacles: gpd.GeoDataFrame
    tile: Tile
    tools: tuple[Tool, ...]
    prices: Prices
    dug: pd.DataFrame
    rows_heading: float | None = None
    end_row_width: float | None = None
    slope: float | None = None
    ground: GroundSlope | None = None
    erodible: bool | None = None
    frost: float | None = None
    elevation: float | None = None
    utilities: str = "unsaid"
    inputs: tuple[dict, ...] = ()
    notes: tuple[Note, ...] = ()
    latitude: float = float("nan")
    boundary_given: bool = True
    tillage: tuple[Tillage, ...] = ()
    earlier: Earlier | None = None
    tickets: pd.DataFrame = field(default_factory=TICKETS.empty)
    access: BaseGeometry | None = None
    forecast: pd.DataFrame | None = None
    past: pd.DataFrame | None = None
    station_distance: float | None = None
    slopes: SlopeMap | GroundSlope | None = None

    @property
    def clockless(self) -> tuple[int, ...]:
        """Numbers of the logs whose clock is only the order of their rows."""
        return tuple(log.log_id for log in self.logs if log.clock == "order")
