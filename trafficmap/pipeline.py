"""The whole line, from a Field to zones and a plan, as one readable function."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap import loads, plan, risk, soil, tracks, traffic, zones
from trafficmap._result import Followed, Measured, Result
from trafficmap._steps import (
    access_share,
    carrying_today,
    hours_ahead,
    mapped_bounds,
    nights_ahead,
    pressed_density,
    soil_water,
    tilled_depth,
    water_ahead,
    worth_of_readings,
)
from trafficmap._totals import field_totals, track_totals, with_lines
from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import get_layer, new_tray, put_layer
from trafficmap.core.memory import give_back
from trafficmap.core.notes import Note, worst_first
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
    keep = _keeper(notes)
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
    keep = _keeper(notes)

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


def decide(measured: Measured, *, progress: Progress = silent) -> Result:
    """Draw zones from what was measured, decide on each, and plan the work.

    Parameters
    ----------
    measured : Measured
        From `measure`. Its layers are not changed: the result has a tray of its own.
    progress : callable, optional
        Called with (share done, what is being done).

    Returns
    -------
    Result
    """
    field, use, grid = measured.field, measured.settings, measured.grid
    tray = measured.tray.copy(deep=False)
    columns, series = measured.columns, measured.series
    notes: list[Note] = [*field.notes, *measured.found]
    keep = _keeper(notes)

    progress(0.75, "draw zones and decide")
    dug = keep(
        zones.still_good(
            field.dug,
            grid=grid,
            settings=use.zones,
            last_day=get_layer(tray, "last_day") if "last_day" in tray else None,
            tillage=field.tillage,
            series=series,
        )
    )
    field = replace(field, dug=dug)
    ahead = keep(water_ahead(measured, field, getattr(measured, "ahead", None)))
    nights = keep(nights_ahead(field, use, series, ahead, measured.paths))
    tool = max(field.tools, key=lambda tool: tool.depth_max, default=None)
    work: dict[str, Any] = {"field": field, "settings": use.zones, "tool": tool}
    units = keep(zones.candidates(tray, grid=grid, columns=columns, **work))
    units = keep(
        zones.split_by_findings(
            units, field.dug, tray=tray, settings=use.zones, columns=columns
        )
    )
    units = found = zones.confirm(units, field.dug, settings=use.zones)
    units = zones.with_runs(units, paths=measured.paths, **work)
    money = keep(
        plan.price(
            units,
            crop=field.crop,
            prices=field.prices,
            settings=use.plan,
            tool=tool,
            words=field.units,
            columns=columns,
        )
    )
    fit = keep(
        plan.fit_states(
            units, series=series, field=field, settings=use, columns=columns
        )
    )
    units = keep(zones.decide_units(units, price=money, fit=fit, **work))
    why = zones.causes(
        units,
        events=measured.events,
        paths=measured.paths,
        strength=measured.strength,
        columns=columns,
        time_zone=field.time_zone,
        words=field.units,
        resets=measured.resets,
    )
    drawn = keep(
        zones.draw(units, field=field, tray=tray, settings=use, tool=tool, why=why)
    )
    drawn = keep(
        plan.settle(
            drawn, field=field, settings=use.plan, heading=units.heading, tool=tool
        )
    )
    stops = keep(zones.probe_stops(drawn, tray, grid=grid, settings=use.zones))

    hours, chances = keep(
        hours_ahead(drawn, found, field=field, use=use, series=series, ahead=ahead)
    )

    seasons = None
    if use.risk.draws:
        progress(0.85, "draw seasons that could have been")
        seasons = risk.draw(
            measured.visits,
            measured.passes,
            profiles=measured.profiles,
            strength=measured.strength,
            columns=columns,
            grid=grid,
            inside=get_layer(tray, "inside"),
            tray=tray,
            sessions=measured.sessions,
            settings=use.risk,
            resets=measured.resets,
        )

    progress(0.90, "plan the work")
    jobs = keep(
        plan.work_plan(
            drawn, field=field, settings=use.plan, heading=units.heading, tool=tool
        )
    )
    told = {item.name: getattr(measured, item.name) for item in fields(Measured)}
    return Result(
        **told | {"tray": tray, "draws": seasons},
        zones=drawn,
        plan=jobs,
        money=plan.money_block(
            drawn, field=field, settings=use.plan, heading=units.heading, tool=tool
        ),
        stops=stops,
        notes=tuple(worst_first(_said_once(notes))),
        nights=nights,
        ahead=ahead,
        when=hours,
        odds=chances,
        units=units,
        price=money,
        fit=fit,
    )


def redraw(
    result: Measured, *, settings: Settings | None = None, field: Field | None = None
) -> Result:
    """Decide anew from what was measured: other thresholds, prices, tools, findings.

    Tracks, loads, soil and risk are not worked out again, so it takes a moment where
    `run` takes seconds.

    Parameters
    ----------
    result : Measured or Result
        Of an earlier run.
    settings : Settings, optional
        May differ in the sections ``zones`` and ``plan`` only.
    field : Field, optional
        The same field with other findings, prices, tools, crop or keep-outs; its
        logs, machines, soil and weather must be those that were measured.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        Something differs that would change what was measured.
    """
    use = result.settings if settings is None else settings
    now = result.field if field is None else field
    before = result.settings
    changed = [
        name
        for name in ("tracks", "loads", "soil", "traffic", "risk")
        if getattr(use, name) != getattr(before, name)
    ]
    changed += [
        name
        for name in _MEASURED_FROM
        if not _same(getattr(now, name), getattr(result.field, name))
    ]
    if changed:
        msg = (
            f"{now.name}: {', '.join(changed)} differ from what was measured, need "
            "the same to draw zones anew."
        )
        raise InputError(msg, "run the whole line again")
    return decide(replace(result, settings=use, field=now))


_MEASURED_FROM = ("fixes", "machines", "boundary", "soil", "weather", "epsg")
"""What of a field the measuring depends on; another of these needs another run."""


def _same(one: Any, two: Any) -> bool:
    """Tell whether two things hold the same values, tables and arrays included."""
    if one is two:
        return True
    if type(one) is not type(two):
        return False
    if hasattr(one, "equals"):
        return bool(one.equals(two))
    if names := getattr(one, "__struct_fields__", ()):
        return all(_same(getattr(one, name), getattr(two, name)) for name in names)
    if is_dataclass(one):
        return all(
            _same(getattr(one, f.name), getattr(two, f.name)) for f in fields(one)
        )
    if isinstance(one, dict):
        return one.keys() == two.keys() and all(_same(one[k], two[k]) for k in one)
    if isinstance(one, list | tuple):
        return len(one) == len(two) and all(map(_same, one, two))
    if isinstance(one, np.ndarray | float):
        return np.array_equal(one, two, equal_nan=np.asarray(one).dtype.kind == "f")
    return bool(one == two)


def _facts_of_logs(field: Field) -> list:
    """Return what each log tells of its machine, for those that tell anything."""
    return [log.facts for log in field.logs if log.facts is not None]


def _keeper(notes: list[Note]) -> Callable[[tuple], Any]:
    """Return what collects the notes of a step and hands on its product."""

    def keep(step: tuple) -> Any:
        *product, found = step
        notes.extend(found)
        return product[0] if len(product) == 1 else tuple(product)

    return keep


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
