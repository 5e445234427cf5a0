"""The whole line, from a Field to zones and a plan, as one readable function."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap import loads, plan, risk, soil, tracks, traffic, zones
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
    from shapely.geometry.base import BaseGeometry

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
        tracks.gap_report(fixes, time_zone=field.time_zone, settings=use.tracks)
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
        _bounds(field.boundary, field.access), cell=use.traffic.cell, epsg=field.epsg
    )
    tray = new_tray(grid)
    inside = traffic.inside_share(field.boundary, grid=grid)
    put_layer(tray, "inside", inside)
    strips = _access_share(field, grid)
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
        _soil(field, use, grid=grid, liquid=liquid, paths=paths, visits=visits)
    )
    columns, series, strength, profiles = water
    if columns is not None:
        units = columns.unit_index_of_cell.reshape(grid.shape)
        put_layer(tray, "soil_unit", np.where(inside > 0, units, -1))

    undone = soil.resets(
        field.tillage,
        grid=grid,
        columns=columns,
        last_tillage_depth=_tilled(field),
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
    notes += _density(tray, use)
    ledger = keep(
        risk.carry_over(
            field.earlier,
            tray=tray,
            grid=grid,
            inside=inside,
            season=field.season,
            until=risk.newest_day(visits.time, field.season),
            tillage=field.tillage,
            last_tillage_depth=_tilled(field),
            settings=use.risk,
        )
    )
    carrying = keep(_carrying(field, use, paths, series, profiles))
    nights = keep(_nights(field, use, series))

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
        passes=_with_lines(passes, fixes, field.epsg),
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
        totals=_totals(field, fixes, payload, tray, grid, driven)
        | _track_totals(passes, sessions, gaps, tray, grid)
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


def _bounds(
    boundary: BaseGeometry, access: BaseGeometry | None
) -> tuple[float, float, float, float]:
    """Return the bounds of all ground that is mapped."""
    return boundary.bounds if access is None else boundary.union(access).bounds


def _access_share(field: Field, grid: FieldGrid) -> np.ndarray | None:
    """Return the share of each cell on strips of access outside the boundary."""
    if field.access is None:
        return None
    beyond = field.access.difference(field.boundary)
    if beyond.is_empty:
        return np.zeros(grid.shape)
    import shapely

    parts = [p for p in shapely.get_parts(beyond) if p.geom_type == "Polygon"]
    return traffic.inside_share(shapely.union_all(parts), grid=grid)


def _soil(
    field: Field,
    use: Settings,
    *,
    grid: FieldGrid,
    liquid: list,
    paths: WheelPaths,
    visits: Visits,
) -> tuple[tuple, list[Note]]:
    """Return columns, series, strength and profiles, and what was found."""
    notes: list[Note] = []
    if field.soil is None:
        return (None, None, None, None), notes
    columns, found = soil.columns(
        field.soil,
        grid=grid,
        liquid_layers=liquid,
        settings=use.soil,
        time_zone=field.time_zone,
    )
    notes += found
    nu = soil.concentration_factor(columns, settings=use.soil)
    profiles = soil.stress_profiles(
        paths.wheels, paths.states, nu=nu, settings=use.soil
    )
    notes += profiles.notes
    times = visits.time[np.isfinite(visits.time)]
    if field.weather is None or not times.size:
        return (columns, None, None, profiles), notes
    first = dt.datetime.fromtimestamp(float(times.min()), tz=dt.UTC).date()
    series, found = soil.run_water(
        columns,
        weather=field.weather,
        latitude=field.latitude,
        elevation=field.elevation,
        tile=field.tile,
        crop=field.crop,
        settings=use.soil,
        first_pass=first,
        time_zone=field.time_zone,
        station_distance=field.station_distance,
    )
    notes += found
    series, found = soil.correct(series, field.dug, grid=grid, settings=use.soil)
    notes += found
    strength = soil.strength_at(
        series,
        times,
        columns=columns,
        last_tillage_depth=_tilled(field),
        settings=use.soil,
    )
    notes += strength.notes
    return (columns, series, strength, profiles), notes


def _tilled(field: Field) -> float | None:
    """Return how deep the ground was tilled before the season [m], None if not said."""
    return 0.0 if field.crop.no_till else field.crop.last_tillage_depth


def _density(tray: xr.Dataset, use: Settings) -> list[Note]:
    """Put the density the soil would be pressed to, only where somebody asked."""
    line = use.soil.density_line
    if line is None:
        return []
    density, cut = soil.pressed_density(tray["stress"].values, line=line)
    put_layer(tray, "density_pressed", density)
    return [soil.density_note(int(np.count_nonzero(cut.any(axis=0))))]


def _carrying(
    field: Field, use: Settings, paths: WheelPaths, series: Any, profiles: Any
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return what a wheel may carry today, None without soil water."""
    if series is None or profiles is None:
        return None, []
    return soil.carrying_loads(
        series,
        wheels=paths.wheels,
        states=paths.states,
        nu=profiles.nu,
        spread=risk.joint_spread(profiles.depths, settings=use.risk),
        last_tillage_depth=_tilled(field),
        settings=use.soil,
        risk=use.risk,
    )


