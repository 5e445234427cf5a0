"""Numbers and findings as a person reads them; the one place that picks units."""

from __future__ import annotations

import datetime as dt
import math
import re
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from trafficmap.core.units import from_si
from trafficmap.plan.cautions import field_cautions

if TYPE_CHECKING:
    from collections.abc import Iterable

    import geopandas as gpd

    from trafficmap.field.model import Field

WORK_DOTTED = ("wait", "level ruts only", "carry only", "stop")
"""Advice that stops short of deep work: drawn dotted, the word printed."""

ASSUMED = "Tried out with layers assumed, nobody dug: do not work by it."
"""Said on every output where a layer was taken as confirmed without digging."""

CAUTIONS = (
    "Not legal, engineering or safety advice. Law and permits differ by place; ask "
    "the office named on your plan.",
    "Ask for buried lines to be located before working deeper than the local limit "
    "(often 12 in, elsewhere 18 in; ripping often counts as excavation), some working "
    "days ahead. Private lines and tile are not located for you.",
    "Zone 0 must lift the tool. Check it standing still before the first pass. If the "
    "implement holds the depth at 0 instead of lifting, the operator lifts.",
    "Dig before you rip: a map finds where to look, a spade or probe finds the layer. "
    "Roll soil from every 2 to 4 in down to the tip; if it makes a thread, wait.",
    "Keep the conservation plan on erodible land, and the distances to water and "
    "inlets. Manure on frozen or snow-covered ground may be banned; no advice on "
    "rates is given here.",
    "Liquid manure runs down fresh slots to tile. Break those paths below the "
    "injection, and keep slots away from tile after manure.",
    "Machines: shear bolts fly, stuck machines break straps, frozen ruts overturn. "
    "Never work under raised shanks, never alone on ice or at night without a watch.",
    "Rented ground: ask the owner, and keep the record for crop insurance.",
    "Not for construction, pipelines, or for whether peat or ice bears a machine.",
)
"""Cautions printed on every hand-out, in this order."""

HOW_SURE = (
    "The words are chances that the stress under the wheels was larger than the "
    "strength of the soil at that depth: unlikely is below {0:.0f} in 100, possible "
    "below {1:.0f}, likely to {2:.0f}, very likely above. They speak of the ground "
    "under the wheels, not of the whole cell.",
    "Stress and strength are both computed, each within a factor of about 1.5. "
    "A modelled layer is a place to dig, not a finding.",
    "Where load, moisture or date is not known the ground is hatched as not assessed. "
    "That is not a good mark, it is no mark.",
    "Undecided (dots) means the chance lies between {3:.0f} and {4:.0f} in 100: dig "
    "there before anything else.",
)


def depth_words(depth: float, units: str) -> str:
    """Return a depth [m] in whole inches or centimetres.

    Examples
    --------
    >>> depth_words(0.3556, "us"), depth_words(0.3556, "metric")
    ('14 in', '36 cm')
    """
    if units == "us":
        return f"{half_up(from_si(depth, 'in'))} in"
    return f"{half_up(from_si(depth, 'cm'))} cm"


def other_depth_words(depth: float, units: str) -> str:
    """Return a depth in the unit `depth_words` did not choose."""
    return depth_words(depth, "metric" if units == "us" else "us")


def length_words(length: float, units: str) -> str:
    """Return a length [m] in whole feet, or metres with one decimal.

    Examples
    --------
    >>> length_words(5.0, "us"), length_words(5.0, "metric")
    ('16 ft', '5.0 m')
    """
    if units == "us":
        return f"{half_up(from_si(length, 'ft'))} ft"
    return f"{length:.1f} m"


def area_number(area: float, units: str) -> str:
    """Return an area [m2] as acres with 1 decimal or hectares with 2.

    Examples
    --------
    >>> area_number(240_000.0, "us"), area_number(240_000.0, "metric")
    ('59.3', '24.00')
    """
    if units == "us":
        return f"{from_si(area, 'ac'):,.1f}"
    return f"{from_si(area, 'ha'):,.2f}"


