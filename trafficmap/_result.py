"""What the line makes: what was measured, and what was decided from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import xarray as xr

    from trafficmap import plan as plan_room
    from trafficmap import risk, soil, traffic
    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.notes import Note
    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.loads.payload import Payload
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.traffic.events import PassEvents, Visits
    from trafficmap.zones.units import Units


@dataclass(frozen=True, kw_only=True)
class Followed:
    """Where machines drove and what they carried, before any wheel is laid.

    Parameters
    ----------
    fixes, passes : DataFrame
        Contracts `SPLIT_FIXES` and `PASSES`.
    sessions, gaps : DataFrame
        Contracts `SESSIONS` and `GAPS`.
    payload : Payload
        One row a fix.
    notes : tuple of Note
    """

    fixes: pd.DataFrame
    passes: pd.DataFrame
    sessions: pd.DataFrame
    gaps: pd.DataFrame
    payload: Payload
    notes: tuple[Note, ...]


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What the season did to the ground: facts and risk, before anybody decides.

    Parameters
    ----------
    field, settings, grid
        What went in, and where the cells are.
    tray : xarray.Dataset
        Every layer of the layer book that could be made; also as ``layers``.
    fixes, passes : DataFrame, GeoDataFrame
        Clean fixes with their state; passes with their line.
    paths, events, visits
        Where wheels ran and what they did to cells.
    columns, series, strength, profiles
        Soil columns, water by day, strength by hour, stress by load state; None
        where soil, weather or clocks are not known.
    totals : dict
        Areas, distances and masses of the whole field.
    found : tuple of Note
        What measuring found, without what reading the field had found.
    carrying : DataFrame or None
        What a wheel may carry on the last day with weather, contract `CARRYING`.
    ledger : Ledger or None
        Damage by season and depth, this season last.
    resets : Resets or None
        What tillage between passes undid.
    draws : Draws or None
        Joint intervals and what matters most, where ``settings.risk.draws`` asks;
        made when zones are known, so a `Measured` alone has none.
    sessions, gaps : DataFrame
        Runs of receivers, contract `SESSIONS`; time without a track, contract `GAPS`.
    driven : TrafficTables
        Tables of the traffic: by machine and part of the field, how often, which axle
        first, and the loading spots.
    axles : DataFrame or None
        Which axles did the damage, contract `AXLE_DAMAGE`.
    """

    field: Field
    settings: Settings
    grid: FieldGrid
    tray: xr.Dataset
    fixes: pd.DataFrame
    passes: gpd.GeoDataFrame
    paths: WheelPaths
    events: PassEvents
    visits: Visits
    columns: SoilColumns | None
    series: Any
    strength: Any
    profiles: Any
    totals: dict[str, Any]
    found: tuple[Note, ...] = ()
    carrying: pd.DataFrame | None = None
    ledger: risk.Ledger | None = None
    resets: soil.Resets | None = None
    draws: risk.Draws | None = None
    sessions: pd.DataFrame | None = None
    gaps: pd.DataFrame | None = None
    driven: traffic.TrafficTables | None = None
    axles: pd.DataFrame | None = None

    @property
    def layers(self) -> xr.Dataset:
        """Every map layer as an `xarray.Dataset`."""
        return self.tray


@dataclass(frozen=True, kw_only=True)
class Result(Measured):
    """All that came out of a run, in memory; `outputs.write_run` puts it on disk.

    Parameters
    ----------
    zones, plan, stops : GeoDataFrame, DataFrame, GeoDataFrame
        Contract `ZONES`, contract `PLAN`, and where to probe.
    notes : tuple of Note
        Worst first: of reading, measuring and deciding.
    nights : DataFrame or None
        Frozen ground in the forecast, contract `NIGHTS`; None without a forecast.
    money : dict or None
        Inputs, formulas and every term of the money, from `plan.money_block`.
    units : Units or None
        The pieces of ground the zones were drawn from, with their advice.
    price, fit : DataFrame or None
        Money and soil of each unit, from `plan.price` and `plan.fit_states`.
    ahead : Ahead or None
        Soil water through the days of the forecast; None without one that tells rain.
    when : When or None
        Hours ahead that are fit, by zone; None without `ahead`.
    odds : DataFrame or None
        In how many past years a day was fit, contract `ODDS`.
    """

    zones: gpd.GeoDataFrame
    plan: pd.DataFrame
    stops: gpd.GeoDataFrame
    notes: tuple[Note, ...]
    nights: pd.DataFrame | None = None
    money: dict[str, Any] | None = None
    units: Units | None = None
    price: pd.DataFrame | None = None
    fit: pd.DataFrame | None = None
    ahead: soil.Ahead | None = None
    when: plan_room.When | None = None
    odds: pd.DataFrame | None = None

    def areas(self) -> dict[str, float]:
        """Return the area of each advice [m2], largest first."""
        areas = self.zones.groupby("advice")["area"].sum()
        return dict(areas.sort_values(ascending=False))

    def __repr__(self) -> str:
        """Return what a person wants to see first in a notebook."""
        rows = [
            f"{advice}: {area / 1e4:.2f} ha" for advice, area in self.areas().items()
        ]
        text = f"<Result {self.field.name!r} {self.field.season}: {', '.join(rows)}; "
        return f"{text}{len(self.passes)} passes, {len(self.notes)} notes>"
