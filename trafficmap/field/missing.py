"""What field.toml does not say, and what each gap costs in the answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from trafficmap.core.notes import Note, Severity
from trafficmap.field.soil_map import says_soil
from trafficmap.field.toml import FieldToml

_LIQUID_CLASSES = ("tanker", "hose", "manure")


@dataclass(frozen=True)
class _Fact:
    """A fact that may be missing: when it is, and the sentence to say then."""

    code: str
    severity: Severity
    absent: Callable[[FieldToml], bool]
    sentence: str


_FACTS = (
    _Fact(
        "log.missing",
        "stop",
        lambda k: not k.log,
        "No log is given: nothing is known of traffic. Add [[log]].",
    ),
    _Fact(
        "machine.missing",
        "stop",
        lambda k: not k.machine,
        "No machine is given: wheel tracks and loads are not known. Add [machine.X].",
    ),
    _Fact(
        "soil.missing",
        "stop",
        lambda k: k.soil is None or not says_soil(k.soil),
        "No soil is given: traffic and loads are mapped, soil water and the risk of "
        'damage are not. Add texture = "..." to [soil].',
    ),
    _Fact(
        "weather.missing",
        "stop",
        lambda k: k.weather is None,
        "No weather is given: soil water at each pass, and with it the risk of damage "
        "and the days fit for work, are not known. Add [weather] with a daily table of "
        "rain and temperature.",
    ),
    _Fact(
        "crop.next_missing",
        "check",
        lambda k: not k.crop.next,
        "The next crop is not said: whether deep tillage would pay is not known, so "
        "ground stays as it is. Add next to [crop].",
    ),
    _Fact(
        "crop.now_missing",
        "check",
        lambda k: not k.crop.now,
        "The harvested crop is not said: what grain weighs is assumed, and loads are "
        "less sure. Add now to [crop].",
    ),
    _Fact(
        "utilities.unsaid",
        "check",
        lambda k: k.field.utilities == "unsaid",
        "Nothing is said of buried lines. Have them located before any shank goes in, "
        "then say utilities in [field].",
    ),
    _Fact(
        "tile.unsaid",
        "check",
        lambda k: k.tile.state == "unsaid",
        "Nothing is said of drain tile: no depth below 14 in is advised. Add state to "
        "[tile].",
    ),
    _Fact(
        "liquid.missing",
        "check",
        lambda k: not k.liquid and _spreads(k),
        "A machine spreads liquid but its rate is not said: the water it put down is "
        "left out of soil water. Add [[liquid]].",
    ),
    _Fact(
        "tool.missing",
        "info",
        lambda k: not k.tool,
        "No deep-tillage tool is given: hours, fuel and reach are not known. Add "
        "[[tool]].",
    ),
    _Fact(
        "price.missing",
        "info",
        lambda k: k.price.ripping_per_ha is None,
        "No price of ripping is given: a usual one is assumed. Add ripping_per_ha to "
        "[price].",
    ),
    _Fact(
        "crop.value_missing",
        "info",
        lambda k: (
            (k.crop.price_per_t is None and k.crop.price_per_bu is None)
            or (k.crop.yield_t_ha is None and k.crop.yield_bu_ac is None)
        ),
        "Yield or price of the crop is not said: usual ones are assumed. Add "
        "yield_t_ha and price_per_t to [crop].",
    ),
    _Fact(
        "erodible.unsaid",
        "info",
        lambda k: k.field.erodible is None,
        "Nothing is said of a conservation plan for erodible ground. Add erodible to "
        "[field].",
    ),
    _Fact(
        "slope.unsaid",
        "info",
        lambda k: (
            k.field.slope_pct is None and k.field.slope_map is None and k.slope is None
        ),
        "The slope is not said: level ground is taken for granted, for axle loads "
        "where logs tell no heights, and for whether loosened soil would wash. Add "
        "slope_pct or slope_map to [field].",
    ),
    _Fact(
        "time_zone.missing",
        "info",
        lambda k: k.field.time_zone is None,
        "No time zone is given: times are shown in UTC, and days of weather begin at "
        "midnight there. Add time_zone to [field].",
    ),
    _Fact(
        "dug.missing",
        "info",
        lambda k: k.dug is None,
        "Nothing was dug or probed yet: no zone can go beyond probe first. Add [dug] "
        "once it is.",
    ),
)


def missing_facts(keys: FieldToml) -> list[Note]:
    """Return one Note a fact that field.toml leaves out."""
    return [
        Note(fact.code, fact.severity, fact.sentence)
        for fact in _FACTS
        if fact.absent(keys)
    ]


def _spreads(keys: FieldToml) -> bool:
    """Return whether the class of any machine or trailer carries liquid."""
    tables = []
    for table in keys.machine.values():
        trails = table.get("trails", [])
        tables += [table, *(trails if isinstance(trails, list) else [])]
    classes = [str(t.get("class", "")) for t in tables if isinstance(t, dict)]
    return any(word in name for name in classes for word in _LIQUID_CLASSES)