def shown_areas(zones: gpd.GeoDataFrame, units: str) -> list[str]:
    """Return the area of each zone as a person reads it, so that every sum agrees.

    The field is rounded first, then shared out among the kinds of advice, and each of
    those among its zones, by the largest remainder: rows add up to the legend, and the
    legend to the field.
    """
    if not len(zones):
        return []
    unit, scale = ("ac", 10) if units == "us" else ("ha", 100)
    exact = from_si(zones["area"].to_numpy(dtype=float), unit) * scale
    keys = [
        (zone_style(advice, kind), advice, depth if is_rip(advice) else 0.0)
        for advice, kind, depth in zip(
            zones["advice"], zones["kind"], zones["depth"], strict=True
        )
    ]
    groups = list(dict.fromkeys(keys))
    member = np.array([groups.index(key) for key in keys])
    sums = np.bincount(member, weights=exact, minlength=len(groups))
    whole = _shared_out(half_up(float(exact.sum())), sums)
    shown = np.zeros(len(zones), dtype=np.int64)
    for k, total in enumerate(whole):
        shown[member == k] = _shared_out(int(total), exact[member == k])
    digits = 1 if units == "us" else 2
    return [f"{value / scale:,.{digits}f}" for value in shown]


def added(*areas: str) -> str:
    """Return the sum of areas written by `shown_areas`.

    Examples
    --------
    >>> added("1,202.4", "0.3"), added("2.25", "0.10")
    ('1,202.7', '2.35')
    """
    digits = max((len(area.partition(".")[2]) for area in areas), default=1)
    total = sum(float(area.replace(",", "")) for area in areas)
    return f"{total:,.{digits}f}"


def _shared_out(total: int, exact: np.ndarray) -> np.ndarray:
    """Return whole numbers near `exact` that add up to `total`."""
    out = np.floor(exact).astype(np.int64)
    left = total - int(out.sum())
    # Rounding of the sum may ask for one less than the floors hold, or more than one
    # each; both stay within one of `exact`.
    order = np.argsort(-(exact - out), kind="stable")
    out[order[: max(left, 0)]] += 1
    if left < 0:
        out[order[left:]] -= 1
    return out


def area_unit(units: str) -> str:
    """Return the word for the unit of `area_number`."""
    return "acres" if units == "us" else "ha"


def area_words(area: float, units: str) -> str:
    """Return an area [m2] with its unit."""
    return f"{area_number(area, units)} {area_unit(units)}"


def mass_words(mass: float, units: str) -> str:
    """Return a mass [kg] in short tons or tonnes, or "not known".

    Examples
    --------
    >>> mass_words(10_000.0, "us"), mass_words(10_000.0, "metric")
    ('11.0 tons', '10.0 t')
    """
    if not math.isfinite(mass):
        return "not known"
    if units == "us":
        return f"{from_si(mass, 'short_ton'):.1f} tons"
    return f"{from_si(mass, 't'):.1f} t"


def pressure_words(pressure: float, units: str) -> str:
    """Return a pressure [Pa] in psi or kPa."""
    if not math.isfinite(pressure):
        return "not known"
    if units == "us":
        return f"{from_si(pressure, 'psi'):.0f} psi"
    return f"{from_si(pressure, 'kPa'):.0f} kPa"


def share_words(share: float) -> str:
    """Return a share as whole percent, or "not known".

    Examples
    --------
    >>> share_words(0.274), share_words(float("nan")), share_words(0.002)
    ('27 %', 'not known', 'under 1 %')
    """
    if not math.isfinite(share):
        return "not known"
    if 0 < share < 0.005:
        return "under 1 %"
    return f"{half_up(100 * share)} %"


def chance_words(probability: float) -> str:
    """Return a probability as "about 7 in 10"; no decimals on a chance.

    Examples
    --------
    >>> chance_words(0.68), chance_words(0.03), chance_words(0.99)
    ('about 7 in 10', 'under 1 in 10', 'over 9 in 10')
    """
    if not math.isfinite(probability):
        return "not known"
    tenths = half_up(10 * probability)
    if tenths < 1:
        return "under 1 in 10"
    return "over 9 in 10" if tenths > 9 else f"about {tenths} in 10"


def amount(value: float) -> str:
    """Return an amount of money in whole units, with a true minus sign.

    Examples
    --------
    >>> amount(1234.4), amount(-42.2), amount(-0.2)
    ('1,234', '−42', '0')
    """
    return f"{half_up(value):,}".replace("-", "−")


