"""The whole line, from a Field to zones and a plan, as one readable function."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap import loads, plan, risk, soil, tracks, traffic, zones
from trafficmap._steps import (
    access_share,
    carrying_today,
    mapped_bounds,
    nights_ahead,
    pressed_density,
    soil_water,
    tilled_depth,
)
from trafficmap._totals import field_totals, track_totals, with_lines
from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray, put_layer
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.progress import Progress, silent
from trafficmap.core.settings import Settings

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import xarray as xr

    from trafficmap.field.model import Field
    from trafficmap.loads.paths import WheelPaths
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.traffic.events import PassEvents, Visits


@dataclass(frozen=True)
class Result:
    """All that came out of a run, in memory; `outputs.write_run` puts it on disk.

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
    zones, plan, stops : GeoDataFrame, DataFrame, GeoDataFrame
        Contract `ZONES`, contract `PLAN`, and where to probe.
    totals : dict
        Areas, distances and masses of the whole field.
    notes : tuple of Note
        Worst first.
    carrying : DataFrame or None
        What a wheel may carry on the last day with weather, contract `CARRYING`.
    nights : DataFrame or None
        Frozen ground in the forecast, contract `NIGHTS`; None without a forecast.
    ledger : Ledger or None
        Damage by season and depth, this season last.
    resets : Resets or None
        What tillage between passes undid.
    draws : Draws or None
        Joint intervals and what matters most, where ``settings.risk.draws`` asks.
    sessions, gaps : DataFrame
        Runs of receivers, contract `SESSIONS`; time without a track, contract `GAPS`.
    driven : TrafficTables
        Tables of the traffic: by machine and part of the field, how often, which axle
        first, and the loading spots.
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
    zones: gpd.GeoDataFrame
    plan: pd.DataFrame
    stops: gpd.GeoDataFrame
    totals: dict[str, Any]
    notes: tuple[Note, ...]
    carrying: pd.DataFrame | None = None
    nights: pd.DataFrame | None = None
    ledger: risk.Ledger | None = None
    resets: soil.Resets | None = None
    sessions: pd.DataFrame | None = None
    gaps: pd.DataFrame | None = None
    draws: risk.Draws | None = None
    driven: traffic.TrafficTables | None = None

    @property
    def layers(self) -> xr.Dataset:
        """Every map layer as an `xarray.Dataset`."""
        return self.tray

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


