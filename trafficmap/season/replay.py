"""The season driven again with a change, through the whole line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from trafficmap import pipeline
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.progress import Progress, silent
from trafficmap.season.carts import (
    carts_of,
    combine_ways,
    combines_of,
    drive_carts,
    fill_less,
    fillings_of,
    has_emptied,
    kept_lines,
    may_hold,
)
from trafficmap.season.driven import Driven
from trafficmap.season.ends import unload_at_ends
from trafficmap.season.lanes import Lanes, best_offset, main_heading, on_heading
from trafficmap.season.lanes import put_on_lanes as _put_on_lanes
from trafficmap.season.rigs import changed_field

if TYPE_CHECKING:
    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field
    from trafficmap.pipeline import Followed, Measured
    from trafficmap.season.changes import Change


@dataclass(frozen=True)
class Replay:
    """A season driven again.

    Parameters
    ----------
    result : Measured
        What the line makes of it, up to the damage.
    trips : int
        Trips with a load more than were made.
    notes : tuple of Note
        What must be known of this change; those of the line are in the result.
    driven : Driven
        Fixes, passes and payload as they would have been.
    """

    result: Measured
    trips: int
    notes: tuple[Note, ...]
    driven: Driven


def replay(
    field: Field,
    change: Change | None,
    *,
    settings: Settings,
    progress: Progress = silent,
    followed: Followed | None = None,
) -> Replay:
    """Drive the season again.

    Parameters
    ----------
    field : Field
    change : Change or None
        None drives it as it was.
    settings : Settings
    progress : callable
    followed : Followed, optional
        The season as it was, from `pipeline.follow`; used where the change moves
        neither days nor machines, so that tracks are not cleaned again.

    Returns
    -------
    Replay

    Raises
    ------
    TrafficmapError
        The change does not fit this field; the sentence says why.
    """
    notes: list[Note] = []
    use = field
    if change is not None:
        use, notes = changed_field(field, change)
    kept: list[Driven] = []
    # Seasons drawn at random answer another question, and take their time.
    quiet = msgspec.structs.replace(settings.risk, draws=0)
    plain = msgspec.structs.replace(settings, risk=quiet)

    def rework(fixes, passes, payload):
        driven = Driven(fixes, passes, payload)
        if change is not None and change.moves_tracks:
            driven = _moved(driven, change, use, settings)
        kept.append(driven)
        return driven.fixes, driven.passes, driven.payload, []

    if change is not None and (change.days_later or change.instead):
        followed = None
    result = pipeline.measure(
        use, plain, progress=progress, rework=rework, followed=followed
    )
    driven = kept[0]
    return Replay(result, driven.trips, (*notes, *driven.notes), driven)


def lanes_of(driven: Driven, change: Change, field: Field, settings: Settings) -> Lanes:
    """Return the lanes a change asks for.

    Their direction is the one told, else the rows', else that of most of the work;
    they go through the place told, else where most of the combines' and other wide
    machines' way lies on them.

    Raises
    ------
    InputError
        Nothing tells their direction.
    """
    spacing = change.lane_spacing
    if spacing is None:
        msg = f"{change.name}: no spacing of lanes is given."
        raise InputError(msg, "add lanes_every_ft or lanes_every_m")
    told = change.lanes_heading_deg
    told = field.rows_heading if told is None else told
    heading = math.radians(told) % math.pi if told is not None else None
    if heading is None:
        heading = main_heading(
            driven.fixes, driven.passes, least=settings.season.lane_least
        )
    if heading is None:
        msg = f"{change.name}: no straight work tells where lanes should lead."
        raise InputError(msg, "add lanes_heading_deg")
    lanes = Lanes(heading, spacing, 0.0)
    if change.lanes_through is not None:
        from pyproj import Transformer

        to_grid = Transformer.from_crs(4326, field.epsg, always_xy=True)
        easting, northing = to_grid.transform(*change.lanes_through)
        return Lanes(heading, spacing, float(lanes.right(easting, northing)) % spacing)
    found = on_heading(driven.fixes, driven.passes, heading, settings)
    wide = [bool(field.machines[str(name)].width) for name in found.machine]
    if not any(wide):
        return lanes
    offset, _ = best_offset(
        found.right[wide],
        found.length[wide],
        spacing=spacing,
        near=settings.season.lane_near,
    )
    return Lanes(heading, spacing, offset)


def _moved(driven: Driven, change: Change, field: Field, settings: Settings) -> Driven:
    """Return the season with other tracks and loads, in an order that makes sense."""
    out = driven
    if change.lane_spacing is not None:
        lanes = lanes_of(driven, change, field, settings)
        out = _put_on_lanes(out, lanes, field=field, settings=settings)
    redone: list[str] = []
    if change.unload_at_ends:
        before = out
        out = unload_at_ends(out, change, field=field, settings=settings)
        # Where nothing tells the tank the carts drive as they did, less filled or not.
        if out.fixes is not before.fixes:
            redone = [
                n for n in carts_of(field, before) if has_emptied(driven, n, settings)
            ]
    elif change.carts_on_combine_tracks or change.lane_spacing is not None:
        out, redone = _on_tracks(out, change, field, settings)
    for name, share in change.fill.items():
        if name not in redone:
            out = fill_less(out, name, share, field=field, settings=settings)
    return out


def _on_tracks(
    driven: Driven, change: Change, field: Field, settings: Settings
) -> tuple[Driven, list[str]]:
    """Return the season with carts on the combines' tracks, and which carts."""
    combines = combines_of(field, driven)
    carts = [n for n in carts_of(field, driven) if has_emptied(driven, n, settings)]
    if not combines or not carts:
        if change.carts_on_combine_tracks:
            note = Note(
                "season.no_cart",
                "check",
                "no cart tells when it was filled and emptied, or no combine drove, so "
                "carts drive as they did.",
            )
            return driven.with_notes(note), []
        return driven, []
    ways = combine_ways(driven, combines, settings)
    out = driven
    for name in carts:
        share = change.fill.get(name)
        out = drive_carts(
            out,
            name,
            kept_lines(driven, fillings_of(driven, name, settings=settings), ways),
            cap=may_hold(driven, field.machines[name], share, settings),
            ways=ways,
            field=field,
            settings=settings,
            same_loads=share is None,
        )
    return out, carts