def money_range(low: float, high: float, currency: str) -> str:
    """Return two amounts as "12 to 31 USD", rounded to whole units."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return "not known"
    return f"{amount(low)} to {amount(high)} {currency}".strip()


def whole_range(low: float, high: float) -> str:
    """Return two numbers as "4 to 9", or as one where they read the same.

    Examples
    --------
    >>> whole_range(3.6, 9.2), whole_range(2.1, 2.4), whole_range(0.2, 0.4)
    ('4 to 9', '2', 'under 1')
    """
    first, last = half_up(low), half_up(high)
    if last < 1:
        return "under 1"
    return f"{first:,}" if first == last else f"{first:,} to {last:,}"


def hours_range(low: float, high: float) -> str:
    """Return two times [s] as minutes, or as hours where they are long.

    Examples
    --------
    >>> hours_range(891.0, 1456.0), hours_range(5000.0, 9000.0)
    ('15 to 24 min', '1.4 to 2.5 hours')
    """
    if high < 5400:
        return f"{whole_range(low / 60, high / 60)} min"
    return f"{low / 3600:.1f} to {high / 3600:.1f} hours"


def time_words(seconds: float, time_zone: str | None) -> str:
    """Return seconds since 1970 UTC as "Tue 14 Oct, 15:20" on the farm's clock.

    Examples
    --------
    >>> time_words(1_791_998_400.0, "America/Chicago")
    'Wed 14 Oct, 12:20'
    """
    if not math.isfinite(seconds):
        return "time not known"
    moment = dt.datetime.fromtimestamp(seconds, dt.UTC)
    if time_zone:
        moment = moment.astimezone(ZoneInfo(time_zone))
    text = f"{_DAYS[moment.weekday()]} {moment.day} {_MONTHS[moment.month - 1]}, "
    return f"{text}{moment:%H:%M}" + ("" if time_zone else " UTC")


def date_words(day: dt.date) -> str:
    """Return a day as "Wed 14 Oct 2026", whatever the locale."""
    month = _MONTHS[day.month - 1]
    return f"{_DAYS[day.weekday()]} {day.day} {month} {day.year}"


def as_sentence(text: str) -> str:
    """Return a reason as a sentence: capital first, full stop last.

    Row numbers of the decision table stay in the files, where they can be looked up.

    Examples
    --------
    >>> as_sentence("a buried line runs here"), as_sentence(""), as_sentence("so (D21)")
    ('A buried line runs here.', '', 'So.')
    """
    text = re.sub(r" \(D\d+\)", "", str(text)).strip()
    if not text:
        return ""
    return first_up(text) + ("" if text.endswith(".") else ".")


def first_up(text: str) -> str:
    """Return text with a capital first; names of files and machines stay as they are.

    Examples
    --------
    >>> first_up("in 4 zones"), first_up("cart.csv: has gaps"), first_up("")
    ('In 4 zones', 'cart.csv: has gaps', '')
    """
    head = text.partition(" ")[0]
    named = any(mark in head for mark in ".:_/")
    return text if named or not text else text[0].upper() + text[1:]


def about_field(field: Field) -> list[str]:
    """Return what is known of buried lines and tile in this field, as cautions."""
    said = field_cautions(field)
    if field.utilities == "located":
        said.insert(
            0,
            "Buried lines were said to be located in this field. Look for the marks "
            "before the tool goes in; a ticket runs out.",
        )
    if field.tile.state == "known" and field.tile.cover is not None:
        cover = depth_words(field.tile.cover, field.units)
        other = other_depth_words(field.tile.cover, field.units)
        said.append(f"Tile was said to lie under {cover} ({other}) of soil here.")
    return said


def half_up(value: float) -> int:
    """Return the nearest whole number, halves up, free of float noise.

    Examples
    --------
    >>> half_up(0.5), half_up(2.5), half_up(355.6), half_up(14.499999999)
    (1, 3, 356, 15)
    """
    return math.floor(round(value, 6) + 0.5)


def is_rip(advice: str) -> bool:
    """Tell whether the advice sends a tool into the ground at depth."""
    return advice == "rip" or advice.startswith("rip ")


def is_ripped(zones: gpd.GeoDataFrame) -> np.ndarray:
    """Return True for each zone whose advice is to rip."""
    return np.array([is_rip(str(advice)) for advice in zones["advice"]], dtype=bool)


def advice_words(advice: str, depth: float, units: str) -> str:
    """Return the advice with its depth where it has one, as "rip at 14 in"."""
    if not (is_rip(advice) and math.isfinite(depth)):
        return advice
    rest = advice.removeprefix("rip").strip()
    tail = f", {rest}" if rest and not rest.startswith("at ") else ""
    return f"rip at {depth_words(depth, units)}{tail}"


def is_assumed(zones: gpd.GeoDataFrame) -> bool:
    """Tell whether any zone rests on a layer nobody dug for."""
    return bool("probed" in zones and (zones["probed"] == "assumed").any())


def zone_style(advice: str, kind: str) -> str:
    """Return the name of the way a zone is drawn.

    Returns
    -------
    {"strip", "keep-out", "rip", "probe", "dotted", "not-assessed", "leave"}
    """
    if kind == "strip":
        return "strip"
    if kind == "keep_out" or advice.startswith("keep out"):
        return "keep-out"
    if is_rip(advice):
        return "rip"
    if advice.startswith("probe"):
        return "probe"
    if advice.startswith(WORK_DOTTED):
        return "dotted"
    return "not-assessed" if advice.startswith("not assessed") else "leave"


def sentence_of_the_day(
    zones: gpd.GeoDataFrame, stops: gpd.GeoDataFrame, units: str
) -> str:
    """Return what to do in a breath: the quiet state first, then work in order.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `core.tables.ZONES`.
    stops : GeoDataFrame
        Where to probe; a spot in a wheel track and its twin beside are one place.
    units : {"us", "metric"}
    """
    if not len(zones):
        return "No zones were drawn: the boundary or the tracks are missing."
    unit = area_unit(units)
    shown = np.array(shown_areas(zones, units), dtype=object)
    style = np.array(
        [zone_style(*pair) for pair in zip(zones["advice"], zones["kind"], strict=True)]
    )

    def sum_of(chosen: np.ndarray) -> str:
        return added(*shown[chosen], area_number(0.0, units))

    total = sum_of(np.ones(len(zones), dtype=bool))
    parts = [ASSUMED] if is_assumed(zones) else []
    quiet = sum_of(np.isin(style, ("leave", "keep-out", "strip")))
    blank = sum_of(style == "not-assessed")
    # What a person would read as 0.0 is not worth a sentence.
    if quiet.strip("0.,"):
        besides = [
            told
            for name, told in (("keep-out", "keep-outs"), ("strip", "check strips"))
            if (style == name).any()
        ]
        tail = f", {' and '.join(besides)} among them" if besides else ""
        parts.append(f"Leave {quiet} of {total} {unit}{tail}.")
        # Left for another reason, so that nobody takes it for sound.
        unknown = (style == "leave") & (zones["risk"] == "not assessed").to_numpy()
        open_ground = sum_of(unknown)
        if open_ground.strip("0.,"):
            parts.append(f"Damage on {open_ground} {unit} of it is not assessed.")
        if blank.strip("0.,"):
            parts.append(f"Not assessed: {blank} {unit}.")
    elif (style == "not-assessed").any():
        parts.append(f"Not assessed: {blank} of {total} {unit}.")
    else:
        parts.append(f"{total} {unit} in all.")
    ripped = is_ripped(zones)
    depth = zones["depth"].to_numpy(dtype=float)
    depths = [
        f"{sum_of(ripped & (depth == tip))} {unit} at {depth_words(float(tip), units)}"
        for tip in np.unique(depth[ripped])
    ]
    if depths:
        parts.append(f"Rip {' and '.join(depths)}.")
    for advice in WORK_DOTTED:
        given = np.array([str(text).startswith(advice) for text in zones["advice"]])
        if given.any():
            parts.append(f"{advice.capitalize()} on {sum_of(given)} {unit}.")
    places, in_zones = probe_places(stops)
    if places:
        told = f"{places} place{'s' if places != 1 else ''}"
        where = f" in {in_zones} zones" if in_zones > 1 else ""
        ground = sum_of(style == "probe")
        on = f", {ground} {unit}" if ground.strip("0.,") else ""
        parts.append(f"Probe {told}{where}{on}.")
        if not ripped.any():
            parts.append("Rip nothing before they are dug.")
    elif not ripped.any():
        parts.append("Rip nothing.")
    return " ".join(parts)


def probe_places(stops: gpd.GeoDataFrame) -> tuple[int, int]:
    """Return how many places are to be probed, and in how many zones."""
    if not len(stops):
        return 0, 0
    twin = stops["twin_of"].fillna("") != "" if "twin_of" in stops else None
    own = stops if twin is None else stops[~twin]
    return len(own), int(stops["zone"].nunique()) if "zone" in stops else 1


def how_sure(class_limits: Iterable[float], undecided: Iterable[float]) -> list[str]:
    """Return the sentences on how far the numbers can be trusted."""
    numbers = [100 * value for value in (*class_limits, *undecided)]
    return [sentence.format(*numbers) for sentence in HOW_SURE]


_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = (
    "Jan",
    "Feb",
    "Mar",
    "Apr",
    "May",
    "Jun",
    "Jul",
    "Aug",
    "Sep",
    "Oct",
    "Nov",
    "Dec",
)
