"""The same field with zones drawn from other thresholds, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from trafficmap import pipeline
from trafficmap.core.errors import InputError
from trafficmap.core.units import from_si

if TYPE_CHECKING:
    from trafficmap.pipeline import Result

_LEFT = ("leave", "keep out", "manage")


@dataclass(frozen=True)
class Drawn:
    """What one threshold comes to.

    Parameters
    ----------
    threshold : float
        Chance of damage from which on ground seeds a zone.
    zones : int
        Zones that ask for something: all but what is left alone.
    areas : dict of str to float
        Area of each advice. [m2]
    result : Result
    """

    threshold: float
    zones: int
    areas: dict[str, float]
    result: Result


def redrawn(result: Result, thresholds: Sequence[float]) -> list[Drawn]:
    """Draw the zones of a result anew for each threshold, its own first.

    Parameters
    ----------
    result : Result
    thresholds : sequence of float
        Above 0, at most 1.

    Raises
    ------
    InputError
        A threshold is no chance.
    """
    refuse_no_chance(thresholds)
    own = result.settings.zones.seed
    out = [_drawn(own, result)]
    for threshold in dict.fromkeys(thresholds):
        if threshold != own:
            zones = msgspec.structs.replace(result.settings.zones, seed=threshold)
            use = msgspec.structs.replace(result.settings, zones=zones)
            out.append(_drawn(threshold, pipeline.redraw(result, settings=use)))
    return out


def refuse_no_chance(thresholds: Sequence[float]) -> None:
    """Refuse a threshold that is no chance, before anything is worked out."""
    for threshold in thresholds:
        if not 0.0 < threshold <= 1.0:
            msg = f"threshold: got {threshold:g}, need a chance above 0 and up to 1."
            raise InputError(msg, "half is 0.5")


def thresholds_text(drawn: Sequence[Drawn], *, units: str) -> str:
    """Return the areas of each advice by threshold as a plain table.

    Parameters
    ----------
    drawn : sequence of Drawn
        From `redrawn`.
    units : {"us", "metric"}
        Acres or hectares.
    """
    name = "ac" if units == "us" else "ha"
    words = dict.fromkeys(word for row in drawn for word in row.areas)
    asked = [word for word in words if word not in _LEFT]
    heads = ["chance from", "zones", *asked, "left alone"]
    rows = []
    for k, row in enumerate(drawn):
        left = sum(row.areas.get(word, 0.0) for word in _LEFT)
        cells = [row.areas.get(word, 0.0) for word in asked]
        areas = [f"{from_si(area, name):.1f} {name}" for area in (*cells, left)]
        mark = " (as run)" if k == 0 else ""
        rows.append([f"{row.threshold:.0%}{mark}", str(row.zones), *areas])
    wide = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    lines = [
        "  ".join(
            cell.ljust(size) if k == 0 else cell.rjust(size)
            for k, (cell, size) in enumerate(zip(line, wide, strict=True))
        ).rstrip()
        for line in (heads, *rows)
    ]
    return "\n".join(lines) + "\n"


def thresholds_document(drawn: Sequence[Drawn]) -> list[dict]:
    """Return the same as plain values: threshold, zones, areas_m2."""
    return [
        {"threshold": row.threshold, "zones": row.zones, "areas_m2": row.areas}
        for row in drawn
    ]


def _drawn(threshold: float, result: Result) -> Drawn:
    asked = ~result.zones["advice"].isin(_LEFT)
    return Drawn(threshold, int(asked.sum()), result.areas(), result)
