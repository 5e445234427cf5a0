"""Whether a tool can do the job: spacing, critical depth, reach and pull."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trafficmap.core.notes import Note
from trafficmap.core.units import from_si
from trafficmap.plan.draft import DRAFT_ROWS, DraftRow, draft_d497
from trafficmap.plan.power import drawbar_share, most_pull, shanks_to_lift
from trafficmap.zones.shanks import critical_depth

if TYPE_CHECKING:
    from trafficmap.core.settings.plan import PlanSettings
    from trafficmap.field.model import Tool

_SPACING = {
    # shank spacing over working depth, state deep-ripping guide (Tasmania)
    "plain": (1.0, 1.5),
    "winged": (1.5, 2.0),
    "winged, leading tines": (2.0, 2.5),
}


def spacing_limits(depth: float, *, tool: Tool) -> tuple[float, float]:
    """Narrowest and widest useful shank spacing [m] for a working depth.

    Parameters
    ----------
    depth : float
        [m]
    tool : Tool

    References
    ----------
    .. [1] Deep-ripping guide of a state agriculture department (Tasmania): 1.0 to 1.5
       times the depth for plain tines, 1.5 to 2.0 winged, 2.0 to 2.5 winged behind
       shallow leading tines.
    """
    kind = "plain"
    if tool.winged:
        kind = "winged, leading tines" if tool.leading_tines else "winged"
    low, high = _SPACING[kind]
    return low * depth, high * depth


def least_depth_for_spacing(spacing: float) -> float:
    """Least depth [m] that shatters full width: half the spacing (a field rule).

    Examples
    --------
    >>> round(least_depth_for_spacing(30 * 0.0254) / 0.0254)
    15
    """
    return spacing / 2


def draft_row(tool: Tool) -> DraftRow:
    """Return the draft coefficients for a tool."""
    if tool.kind == "chisel":
        return DRAFT_ROWS["chisel, straight"]
    return DRAFT_ROWS["winged subsoiler" if tool.winged else "subsoiler"]


def tool_draft(
    tool: Tool, *, depth: float, soil: str, speed: float, spread: float
) -> tuple[float, float, float]:
    """Return low, best and high draft [N] of the whole tool."""
    best = draft_d497(
        draft_row(tool), soil=soil, speed=speed, tools=tool.shanks, depth=depth
    )
    return best * (1 - spread), best, best * (1 + spread)


def check_tool(
    tool: Tool, *, depth: float, soil: str, settings: PlanSettings
) -> list[Note]:
    """Say what stands against a tool at a depth: reach, spacing, critical depth, pull.

    Parameters
    ----------
    tool : Tool
    depth : float
        Working depth. [m]
    soil : {"fine", "medium", "coarse"}
    settings : PlanSettings
    """
    notes = []
    inches = round(from_si(depth, "in"))
    where = f"{tool.name} at {inches} in ({depth * 100:.0f} cm)"
    if not tool.depth_min - 1e-9 <= depth <= tool.depth_max + 1e-9:
        sentence = (
            f"{where}: it works from {tool.depth_min * 100:.0f} to "
            f"{tool.depth_max * 100:.0f} cm; take another tool."
        )
        notes.append(Note("plan.tool_reach", "stop", sentence, where=tool.name))
    if tool.shanks > 0:
        spacing = tool.width / tool.shanks
        widest = spacing_limits(depth, tool=tool)[1]
        if spacing > widest + 1e-9:
            sentence = (
                f"{where}: shanks stand {spacing * 100:.0f} cm apart, at most "
                f"{widest * 100:.0f} cm breaks the ground between them; ridges of pan "
                "stay. Use wings, leading tines or a second pass."
            )
            notes.append(Note("plan.spacing", "check", sentence, where=tool.name))
        elif depth < least_depth_for_spacing(spacing) - 1e-9:
            sentence = f"{where}: shallower than half the shank spacing; dig to see."
            notes.append(Note("plan.half_spacing", "info", sentence, where=tool.name))
    if tool.foot_width is not None:
        critical = critical_depth(tool.foot_width, winged=tool.winged)[0]
        if depth > critical + 1e-9:
            sentence = (
                f"{where}: below about {critical * 100:.0f} cm its foot may smear "
                "instead of lift; dig between the shanks, go wider at the foot."
            )
            notes.append(
                Note("plan.critical_depth", "check", sentence, where=tool.name)
            )
    speed = tool.speed or settings.speed
    if tool.power is not None and tool.drive:
        draft = tool_draft(
            tool, depth=depth, soil=soil, speed=speed, spread=settings.draft_spread
        )[1]
        lift = shanks_to_lift(
            draft,
            shanks=tool.shanks,
            speed=speed,
            engine_power=tool.power,
            share=drawbar_share(tool.drive, ground="firm"),
        )
        if lift:
            sentence = (
                f"{where}: the tractor is likely too weak at {speed * 3.6:.0f} km/h; "
                f"lift {lift} of {tool.shanks} shanks out or go slower (the pull is "
                "known to half either way)."
            )
            notes.append(Note("plan.power", "check", sentence, lift, tool.name))
    if tool.tractor_mass is not None and tool.drive:
        notes += _slip(tool, where, depth, soil, speed, settings)
    low, high = settings.speed_window
    if not low - 1e-9 <= speed <= high + 1e-9:
        sentence = (
            f"{tool.name}: {speed * 3.6:.0f} km/h, usual are {low * 3.6:.0f} to "
            f"{high * 3.6:.0f}; too fast turns up subsoil, too slow does not lift."
        )
        notes.append(Note("plan.speed", "info", sentence, where=tool.name))
    return notes


def _slip(
    tool: Tool,
    where: str,
    depth: float,
    soil: str,
    speed: float,
    settings: PlanSettings,
) -> list[Note]:
    """Say whether the wheels slip past the limit before the tool pulls through."""
    draft = tool_draft(
        tool, depth=depth, soil=soil, speed=speed, spread=settings.draft_spread
    )[1]
    most = most_pull(
        float(tool.tractor_mass or 0.0),
        drive=tool.drive,
        cone_index=settings.ground_cone_index,
        slip=settings.slip_limit,
    )
    if most is None:
        sentence = (
            f"{where}: nobody has figures for the slip of tracks; measure it, and stop "
            f"above {settings.slip_limit:.0%}."
        )
        return [Note("plan.slip_tracks", "info", sentence, where=tool.name)]
    if draft <= most:
        return []
    lift = min(tool.shanks, math.ceil(tool.shanks * (1.0 - most / draft) - 1e-9))
    sentence = (
        f"{where}: it pulls about {draft / 1000:.0f} kN ({draft / 4448.2216:.1f} "
        f"thousand lb), and a tractor of this weight holds {most / 1000:.0f} kN at "
        f"{settings.slip_limit:.0%} slip; lift {lift} of {tool.shanks} shanks out or "
        "add weight. Slipping wheels smear the furrow."
    )
    return [Note("plan.slip", "check", sentence, lift, tool.name)]
