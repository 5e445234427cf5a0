"""Advice for all units of a field: each by the table, then depths and pairs."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.zones.advice_notes import advice_notes
from trafficmap.zones.decide import Advice, UnitInputs, caps, decide
from trafficmap.zones.depths import depth_classes, fitting_class, tip_depth
from trafficmap.zones.earlier import earlier_words
from trafficmap.zones.moisture import FIT_WORDS, moisture_state, rolled_state
from trafficmap.zones.shanks import deepest_lift
from trafficmap.zones.units import REST, Units

_REST_YEARS = 2
_NOBODY_DUG = "layer assumed, nobody dug here"
_UNSETTLED = "layer assumed, nobody dug enough here to settle it"

if TYPE_CHECKING:
    from collections.abc import Sequence

    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Field, Tool
    from trafficmap.zones.decide import Rolled


def decide_units(
    units: Units,
    *,
    field: Field,
    settings: ZoneSettings,
    price: pd.DataFrame | None = None,
    fit: pd.DataFrame | None = None,
    tool: Tool | None = None,
) -> tuple[Units, list[Note]]:
    """Return the units with advice, row, depth, fit, sand, clay, reason and further.

    Every unit runs through `decide` alone. Then the rip depths of the field are chosen
    and what no depth fits is left; then end rows and body are compared: end rows that
    fail their own test while the body is ripped are left (D8), end rows that pass it
    are ripped first (D9).

    Parameters
    ----------
    units : Units
        From `confirm`.
    field : Field
    settings : ZoneSettings
    price : DataFrame, optional
        Column net [currency], one row a unit; without it nothing is sure to pay.
    fit : DataFrame, optional
        Columns word, fresh, frozen [m], tip_frozen, sand, clay [fraction], one row a
        unit, as `plan.fit_states` makes them; missing columns are not known.
    tool : Tool, optional

    Returns
    -------
    Units
    list of Note
    """
    table = units.table.copy()
    inputs = [
        unit_inputs(
            row, field=field, tool=tool, settings=settings, price=price, fit=fit
        )
        for row in table.to_dict("records")
    ]
    advices = [
        _advice(row, given, settings, logged=bool(field.logs))
        for row, given in zip(table.to_dict("records"), inputs, strict=True)
    ]
    kinds = table["kind"].tolist()
    bodies = [k for k, kind in enumerate(kinds) if kind in ("body", "overlap")]
    ends = [k for k, kind in enumerate(kinds) if kind == "end_rows"]
    advices = _into_classes(advices, inputs, settings, tool)
    for k in ends:
        advices[k] = pair_end_rows(advices[k], [advices[b] for b in bodies])
    taken = _assumed(table, settings)
    advices = [
        replace(advice, reason=f"{_assumed_words(dug)}: {advice.reason}")
        if mine
        else advice
        for advice, mine, dug in zip(advices, taken, table["dug"], strict=True)
    ]
    # Said in the table itself, so that no output can take it for a finding.
    table.loc[taken, "probed"] = "assumed"
    table["advice"] = [advice.word for advice in advices]
    table["row"] = [advice.row for advice in advices]
    table["depth"] = [advice.tip for advice in advices]
    table["fit"] = [
        FIT_WORDS[given.moisture] if given.probed == "confirmed" else "unknown"
        for given in inputs
    ]
    table["sand"] = [_of(fit, unit, "sand") for unit in table["unit"]]
    table["clay"] = [given.clay for given in inputs]
    table["reason"] = [advice.reason for advice in advices]
    table["further"] = ["; ".join(advice.further) for advice in advices]
    for k, row in enumerate(table.to_dict("records")):
        if _earlier(row, settings) >= settings.seed and row["kind"] != "keep_out":
            told = earlier_words(row["earlier"], row["earlier_depth"])
            # A reason of its own where this season alone would not have led here.
            name = "further" if row["probability"] >= settings.seed else "reason"
            table.loc[k, name] = "; ".join(t for t in (row[name], told) if t)
    table["trial"] = [advice.trial for advice in advices]
    notes = advice_notes(table, field=field, settings=settings)
    if tool is not None and tool.foot_width is None and "rip" in set(table["advice"]):
        sentence = (
            f"{tool.name}: the width of its feet is not known, so nobody can say below "
            "which depth they smear instead of lift; add foot_width_m, and dig between "
            "the shanks."
        )
        notes.append(Note("zones.foot_width", "check", sentence, where=tool.name))
    return units.with_table(table), notes


def unit_inputs(
    row: dict,
    *,
    field: Field,
    tool: Tool | None,
    settings: ZoneSettings,
    price: pd.DataFrame | None,
    fit: pd.DataFrame | None,
) -> UnitInputs:
    """Gather what the decision needs to know of one unit."""
    unit = row["unit"]
    sand, clay = _of(fit, unit, "sand"), _of(fit, unit, "clay")
    tip = tip_depth(row["layer_bottom"], units=field.units)
    model = "unknown" if fit is None else str(fit["word"].iloc[unit])
    fresh = fit is None or "fresh" not in fit or bool(fit["fresh"].iloc[unit])
    frozen = _of(fit, unit, "frozen") if field.frost is None else field.frost
    crop = field.crop
    counted = crop.residue_counted
    rolls = row["rolls"] if fresh else ()
    return UnitInputs(
        # What is still there from an earlier season is as good a reason to look; the
        # larger of the two counts, never their sum, and NaN stays not assessed.
        probability=max(row["probability"], _earlier(row, settings)),
        assessed=bool(row["assessed"]),
        probed=row["probed"],
        layer_bottom=row["layer_bottom"],
        moisture=moisture_state(
            rolls,
            tip=tip,
            trial=row["trial"],
            model=model,
            settings=settings,
        ),
        rolled=_rolled(rolls, tip=tip, model=model, settings=settings),
        trial=bool(row["trial"]),
        dry=model == "too hard",
        frost=0.0 if math.isnan(frozen) else frozen,
        tip_frozen=_tip_frozen(fit, unit, tip, field),
        rut=row["rut"],
        net=_of(price, unit, "net"),
        net_low=_of(price, unit, "net_low"),
        pays=_pays(price, unit),
        next_crop=crop.next,
        crop_now=crop.now,
        reach=tool.depth_max if tool is not None else math.inf,
        lifts=deepest_lift(tool, widths=settings.critical_widths),
        tile=field.tile.state,
        tile_cover=math.nan if field.tile.cover is None else field.tile.cover,
        utilities=field.utilities,
        sand=is_sand(sand, clay),
        clay=clay,
        erodible=bool(field.erodible),
        slope=_slope(row, field),
        residue=math.nan if counted is None else counted,
        soybean_allowed=crop.soybean_allowed,
        leave_why=_leave_why(field) or _organic(_of(fit, unit, "organic"), settings),
        open_why=row.get("open_why", ""),
        overlap=row["kind"] == "overlap",
        units=field.units,
    )


def _rolled(
    rolls: Sequence[tuple[float, str]], *, tip: float, model: str,
    settings: ZoneSettings,
) -> Rolled:  # fmt: skip
    """Return what was rolled; a model that knows no weather does not disagree."""
    state = rolled_state(rolls, tip=tip, settings=settings)
    return "no weather" if state == "yes" and model == "unknown" else state


def _earlier(row: dict, settings: ZoneSettings) -> float:
    """Return the chance left from earlier seasons, 0 where none speaks of a layer."""
    chance = row.get("earlier", math.nan)
    return chance if chance >= settings.seed else 0.0


def _slope(row: dict, field: Field) -> float:
    """Return the slope of a unit: from the map, else that of the field, else level."""
    own = row.get("slope", math.nan)
    return own if math.isfinite(own) else field.slope or 0.0


def _leave_why(field: Field) -> str:
    """Return why no ground of this field is to be touched, or nothing."""
    if field.crop.no_till:
        return "no-till ground stays as it is"
    last = field.crop.last_ripped
    if last is not None and field.season - last < _REST_YEARS:
        return f"ripped in {last}: give it time, and keep wheels off"
    return ""


def _organic(share: float, settings: ZoneSettings) -> str:
    """Return why organic ground is not to be touched, or nothing."""
    if share >= settings.organic_soil:
        return "organic soil shrinks and rots when it is opened"
    return ""


def is_sand(sand: float, clay: float) -> bool:
    """Return whether a texture is USDA sand or loamy sand; False where not known.

    Loamy sand ends where silt plus twice the clay reaches 30 % (USDA texture triangle).

    Examples
    --------
    >>> is_sand(0.85, 0.05), is_sand(0.65, 0.10), is_sand(float("nan"), 0.1)
    (True, False, False)
    """
    return (1.0 - sand - clay) + 2 * clay < 0.30


def pair_end_rows(ends: Advice, bodies: list[Advice]) -> Advice:
    """Return the advice for end rows beside the advice for the body.

    Parameters
    ----------
    ends : Advice
        By the table alone.
    bodies : list of Advice
        All units of the body.
    """
    body_ripped = any(body.word == "rip" for body in bodies)
    if not body_ripped:
        return ends
    if ends.line in (8, 9):
        reason = (
            "the body shatters, the packed end rows do not: leave them till dry, best "
            "after a small grain"
        )
        return replace(
            ends,
            word="leave",
            row="D8",
            reason=reason,
            further=(ends.reason, *ends.further),
        )
    if ends.word == "rip" and ends.line == 11:
        reason = (
            "confirmed layer, and the end rows pass their own test: rip them first, at "
            "an angle, and do not load there again"
        )
        return replace(ends, row="D9", reason=reason)
    return ends


def _advice(
    row: dict, given: UnitInputs, settings: ZoneSettings, *, logged: bool
) -> Advice:
    """Return the advice of one unit; the rest and keep-outs have theirs by kind."""
    if not logged and row["run_over"] == 0.0 and row["kind"] != "keep_out":
        reason = "no log is given, so nobody knows what drove here"
        return Advice("not assessed", "D22", reason, 3)
    if row["unit"] == REST and row["open_share"] > settings.not_assessed_share:
        reason = row.get("open_why", "") or (
            "loads, soil water or dates of what drove here are not known well enough "
            "to say anything"
        )
        return Advice("not assessed", "D22", reason, 3)
    if row["unit"] == REST:
        return Advice("leave", "D1", _rest_reason(row), 3, further=_rest_further(row))
    if row["kind"] == "keep_out":
        if row["located"]:
            return Advice("keep out", "D20", row["leave_why"], 2)
        return Advice("keep out", "D17", f"{row['leave_why']} till it is located", 1)
    return decide(given, settings=settings)


def _assumed(table: pd.DataFrame, settings: ZoneSettings) -> np.ndarray:
    """Return True for units whose layer the settings say is there, and nobody dug."""
    if settings.assume_confirmed is None:
        return np.zeros(len(table), dtype=bool)
    stands = table["kind"].ne("keep_out") & table["unit"].ne(REST)
    return (stands & table["dug"].str.startswith("assumed")).to_numpy()


def _assumed_words(dug: str) -> str:
    return _NOBODY_DUG if dug.endswith("nobody dug here") else _UNSETTLED


def _rest_reason(row: dict) -> str:
    if row["run_over"] == 0.0:
        return "nothing was driven here"
    if row.get("seeded", 0.0) >= 0.0005:
        return (
            f"damage is possible on {row['seeded']:.1%} of this ground only, in pieces "
            "too small, short or narrow to work"
        )
    return "no piece of ground here is both likely damaged and large enough to work"


def _rest_further(row: dict) -> tuple[str, ...]:
    if row["open_share"] >= 0.005:
        return (
            f"{row['open_share']:.0%} of what was run over here is not assessed, in "
            "pieces too small for a zone",
        )
    return ()


def _into_classes(
    advices: list[Advice],
    inputs: list[UnitInputs],
    settings: ZoneSettings,
    tool: Tool | None,
) -> list[Advice]:
    """Set the few rip depths of the field; leave what none of them fits."""
    ripped = [k for k, advice in enumerate(advices) if advice.word == "rip"]
    if not ripped:
        return advices
    units = inputs[ripped[0]].units
    shallowest = tool.depth_min if tool is not None else 0.0
    spans = {k: (shallowest, min(caps(inputs[k], settings))) for k in ripped}
    classes = depth_classes(
        [inputs[k].layer_bottom for k in ripped],
        nets=[max(inputs[k].net, 0.0) for k in ripped],
        units=units,
        most=settings.most_depths,
        spans=[spans[k] for k in ripped],
    )
    out = list(advices)
    for k in ripped:
        depth = fitting_class(
            inputs[k].layer_bottom, classes=classes, units=units, span=spans[k]
        )
        if depth is None:
            reason = "would need a depth of its own, which no other zone shares"
            out[k] = replace(
                advices[k], word="leave", row="D19", reason=reason, tip=math.nan
            )
        else:
            out[k] = replace(advices[k], tip=depth)
    return out


def _of(table: pd.DataFrame | None, unit: int, name: str) -> float:
    """Return one value of a unit, NaN where the table or the column is missing."""
    if table is None or name not in table.columns:
        return math.nan
    value = table[name].iloc[unit]
    return math.nan if value is None or pd.isna(value) else float(value)


def _pays(price: pd.DataFrame | None, unit: int) -> bool | None:
    """Return whether money was found to pay, None where nobody said."""
    if price is None or "verdict" not in price.columns:
        return None
    return {"pays": True, "does not pay": False}.get(str(price["verdict"].iloc[unit]))


def _tip_frozen(fit: pd.DataFrame | None, unit: int, tip: float, field: Field) -> bool:
    """Return whether there is ice at the shank tip; what was measured today counts."""
    if field.frost is not None:
        return not math.isnan(tip) and 0.0 < tip <= field.frost
    return _of(fit, unit, "tip_frozen") == 1.0
