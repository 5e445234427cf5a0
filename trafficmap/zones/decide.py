"""The decision table: one advice for one unit, the first line that applies.

What could hurt people, lines or law comes first, then ground that must not be touched,
then what is not known, what cannot work, what does not pay, then today's ground; only
what is left is ripped. The order and every limit are a choice, none has been tested in
the field. Rows are numbered D1 to D22; D8, D9 and D18 say how units are cut and paired,
see `zones.advise`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from trafficmap.core.constants import FROST_LIMITS
from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.zones.depths import tip_depth

Probed = Literal["none", "no layer", "confirmed", "inconclusive"]
Moisture = Literal["plastic", "untested", "fit", "hard"]
Rolled = Literal["no", "yes", "short", "no weather"]

_DRY_TOP = "the top 2 to 4 in (5 to 10 cm) are dry"


@dataclass(frozen=True)
class UnitInputs:
    """What the decision needs to know of one unit; defaults allow ripping.

    Parameters
    ----------
    probability : float
        Under-wheel chance at the worst of 0.25, 0.35 and 0.50 m. [unitless]
    assessed : bool
        False when axle load, moisture or date is missing.
    probed : {"none", "no layer", "confirmed", "inconclusive"}
    layer_bottom : float
        As measured; NaN unless confirmed. [m]
    moisture : {"plastic", "untested", "fit", "hard"}
        At depth, see `zones.moisture.moisture_state`.
    rolled : {"no", "yes", "short", "no weather"}
        Whether soil was rolled by hand and still counts, down to the tip or not as far;
        "no weather" if down to the tip, but the model does not know the day.
    trial : bool
        A trial pass was dug and still counts.
    dry : bool
        Fit by hand, but so dry that it takes more power and comes up in lumps.
    frost : float
        Frozen thickness now. [m]
    tip_frozen : bool
        A layer at the shank tip is frozen.
    rut : float
        Deepest lasting rut; NaN when nobody measured. [m]
    net : float
        Gain less extra cost on the unit, NaN when crop or price is not known.
        [currency]
    net_low : float
        Low end of that interval, NaN when not known. [currency]
    pays : bool or None
        Whether that counts as paying (``plan.pays_when``); None where only `net` tells.
    next_crop, crop_now : str
    reach : float
        How deep the tool goes. [m]
    lifts : float
        Deepest tip at which its shanks lift and do not smear. [m]
    tile : {"none", "known", "position_only", "exists", "unsaid"}
    tile_cover : float
        Soil above the tile. [m]
    utilities : {"located", "not located", "unsaid"}
    sand : bool
        Sand or loamy sand.
    clay : float
        Share of clay between 0.25 m and the tip, NaN when not known. [fraction]
    erodible, slope : bool, float
        Marked as highly erodible; median slope. [fraction]
    residue : float
        Cover counted, NaN when nobody counted. [fraction]
    soybean_allowed : bool
        The owner switched soybean on for this field.
    leave_why : str
        Why the ground must not be touched (D20), or empty.
    open_why : str
        What is not known of what drove here (D22), or empty.
    overlap : bool
        A strip where much liquid was put down, as in an overlap.
    units : {"us", "metric"}
        Whole inches or whole centimetres.
    """

    probability: float = 0.0
    assessed: bool = True
    probed: Probed = "none"
    layer_bottom: float = math.nan
    moisture: Moisture = "fit"
    rolled: Rolled = "no"
    trial: bool = False
    dry: bool = False
    frost: float = 0.0
    tip_frozen: bool = False
    rut: float = 0.0
    net: float = 1.0
    net_low: float = math.nan
    pays: bool | None = None
    next_crop: str = "corn"
    crop_now: str = "corn"
    reach: float = math.inf
    lifts: float = math.inf
    tile: str = "none"
    tile_cover: float = math.nan
    utilities: str = "located"
    sand: bool = False
    clay: float = math.nan
    erodible: bool = False
    slope: float = 0.0
    residue: float = math.nan
    soybean_allowed: bool = False
    leave_why: str = ""
    open_why: str = ""
    overlap: bool = False
    units: str = "us"


@dataclass(frozen=True)
class Advice:
    """What to do with one unit.

    Parameters
    ----------
    word : str
        rip, probe first, wait, leave, manage, keep out, level ruts only, carry only,
        stop or not assessed.
    row : str
        Row of the decision table, as ``D5``.
    reason : str
        Why, in plain words without a full stop.
    line : int
        Line of the order of precedence, 1 to 11.
    tip : float
        Working depth where the word is rip, else NaN. [m]
    further : tuple of str
        Other reasons that also apply, and warnings.
    trial : bool
        Only after a trial pass that was dug.
    """

    word: str
    row: str
    reason: str
    line: int
    tip: float = math.nan
    further: tuple[str, ...] = ()
    trial: bool = False


def decide(unit: UnitInputs, *, settings: ZoneSettings | None = None) -> Advice:
    """Return the advice for one unit, with every lower line as a further reason.

    Parameters
    ----------
    unit : UnitInputs
    settings : ZoneSettings, optional

    Returns
    -------
    Advice

    Examples
    --------
    >>> unit = UnitInputs(probed="confirmed", layer_bottom=0.4064)  # 16 in
    >>> advice = decide(unit)
    >>> advice.word, advice.row, round(advice.tip / 0.0254)
    ('rip', 'D5', 17)
    >>> decide(UnitInputs(probability=0.42)).word
    'probe first'
    """
    settings = settings or ZoneSettings()
    found = [*_untouchable(unit, settings), *_by_knowledge(unit, settings)]
    first = _ruts_beside(found[0], unit, settings)
    further = tuple(
        dict.fromkeys(
            [advice.reason for advice in found[1:] if advice.line != 11]
            + _warnings(unit, first, settings)
        )
    )
    return _with(first, further=further)


def _untouchable(unit: UnitInputs, settings: ZoneSettings) -> list[Advice]:
    """Lines 1 and 2: lines in the ground, and ground that must not be touched."""
    found = []
    if unit.utilities == "not located":
        found.append(
            Advice(
                "keep out", "D17", "buried lines are not located: ask for locates", 1
            )
        )
    if unit.tile == "exists":
        found.append(
            Advice("keep out", "D17", "there is tile and nobody knows where", 1)
        )
    if unit.leave_why:
        found.append(Advice("leave", "D20", unit.leave_why, 2))
    if unit.erodible or unit.slope > settings.slope_limit:
        what = "erodible ground" if unit.erodible else "slope above the limit"
        if math.isnan(unit.residue):
            reason = f"{what}: count the residue and look into the plan first"
            found.append(Advice("leave", "D12", reason, 2))
        elif unit.residue < settings.residue_needed:
            reason = f"{what}: {unit.residue:.0%} cover is too little"
            found.append(Advice("leave", "D12", reason, 2))
    if _is_soybean(unit.next_crop) or _is_soybean(unit.crop_now):
        counted = unit.residue >= settings.residue_needed
        if not (unit.soybean_allowed and counted):
            where = (
                "before soybean" if _is_soybean(unit.next_crop) else "in its stubble"
            )
            reason = f"deep tillage {where} has not paid, and it bares the ground"
            found.append(Advice("leave", "D10", reason, 2))
    if unit.sand and unit.probed != "confirmed":
        reason = "sand, and nobody has confirmed a pan in it"
        found.append(Advice("leave", "D11", reason, 2))
    return found


def _by_knowledge(unit: UnitInputs, settings: ZoneSettings) -> list[Advice]:
    """Lines 3 to 11, by what probe and spade have shown."""
    if unit.probed in ("none", "inconclusive"):
        return [_not_probed(unit, settings)]
    if unit.probed == "no layer":
        if unit.rut > settings.rut_limit:
            reason = f"no layer below; level the ruts when {_DRY_TOP}"
            return [Advice("level ruts only", "D3", reason, 4)]
        reason = "probed, no layer found; winter is enough for shallow ruts"
        return [Advice("leave", "D4", reason, 4)]
    return _confirmed(unit, settings)


def _not_probed(unit: UnitInputs, settings: ZoneSettings) -> Advice:
    """Line 3: nobody dug, so the model may release ground but not rip it."""
    looked = "readings cannot settle it" if unit.probed == "inconclusive" else "not dug"
    if not unit.assessed or math.isnan(unit.probability):
        reason = unit.open_why or "axle load, soil water or date of a pass is not known"
        return Advice("not assessed", "D22", reason, 3)
    if unit.probability >= settings.seed:
        reason = (
            f"damage is about {unit.probability * 10:.0f} in 10 by the model, {looked}"
        )
        return Advice("probe first", "D2", reason, 3)
    if unit.rut > settings.rut_limit:
        reason = f"ruts deeper than 3 in (7.5 cm), {looked}"
        return Advice("probe first", "D2", reason, 3)
    reason = "damage below the topsoil is unlikely enough to leave it"
    return Advice("leave", "D1", reason, 3)


def _confirmed(unit: UnitInputs, settings: ZoneSettings) -> list[Advice]:
    """Lines 5 to 11: a confirmed layer."""
    found = []
    tip = tip_depth(unit.layer_bottom, units=unit.units)
    known_cap, open_cap = caps(unit, settings)
    shallow = 1e-9
    # The bottom counts as it is set into whole steps, the same way the tip is.
    if math.isnan(tip):
        reason = "the bottom of the layer was not reached: probe deeper"
        return [Advice("probe first", "D2", reason, 5)]
    bottom = tip_depth(unit.layer_bottom, units=unit.units, below=0)
    if bottom > settings.reach + shallow:
        reason = "the layer lies deeper than tillage mends: lanes, roots, lighter axles"
        found.append(Advice("manage", "D7", reason, 5))
    elif tip > known_cap + shallow:
        reason = _too_deep(unit, settings, tip)
        found.append(Advice("manage", "D7", reason, 5))
    elif tip > open_cap + shallow:
        reason = "too deep while nobody knows how deep the tile lies"
        found.append(Advice("keep out", "D17", reason, 5))
    if math.isnan(unit.net):
        reason = "no yield, loss or price for the next crop: cannot say that it pays"
        found.append(Advice("leave", "D19", reason, 6))
    elif unit.net <= 0:
        found.append(Advice("leave", "D19", "it does not pay", 6))
    elif unit.pays is False:
        reason = "it does not pay: the range of the net gain reaches below zero"
        found.append(Advice("leave", "D19", reason, 6))
    found += _todays_ground(unit)
    if unit.utilities == "unsaid":
        reason = "nothing was said about buried lines: ask for locates before any shank"
        found.append(Advice("keep out", "D17", reason, 10))
    if FROST_LIMITS[0] <= unit.frost <= FROST_LIMITS[2]:
        reason = "frozen crust: trial pass of 100 ft (30 m), dig it"
        if unit.frost > FROST_LIMITS[1]:
            reason += "; nothing else until it shatters, slabs 12 in (30 cm) at most"
        found.append(Advice("rip", "D13", reason, 10, tip=tip, trial=True))
    reason = f"confirmed layer in reach, soil shatters, and {_pays(unit)}"
    found.append(Advice("rip", "D5", reason, 11, tip=tip))
    return found


def _pays(unit: UnitInputs) -> str:
    """Say whether it pays for sure or by the best guess only."""
    if unit.net_low > 0:
        return "it pays over the whole range of the gain"
    return "by the best guess it pays, but not for sure"


def _todays_ground(unit: UnitInputs) -> list[Advice]:
    """Lines 7 to 9: frost and water in the ground today."""
    found = []
    if unit.frost > FROST_LIMITS[2] or unit.tip_frozen:
        reason = "frozen too deep to rip: slabs and broken shanks"
        found.append(Advice("stop", "D15", reason, 7))
    if unit.moisture in ("plastic", "untested"):
        what = _untold(unit)
        if unit.frost >= FROST_LIMITS[1]:
            reason = (
                f"{what}; the crust may carry a load, it does not make soil shatter"
            )
            found.append(Advice("carry only", "D14", reason, 8))
        else:
            later = "look again later, else next fall"
            now = later
            if unit.moisture == "untested":
                now = {
                    "no": "test by hand",
                    "no weather": "bring the weather file up to date and run again",
                }.get(unit.rolled, "test again")
            found.append(Advice("wait", "D6", f"{what}: {now}", 8))
    if unit.moisture == "hard":
        reason = "too dry and hard: shanks do not hold their depth"
        found.append(Advice("stop", "D16", reason, 9))
    return found


def _untold(unit: UnitInputs) -> str:
    """Say what keeps soil that is plastic or untested from being called fit."""
    if unit.moisture == "plastic":
        if unit.rolled == "no" and not unit.trial:
            return "by the model the soil at depth is too wet"
        return "the soil smears at depth"
    return {
        "no": "nobody has rolled the soil at depth by hand",
        "short": "rolled by hand, but not at every 4 in (10 cm) down to the tip",
        "yes": "rolled by hand the soil is fit, but by the model it is not: the wetter "
        "answer counts, measure the plastic limit",
        "no weather": "rolled by hand the soil is fit, but the weather known does not "
        "reach the day it is judged for",
    }[unit.rolled]


def caps(unit: UnitInputs, settings: ZoneSettings) -> tuple[float, float]:
    """Return the deepest tip by what is known, and by tile of unknown depth [m]."""
    known = min(unit.reach, unit.lifts)
    unsure = math.inf
    if unit.tile == "known" and not math.isnan(unit.tile_cover):
        known = min(known, unit.tile_cover - settings.tile_clearance)
    elif unit.tile != "none":
        unsure = settings.tile_unknown_cap
    return known, unsure


def _too_deep(unit: UnitInputs, settings: ZoneSettings, tip: float) -> str:
    """Say which limit the tip would pass: tile first, then reach, then the foot."""
    if unit.tile == "known" and tip > unit.tile_cover - settings.tile_clearance + 1e-9:
        return "the tip would go below what the tile allows"
    if tip > unit.reach + 1e-9:
        return f"the tool does not reach that deep, only {_depth(unit.reach)}"
    return (
        f"below {_depth(unit.lifts)} shanks with so narrow a foot smear instead of "
        "lifting"
    )


def _depth(metres: float) -> str:
    return f"{metres / 0.0254:.0f} in ({metres * 100:.0f} cm)"


def _ruts_beside(first: Advice, unit: UnitInputs, settings: ZoneSettings) -> Advice:
    """Ruts are levelled shallow on ground that is left for another reason."""
    left = first.row in ("D7", "D10", "D11", "D19")
    if left and unit.rut > settings.rut_limit:
        reason = f"{first.reason}; only the ruts, shallow, when {_DRY_TOP}"
        return _with(first, word="level ruts only", reason=reason)
    return first


def _warnings(unit: UnitInputs, first: Advice, settings: ZoneSettings) -> list[str]:
    """Say what stands beside the advice and never changes it."""
    said = []
    if settings.rut_watch < unit.rut and first.word != "level ruts only":
        said.append(
            "measure the ruts again before planting, level what is over 2 in (5 cm)"
        )
    if first.word == "rip":
        if unit.dry:
            said.append(
                "dry and hard at depth: more pull and lumps, stop if shanks rise"
            )
        if unit.clay >= settings.clay_warning and first.tip > 0.3048 + 1e-9:
            said.append("clayey soil: below 12 in (30 cm) ripping seldom helped")
        if unit.overlap and unit.tile != "none":
            said.append(
                "liquid runs down fresh slots to tile: break its paths below the "
                "injection first"
            )
        if unit.tile in ("position_only", "unsaid"):
            said.append("tile depth is not known: never deeper than 14 in (36 cm)")
    if first.row == "D16":
        said.append("a shallower pass only where the layer still ends above its tip")
    if unit.overlap:
        said.append("much liquid was put down here: test it by itself, days later")
    said += _contradiction(unit)
    return said


def _contradiction(unit: UnitInputs) -> list[str]:
    """D21: probes that contradict the model are right."""
    if unit.probed == "confirmed" and not unit.assessed:
        return ["the probes found a layer where the model had no answer (D21)"]
    if unit.probed == "confirmed" and unit.probability < 0.20:
        return ["the probes found a layer the model called unlikely: trust them (D21)"]
    if unit.probed == "no layer" and unit.probability > 0.80:
        return ["the probes found no layer where the model was sure: trust them (D21)"]
    return []


def _is_soybean(crop: str) -> bool:
    return "soy" in crop.lower()


def _with(advice: Advice, **changes: object) -> Advice:
    return replace(advice, **changes)  # type: ignore[arg-type]
