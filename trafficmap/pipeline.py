"""The whole line, from a Field to zones and a plan, as one readable function."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap import loads, risk, soil, tracks, traffic
from trafficmap._decide import decide
from trafficmap._redraw import redraw
from trafficmap._result import Followed, Measured, Result
from trafficmap._steps import (
    access_share,
    carrying_today,
    keeper,
    mapped_bounds,
    pressed_density,
    soil_water,
    tilled_depth,
    worth_of_readings,
)
from trafficmap._totals import field_totals, track_totals, with_lines
from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import new_tray, put_layer
from trafficmap.core.memory import give_back
from trafficmap.core.notes import Note
from trafficmap.core.progress import Progress, silent
from trafficmap.core.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from trafficmap.field.model import Field

    Rework = Callable[
        [pd.DataFrame, pd.DataFrame, loads.Payload],
        tuple[pd.DataFrame, pd.DataFrame, loads.Payload, list[Note]],
    ]

__all__ = [
    "Followed",
    "Measured",
    "Result",
    "decide",
    "follow",
    "measure",
    "redraw",
    "run",
]


def run(
    field: Field,
    settings: Settings | None = None,
    *,
    progress: Progress = silent,
    rework: Rework | None = None,
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
    rework : callable, optional
        Asks what if: takes (fixes, passes, payload) as they were driven and returns
        the three as they would have been, and notes; see `season.replay`.

    Returns
    -------
    Result

    Raises
    ------
    TrafficmapError
        What was handed in cannot be used; the sentence says what to do.
    """
    measured = measure(field, settings, progress=progress, rework=rework)
    return decide(measured, progress=progress)


def measure(
    field: Field,
    settings: Settings | None = None,
    *,
    progress: Progress = silent,
    rework: Rework | None = None,
    followed: Followed | None = None,
) -> Measured:
    """Run the line up to the damage and its probability; decide nothing.

    Other parameters and errors are those of `run`.

    Parameters
    ----------
    field : Field
    settings : Settings, optional
    progress, rework : callable, optional
    followed : Followed, optional
        From `follow` on the same logs, machines and settings, where they were
        followed before; at other tire pressures tracks and loads are the same.

    Returns
    -------
    Measured
    """
    use = settings if settings is not None else Settings()
    if field.boundary is None:
        raise InputError(*_no_ground(field))
    if followed is None:
        followed = follow(field, use, progress=progress)
    notes: list[Note] = [*followed.notes]
    keep = keeper(notes)
    fixes, passes, payload = followed.fixes, followed.passes, followed.payload
    sessions, gaps = followed.sessions, followed.gaps
    rigs: dict[str, Any] = {
        "machines": field.machines,
        "settings": use.loads,
        "logs": _facts_of_logs(field),
    }
    if rework is not None:
        fixes, passes, payload = keep(rework(fixes, passes, payload))
    paths = keep(
        loads.wheel_paths(
            fixes,
            passes,
            payload=payload,
            slope=field.slope,
            rise=field.ground,
            **rigs,
        )
    )

    give_back()
    progress(0.25, "lay wheels on the cells")
    grid = FieldGrid.covering(
        mapped_bounds(field.boundary, field.access),
        cell=use.traffic.cell,
        epsg=field.epsg,
    )
    tray = new_tray(grid)
    inside = traffic.inside_share(field.boundary, grid=grid)
    put_layer(tray, "inside", inside)
    if field.slopes is not None:
        put_layer(tray, "slope", np.where(inside > 0, field.slopes.on(grid), np.nan))
    strips = access_share(field, grid)
    if strips is not None:
        put_layer(tray, "access", strips)
    events = traffic.cover(paths, grid=grid, settings=use.traffic)
    visits = traffic.visits(
        paths, grid=grid, reach=use.soil.profile_reach, settings=use.traffic
    )
    give_back()
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
    events = replace(events, pieces=None)
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

    give_back()
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

    give_back()
    progress(0.60, "weigh stress against strength")
    weighed: dict[str, Any] = {
        "visits": visits,
        "events": events,
        "profiles": profiles,
        "columns": columns,
        "grid": grid,
        "inside": inside,
        "settings": use.risk,
        "swelling": None if columns is None else columns.swelling,
        "resets": undone,
    }
    notes += risk.assess(strength=strength, tray=tray, **weighed)
    notes += worth_of_readings(
        series,
        visits.time,
        field=field,
        strength=strength,
        tray=tray,
        grid=grid,
        use=use,
        assessed=weighed,
    )
    give_back()
    axles = risk.worst_axles(
        visits,
        paths,
        profiles=profiles,
        strength=strength,
        columns=columns,
        grid=grid,
        tray=tray,
        settings=use.risk,
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

    return Measured(
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
        totals=field_totals(field, fixes, payload, tray, grid, driven)
        | track_totals(passes, sessions, gaps, tray, grid)
        | ({} if series is None else {"soil_water": series.account}),
        found=tuple(notes),
        carrying=carrying,
        ledger=ledger,
        resets=undone,
        sessions=sessions,
        gaps=gaps,
        driven=driven,
        axles=axles,
    )


def follow(
    field: Field, settings: Settings, *, progress: Progress = silent
) -> Followed:
    """Clean and split the tracks of a field that has a boundary, and follow payload.

    Parameters
    ----------
    field : Field
    settings : Settings
    progress : callable, optional

    Returns
    -------
    Followed
    """
    use = settings
    notes: list[Note] = []
    keep = keeper(notes)

    progress(0.00, "clean the tracks")
    told: dict[str, Any] = {
        "machines": field.machines,
        "settings": use.tracks,
        "logs": _facts_of_logs(field),
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

    give_back()
    progress(0.10, "follow payload and wheels")
    rigs: dict[str, Any] = {
        "machines": field.machines,
        "settings": use.loads,
        "logs": told["logs"],
    }
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
    return Followed(
        fixes=fixes,
        passes=passes,
        sessions=sessions,
        gaps=gaps,
        payload=payload,
        notes=tuple(notes),
    )


def _facts_of_logs(field: Field) -> list:
    """Return what each log tells of its machine, for those that tell anything."""
    return [log.facts for log in field.logs if log.facts is not None]


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
