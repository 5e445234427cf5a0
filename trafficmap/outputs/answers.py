"""What to check first, what is left alone and why, and what was taken for granted.

One place for the map page and README.txt, so that both say the same.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS, REPORT_DEPTHS
from trafficmap.core.layers import get_layer
from trafficmap.outputs import inks, plan_words, words

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd

    from trafficmap.pipeline import Result


@dataclass(frozen=True)
class Left:
    """Ground left alone for one reason: its zones, area in words, row of the table."""

    zones: str
    area: str
    reason: str
    row: str


def check_first(result: Result) -> list[str]:
    """Return what has to be settled before any tool goes in, the gravest first.

    Buried lines and tile, then data that stop the answer, then digging where it says
    most, then the soil of the day in each zone that is to be worked.

    Parameters
    ----------
    result : Result
    """
    field, zones = result.field, result.zones
    told = [words.ASSUMED] if words.is_assumed(zones) else []
    if field.utilities != "located":
        told.append(
            "Have buried lines located, and say so in field.toml: no shank goes in "
            "before."
        )
    if field.tile.state in ("unsaid", "exists", "position_only"):
        told.append("Find out where the tile lies and how deep.")
    stops = sum(note.severity == "stop" for note in result.notes)
    if stops:
        many = f"{stops} notes marked Stop ask"
        asked = "note marked Stop asks" if stops == 1 else many
        told.append(f"Mend what the {asked} for, then run again.")
    told += _digging(result)
    told += _soil_of_the_day(zones, field.units)
    if not len(zones):
        return told
    again = _zones(zones, zones["advice"] == "wait")
    if again:
        told.append(f"Look again at {again}: the soil there is not fit yet.")
    for row, what in _ENDS:
        found = _zones(zones, zones["row"] == row)
        if found:
            told.append(what.format(zones=found))
    return told


_ENDS = (
    (
        "D8",
        "Test the end rows by themselves, {zones}: they are the last to be fit, best "
        "after a small grain.",
    ),
    (
        "D12",
        "Count the residue and look into the conservation plan for {zones}.",
    ),
)
"""What certain rows of the decision table ask for."""


def _digging(result: Result) -> list[str]:
    """Say where to dig first, and why there."""
    probe = plan_words.probe_zones(result)
    if not probe:
        return []
    first, others = probe[0], probe[1:]
    text = f"Dig and probe in zone {first.zone} first ({first.told})"
    if others:
        text += f", then in {zone_words([one.zone for one in others], in_order=True)}"
    return [f"{text}; nothing is ripped there before."]


def _soil_of_the_day(zones: gpd.GeoDataFrame, units: str) -> list[str]:
    """Say in which zones the soil is rolled by hand, down to where."""
    told: list[str] = []
    if not len(zones):
        return told
    rip = words.is_ripped(zones)
    if rip.any():
        deepest = words.depth_words(float(zones["depth"][rip].max()), units)
        told.append(
            f"On the day roll the soil by hand in {_zones(zones, rip)} at every 2 to "
            f"4 in (5 to 10 cm) down to {deepest}, then dig behind the first 100 ft "
            "(30 m): slots, smear or lumps mean stop."
        )
    wet = _zones(zones, (zones["kind"] == "overlap") & (zones["advice"] != "leave"))
    if wet:
        told.append(
            f"Test {wet} by itself, days after the rest: much liquid was put down "
            "there."
        )
    return told


def left_alone(result: Result) -> list[Left]:
    """Return the ground that is left alone, one row a reason, the largest first.

    Every zone whose advice is to leave it, to manage it, to keep out, or that has no
    answer; check strips and the rest of the field among them.
    """
    zones = result.zones
    if not len(zones):
        return []
    quiet = np.array(
        [
            words.zone_style(*pair) in _QUIET
            for pair in zip(zones["advice"], zones["kind"], strict=True)
        ]
    )
    shown = words.shown_areas(zones, result.field.units)
    unit = words.area_unit(result.field.units)
    groups: dict[tuple[str, str], list[int]] = {}
    for k in np.flatnonzero(quiet):
        reason, _ = reason_and_cause(str(zones["reason"].iloc[k]))
        key = (str(zones["row"].iloc[k]), words.as_sentence(reason))
        groups.setdefault(key, []).append(int(k))
    found = []
    for (row, reason), members in groups.items():
        area = words.added(*(shown[k] for k in members))
        numbers = zone_words([int(zones["zone"].iloc[k]) for k in members])
        size = float(zones["area"].iloc[members].sum())
        found.append((size, Left(numbers, f"{area} {unit}", reason, row)))
    return [left for _, left in sorted(found, key=lambda pair: -pair[0])]


_QUIET = ("leave", "keep-out", "strip", "not-assessed")


def taken_for_granted(result: Result) -> list[str]:
    """Return what nobody said of the field and the answer takes for granted."""
    field = result.field
    told = []
    if field.slope is None:
        told.append(
            "The slope was not said: level ground is taken for granted. Where it is "
            "steeper than 6 %, ask for the plan before any shank goes in."
        )
    if field.erodible is None:
        told.append(
            "Nothing was said of a conservation plan: it is taken for granted that "
            "none asks for residue here."
        )
    if field.end_row_width is None:
        told.append("The end rows were not told apart: they count as the field.")
    if field.tile.state == "unsaid":
        told.append("Nothing was said of tile: no tip goes below 14 in (36 cm).")
    if field.crop.spring_pass is None:
        told.append(
            "No usual spring pass was named: levelling after ripping is charged whole."
        )
    if not field.tools:
        width = words.length_words(result.settings.zones.width_assumed, field.units)
        told.append(f"No tool was named: zones are cut for one {width} wide.")
    return told


def risk_lines(result: Result) -> list[str]:
    """Return how likely damage is at each depth, in areas, apart from any advice."""
    tray, units = result.tray, result.field.units
    if "risk" not in tray or "inside" not in tray or "run_over" not in tray:
        return []
    inside = np.nan_to_num(get_layer(tray, "inside"))
    covered = float(inside.sum())
    scale = result.field.area / covered if covered else 0.0
    under = inside * np.nan_to_num(get_layer(tray, "run_over")) * scale
    risk = get_layer(tray, "risk")
    told = []
    for depth in REPORT_DEPTHS:
        classes = risk[COMPUTE_DEPTHS.index(depth)]
        parts = []
        for number, word in reversed(list(enumerate(inks.RISK_WORDS, 1))):
            area = words.area_number(float(under[classes == number].sum()), units)
            if area.strip("0.,"):
                parts.append(f"{word} {area}")
        if parts:
            unit = words.area_unit(units)
            told.append(
                f"At {words.depth_words(depth, units)}: {', '.join(parts)} {unit}."
            )
    return told


def reason_and_cause(reason: str) -> tuple[str, str]:
    """Return why a zone has its advice, and apart from it what was driven there.

    Examples
    --------
    >>> reason_and_cause("Ruts over 3 in (7.5 cm) (cart axle, wet at 14 in (35 cm)).")
    ('Ruts over 3 in (7.5 cm)', 'cart axle, wet at 14 in (35 cm)')
    >>> reason_and_cause("Buried line: keep the shanks up.")
    ('Buried line: keep the shanks up.', '')
    """
    found = _CAUSE.fullmatch(reason)
    return (found[1], found[2]) if found else (reason, "")


_CAUSE = re.compile(
    r"(.*?) \(((?:run over|[^()]* axle)(?:[^()]|\([^()]*\))*)\)\.", re.DOTALL
)


def zone_words(numbers: Sequence[int], *, in_order: bool = False) -> str:
    """Return numbers of zones in words, neighbours joined.

    Parameters
    ----------
    numbers : sequence of int
    in_order : bool
        Keep the order given, as that in which to go there.

    Examples
    --------
    >>> zone_words([16, 17, 18, 4]), zone_words([3]), zone_words([7, 2], in_order=True)
    ('zones 4, 16 to 18', 'zone 3', 'zones 7, 2')
    """
    if in_order:
        told = [str(number) for number in numbers]
    else:
        runs: list[list[int]] = []
        for number in sorted(numbers):
            if runs and number == runs[-1][-1] + 1:
                runs[-1].append(number)
            else:
                runs.append([number])
        told = []
        for run in runs:
            if len(run) > 2:
                told.append(f"{run[0]} to {run[-1]}")
            else:
                told += [str(number) for number in run]
    return f"zone{'s' if len(numbers) != 1 else ''} {', '.join(told)}"


def _zones(zones: gpd.GeoDataFrame, chosen) -> str:
    """Return the numbers of the chosen zones in words, empty where there are none."""
    numbers = [int(number) for number in zones["zone"][np.asarray(chosen, dtype=bool)]]
    return zone_words(numbers) if numbers else ""