def run(
    field: Field, settings: Settings | None = None, *, progress: Progress = silent
) -> Result:
    """Run the whole line on a field.

    Parameters
    ----------
    field : Field
        From `read_field`.
    settings : Settings, optional
        Choices of the method; the defaults if not given.
    progress : callable, optional
        Called with (share done, what is being done).

    Returns
    -------
    Result

    Raises
    ------
    TrafficmapError
        What was handed in cannot be used; the sentence says what to do.
    """
    use = settings if settings is not None else Settings()
    if field.boundary is None:
        raise InputError(*_no_ground(field))
    notes: list[Note] = list(field.notes)

    def keep(step: tuple) -> Any:
        """Collect the notes of a step and hand on its product."""
        *product, found = step
        notes.extend(found)
        return product[0] if len(product) == 1 else tuple(product)

    progress(0.00, "clean the tracks")
    told: dict[str, Any] = {
        "machines": field.machines,
        "settings": use.tracks,
        "logs": [log.facts for log in field.logs if log.facts is not None],
    }
    ground: dict[str, Any] = {"boundary": field.boundary, "access": field.access}
    fixes = keep(tracks.clean(field.fixes, **ground, **told))
    fixes, passes = keep(tracks.split(fixes, **ground, **told))
    sessions = tracks.sessions(fixes, **told)
    gaps = keep(
        tracks.gap_report(
            fixes,
            time_zone=field.time_zone,
            settings=use.tracks,
            clockless=field.clockless,
        )
    )
    notes += tracks.frame_shifts(
        fixes,
        passes,
        boundary=field.boundary if field.boundary_given else None,
        machines=field.machines,
        settings=use.tracks,
    )

    progress(0.10, "follow payload and wheels")
    rigs: dict[str, Any] = {"machines": field.machines, "settings": use.loads}
    payload = keep(
        loads.payload(
            fixes,
            passes,
            crop=field.crop,
            liquid=field.liquid,
            tickets=field.tickets,
            time_zone=field.time_zone,
            log_names={log.log_id: log.path.name for log in field.logs},
            log_offsets={log.log_id: log.clock_offset for log in field.logs},
            **rigs,
        )
    )
    paths = keep(
        loads.wheel_paths(fixes, passes, payload=payload, slope=field.slope, **rigs)
    )

    progress(0.25, "lay wheels on the cells")
    grid = FieldGrid.covering(
        mapped_bounds(field.boundary, field.access),
        cell=use.traffic.cell,
        epsg=field.epsg,
    )
    tray = new_tray(grid)
    inside = traffic.inside_share(field.boundary, grid=grid)
    put_layer(tray, "inside", inside)
    strips = access_share(field, grid)
    if strips is not None:
        put_layer(tray, "access", strips)
    events = traffic.cover(paths, grid=grid, settings=use.traffic)
    visits = traffic.visits(
        paths, grid=grid, reach=use.soil.profile_reach, settings=use.traffic
    )
    driven = keep(
        traffic.facts(
            events,
            paths,
            split_fixes=fixes,
            passes=passes,
            payload=payload.table,
            sessions=sessions,
            boundary=field.boundary,
            grid=grid,
            inside=inside,
            beyond=strips,
            tray=tray,
            headland=field.end_row_width,
            rows_heading=field.rows_heading,
            time_zone=field.time_zone,
            settings=use.traffic,
        )
    )
    # What they were laid from is as large as they are, and no longer asked for.
    events = dataclasses.replace(events, pieces=None)
    liquid = keep(
        traffic.applied(
            fixes, passes, liquid=field.liquid, grid=grid, inside=inside, tray=tray
        )
    )
    if field.end_row_width is not None:
        ends = traffic.end_rows(
            field.boundary,
            grid=grid,
            width=field.end_row_width,
            rows_heading=field.rows_heading,
        )
        put_layer(tray, "end_rows", ends)

    progress(0.45, "follow water in the soil")
    water = keep(
        soil_water(field, use, grid=grid, liquid=liquid, paths=paths, visits=visits)
    )
    columns, series, strength, profiles = water
    if columns is not None:
        units = columns.unit_index_of_cell.reshape(grid.shape)
        put_layer(tray, "soil_unit", np.where(inside > 0, units, -1))

    undone = soil.resets(
        field.tillage,
        grid=grid,
        columns=columns,
        last_tillage_depth=tilled_depth(field),
        time_zone=field.time_zone,
        settings=use.soil,
    )

    progress(0.60, "weigh stress against strength")
    notes += risk.assess(
        visits,
        events,
        profiles=profiles,
        strength=strength,
        columns=columns,
        grid=grid,
        inside=inside,
        tray=tray,
        settings=use.risk,
        swelling=None if columns is None else columns.swelling,
        resets=undone,
    )
    notes += pressed_density(tray, use)
    ledger = keep(
        risk.carry_over(
            field.earlier,
            tray=tray,
            grid=grid,
            inside=inside,
            season=field.season,
            until=risk.newest_day(visits.time, field.season),
            tillage=field.tillage,
            last_tillage_depth=tilled_depth(field),
            settings=use.risk,
        )
    )
    carrying = keep(carrying_today(field, use, paths, series, profiles))
    nights = keep(nights_ahead(field, use, series))

    progress(0.75, "draw zones and decide")
    tool = max(field.tools, key=lambda tool: tool.depth_max, default=None)
    work: dict[str, Any] = {"field": field, "settings": use.zones, "tool": tool}
    units = keep(zones.candidates(tray, grid=grid, columns=columns, **work))
    units = zones.confirm(units, field.dug, settings=use.zones)
    money = keep(
        plan.price(units, crop=field.crop, prices=field.prices, settings=use.plan)
    )
    fit = keep(
        plan.fit_states(
            units, series=series, field=field, settings=use, columns=columns
        )
    )
    units = keep(zones.decide_units(units, price=money, fit=fit, **work))
    why = zones.causes(
        units,
        events=events,
        paths=paths,
        strength=strength,
        columns=columns,
        time_zone=field.time_zone,
        words=field.units,
    )
    drawn = keep(
        zones.draw(units, field=field, tray=tray, settings=use, tool=tool, why=why)
    )
    stops = keep(zones.probe_stops(drawn, tray, grid=grid, settings=use.zones))

    seasons = None
    if use.risk.draws:
        progress(0.80, "draw seasons that could have been")
        seasons = risk.draw(
            visits,
            passes,
            profiles=profiles,
            strength=strength,
            columns=columns,
            grid=grid,
            inside=inside,
            tray=tray,
            sessions=sessions,
            settings=use.risk,
            resets=undone,
        )

    progress(0.90, "plan the work")
    jobs = keep(
        plan.work_plan(
            drawn, field=field, settings=use.plan, heading=units.heading, tool=tool
        )
    )
    return Result(
        field=field,
        settings=use,
        grid=grid,
        tray=tray,
        fixes=fixes,
        passes=with_lines(passes, fixes, field.epsg),
        paths=paths,
        events=events,
        visits=visits,
        columns=columns,
        series=series,
        strength=strength,
        profiles=profiles,
        zones=drawn,
        plan=jobs,
        stops=stops,
        totals=field_totals(field, fixes, payload, tray, grid, driven)
        | track_totals(passes, sessions, gaps, tray, grid)
        | ({} if series is None else {"soil_water": series.account}),
        notes=tuple(worst_first(_said_once(notes))),
        carrying=carrying,
        nights=nights,
        ledger=ledger,
        resets=undone,
        sessions=sessions,
        gaps=gaps,
        draws=seasons,
        driven=driven,
    )


_SAID_BETTER = {
    "zones.utilities": "utilities.unsaid",
    "zones.tile_unsaid": "tile.unsaid",
    "plan.crop_unknown": "crop.next_missing",
    "price.missing": "plan.price_assumed",
}
"""Notes that repeat another room's finding: left out where the other stands."""


def _said_once(notes: list[Note]) -> list[Note]:
    """Return the notes without those another one says better."""
    codes = {note.code for note in notes}
    return [note for note in notes if _SAID_BETTER.get(note.code) not in codes]


def _no_ground(field: Field) -> tuple[str, str]:
    """Return the sentence and the hint for logs that never worked anywhere."""
    for note in field.notes:
        if note.code == "boundary.road_only":
            return (
                note.sentence,
                "name a boundary in field.toml, or leave these logs out",
            )
    msg = f"{field.name}: no boundary and no working machine, need ground to map."
    return msg, "name a boundary in field.toml"