def _nights(
    field: Field, use: Settings, series: Any
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the frozen nights ahead, None without soil water or a forecast."""
    if series is None or field.forecast is None:
        return None, []
    return soil.coming_nights(
        series,
        forecast=field.forecast,
        latitude=field.latitude,
        weather=field.weather,
        settings=use.soil,
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


def _with_lines(
    passes: pd.DataFrame, fixes: pd.DataFrame, epsg: int
) -> gpd.GeoDataFrame:
    """Return the passes with the line of the antenna."""
    import geopandas as gpd
    import shapely

    first = passes["first"].to_numpy()
    counts = passes["last"].to_numpy() - first
    rows = np.repeat(first - np.cumsum(counts) + counts, counts)
    rows = rows + np.arange(rows.size)
    places = fixes[["easting", "northing"]].to_numpy()[rows]
    # A pass of one fix has no line; two equal points would make an invalid one.
    enough = np.flatnonzero(counts >= 2)
    owner = np.repeat(np.arange(len(passes)), counts)
    chosen = np.isin(owner, enough)
    lines = np.full(len(passes), None, dtype=object)
    if enough.size:
        numbers = np.searchsorted(enough, owner[chosen])
        lines[enough] = shapely.linestrings(places[chosen], indices=numbers)
    return gpd.GeoDataFrame(passes.copy(), geometry=list(lines), crs=epsg)


def _totals(
    field: Field,
    fixes: pd.DataFrame,
    payload: loads.Payload,
    tray: xr.Dataset,
    grid: FieldGrid,
    driven: traffic.TrafficTables,
) -> dict[str, Any]:
    """Return the totals of the whole field."""
    inside = np.nan_to_num(tray["inside"].values)
    area = inside.sum() * grid.cell_area
    machine = {log.log_id: log.machine_id for log in field.logs}
    table = driven.traffic
    whole = table[(table["part"] == "field") & (table["doing"] == "any")]
    every = whole.loc[whole["machine_id"] == "all"].iloc[0]
    often = driven.depth
    six = often.loc[(often["part"] == "field") & (often["times"] == 6)]
    return {
        "area_m2": field.area,
        "grid_area_m2": float(area),
        "run_over_share": float(every["run_over"] / area),
        "run_over_again_share": float(every["run_over_again"] / area),
        "same_track_share": float(every["same_track"] / max(every["run_over"], 1e-9)),
        "wheel_over_3_share": float(every["under_3"] / area),
        "wheel_over_5_share": float(every["under_5"] / area),
        "more_than_5_wheel_passes_share": float(six["wheel_passes"].sum() / area),
        "load_distance_mg_km_ha": float(every["load_distance"]),
        "heaviest_axle_kg": float(np.nan_to_num(every["axle"])),
        "heaviest_wheel_kg": [
            float(every[name]) for name in ("wheel_low", "wheel", "wheel_high")
        ],
        "worked": [
            {"machine_id": machine[row["log_id"]], **row}
            for row in tracks.worked(fixes).to_dict("records")
        ],
        "ledger_kg": payload.ledger,
    }


def _track_totals(
    passes: pd.DataFrame,
    sessions: pd.DataFrame,
    gaps: pd.DataFrame,
    tray: xr.Dataset,
    grid: FieldGrid,
) -> dict[str, Any]:
    """Return what run.json says of the tracks themselves."""
    inferred = passes.loc[passes["inferred"], "length"]
    moving = float(gaps[["tracked", "inferred", "missing"]].to_numpy().sum())
    out = {
        "driven_m": float(passes["length"].sum()),
        "inferred_m": float(inferred.sum()),
        "no_track_share": float(gaps["missing"].sum()) / max(moving, 1e-9),
        "gaps": gaps.to_dict("records"),
        "sessions": sessions.drop(columns=["start", "end"]).to_dict("records"),
    }
    if "access" in tray:
        driven = np.nan_to_num(tray["run_over"].values) * tray["access"].values
        strip = tray["access"].values.sum()
        out["access_m2"] = float(strip * grid.cell_area)
        out["access_run_over_m2"] = float(
            np.minimum(driven, tray["access"].values).sum() * grid.cell_area
        )
    return out
