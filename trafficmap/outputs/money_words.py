"""What ripping costs and may bring, as the map page tells it zone by zone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trafficmap.core.units import from_si
from trafficmap.outputs import words

if TYPE_CHECKING:
    from trafficmap.pipeline import Result


@dataclass(frozen=True)
class MoneyRow:
    """One zone of the money table, in words."""

    zone: int
    ripped: bool
    verdict: str
    net: str
    best: str
    cost: str
    extra: str
    gain: str
    year: str
    break_even: str


def rows(result: Result) -> list[MoneyRow]:
    """Return the zones that are or may yet be ripped, those that are first."""
    block: dict[str, Any] = getattr(result, "money", None) or {}
    zones = block.get("zones", [])
    ordered = sorted(zones, key=lambda row: (not row["ripped"], row["zone"]))
    return [_row(row) for row in ordered]


def told(result: Result) -> list[str]:
    """Return what the money is made from, in sentences."""
    block: dict[str, Any] = getattr(result, "money", None) or {}
    if not block or not block["zones"]:
        return []
    inputs, currency = block["inputs"], block["currency"]
    units = result.field.units
    said = []
    value = block["zones"][0]["value"]
    if value is not None and math.isfinite(value):
        given = inputs["yield_given"] and inputs["price_given"]
        said.append(
            f"The crop is worth {_by_area(value, units, currency)}"
            f"{'' if given else ', partly assumed'}; where wheels ran, damage within "
            f"reach of a shank takes {_percent(inputs['loss_spread'], inputs['loss'])} "
            "of it, less above a shallow layer."
        )
    else:
        said.append(
            "Yield, price or loss of the next crop is missing: nothing is said to pay."
        )
    said.append(
        {
            "given": "The price of ripping is the one in field.toml",
            "assumed": "The price of ripping is assumed, from surveys",
            "own cost": "Ripping costs what tool, tractor, driver and fuel cost on the "
            "real runs of each zone",
        }[inputs["ripping_from"]]
        + ". Beyond the usual means: less the fall pass it stands in for, and with "
        "levelling only where no spring pass is made anyway."
    )
    rule = (
        "It pays where the whole range of the net is above zero; a range that reaches "
        "below counts as does not pay."
        if inputs["pays_when"] == "sure"
        else "It pays where the best guess of the net is above zero, as the settings "
        "say; the range may reach below."
    )
    said.append(rule)
    said.append(
        "The range is of what is to be expected. A single year can be worse or better: "
        "farm trials ran from "
        f"{inputs['trial_response'][0]:+.1%} to {inputs['trial_response'][1]:+.1%} of "
        "the yield.".replace("-", "−")
    )
    return said


def _row(row: dict[str, Any]) -> MoneyRow:
    return MoneyRow(
        zone=row["zone"],
        ripped=row["ripped"],
        verdict=_verdict(row),
        best=_amount(row["net"]["best"]),
        cost=_amount(row["whole"]["best"]),
        extra=_amount(row["extra"]["best"]),
        gain=_span(row["gain"]["low"], row["gain"]["high"]),
        net=_span(row["net"]["low"], row["net"]["high"]),
        year=_span(row["one_year"]["low"], row["one_year"]["high"]),
        break_even=words.as_sentence(row["break_even_words"]),
    )


def _verdict(row: dict[str, Any]) -> str:
    """Say whether it pays, as a condition where the ground is not (yet) ripped."""
    if row["verdict"] == "not known":
        return "nobody can say whether it pays"
    left = row["advice"] in ("leave", "level ruts only")
    if row["ripped"] or (left and row["verdict"] != "pays"):
        return row["verdict"]
    pays = "would pay" if row["verdict"] == "pays" else "would not pay"
    if row["advice"] == "probe first":
        return f"{pays} if a layer is found"
    return f"{pays} once it is fit"


def _amount(value: float) -> str:
    return "not known" if math.isnan(value) else words.amount(value)


def _span(low: float, high: float) -> str:
    return words.money_range(low, high, "")


def _by_area(value: float, units: str, currency: str) -> str:
    """Return money by area as a person reads it."""
    ground, name = (1e4, "hectare") if units == "metric" else (_acre(), "acre")
    return f"{words.amount(value * ground)} {currency}".strip() + f" a{_n(name)} {name}"


def _acre() -> float:
    return 1.0 / from_si(1.0, "ac")


def _n(name: str) -> str:
    return "n" if name == "acre" else ""


def _percent(spread: tuple[float, float], loss: float) -> str:
    low, high = (min(1.0, loss * part) * 100 for part in spread)
    return f"{low:.0f} to {high:.0f} %"
