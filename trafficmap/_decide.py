"""From what was measured to zones, money and a plan, as one readable function."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

from trafficmap import plan, risk, zones
from trafficmap._result import Measured, Result
from trafficmap._steps import hours_ahead, keeper, nights_ahead, water_ahead
from trafficmap.core.layers import get_layer
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.progress import Progress, silent


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
    keep = keeper(notes)

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
