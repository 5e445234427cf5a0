"""The order of work as a person reads it: one page that prints, and one sentence."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from trafficmap import __version__
from trafficmap.outputs import inks, words
from trafficmap.outputs.pages import template

if TYPE_CHECKING:
    from trafficmap.outputs.order_files import OrderAnswer

LAST = (
    "Whatever the day: roll soil by hand at every depth down to the shank tip, make a "
    "trial pass of 100 ft (30 m) and dig it. It rolls to a thread: wait."
)
"""Stands below every order of work."""


def summary(answer: OrderAnswer) -> str:
    """Return the order in a few sentences."""
    order = answer.order
    table = order.table
    done = table[table["done"] & table["finished"]]
    cut = int((~table["done"]).sum())
    said = []
    if any(run.invented for run in answer.runs):
        said.append("Invented field, for trying out.")
    if any(run.assumed for run in answer.runs):
        said.append(words.ASSUMED)
    if not len(done):
        # The note that says why is the whole answer.
        why = [n.sentence for n in answer.notes if n.code in _EMPTY]
        said += [words.as_sentence(text) for text in why]
        return " ".join(said)
    units, currency = answer.runs[0].units, answer.runs[0].currency
    fields = done["field"].nunique()
    said.append(
        f"Work {_count(len(done), 'zone')} in {_count(fields, 'field')}, "
        f"{words.area_words(float(done['area'].sum()), units)}, in "
        f"{order.worked / 3600:.1f} of {order.there_is / 3600:.1f} hours; "
        f"{order.moved / 3600:.1f} hours go into ways and setting up."
    )
    span = words.money_range(
        float(done["net_low"].sum()), float(done["net_high"].sum()), currency
    )
    said.append(f"Net {span}, best guess {words.amount(order.net)}.")
    if order.proved:
        said.append("No other order of these zones brings more.")
    else:
        said.append(
            f"Another order could bring at most {math.ceil(order.gap * 1000) / 10:.1f} "
            "% more; it was not proved that there is none."
        )
    if cut:
        said.append(f"{_count(cut, 'job')} cut.")
    return " ".join(said)


def page(answer: OrderAnswer) -> str:
    """Return the page as text; the same answer gives the same text."""
    units = answer.runs[0].units
    table = answer.order.table
    return template("order.html.j2").render(
        sentence=summary(answer),
        days=_days(table[table["done"]], units),
        cut=[_line(row, units) for row in _rows(table[~table["done"]])],
        area_unit=words.area_unit(units),
        currency=answer.runs[0].currency,
        notes=[words.as_sentence(note.sentence) for note in answer.notes],
        runs=[(run.name, run.out) for run in answer.runs],
        last=LAST,
        cautions=words.CAUTIONS,
        version=__version__,
        light=inks.css_variables(inks.LIGHT),
        dark=inks.css_variables(inks.DARK),
    )


def lines(answer: OrderAnswer) -> list[str]:
    """Return the order as plain lines for a terminal."""
    units = answer.runs[0].units
    table = answer.order.table
    said = []
    for day, rows in _days(table[table["done"]], units):
        said.append(day)
        said += [
            f"  {row['from']} to {row['to']}  {row['field']}, zone {row['zone']}: "
            f"{row['job']}. {row['reason']}"
            for row in rows
        ]
    cut = table[~table["done"]]
    if len(cut):
        said.append("Cut:")
        said += [f"  {row.field}, zone {row.zone}: {row.reason}" for row in _rows(cut)]
    return [*said, LAST]


def _days(table: pd.DataFrame, units: str) -> list[tuple[str, list[dict[str, Any]]]]:
    """Return stints by day."""
    days: dict[str, list[dict[str, Any]]] = {}
    for row in _rows(table):
        start = pd.Timestamp(row.start)
        day = words.date_words(start.date())
        days.setdefault(day, []).append(_line(row, units))
    return list(days.items())


def _rows(table: pd.DataFrame) -> list[Any]:
    return list(table.itertuples(index=False))


def _line(row: Any, units: str) -> dict[str, Any]:
    """Return one row in words."""
    job = words.advice_words(row.job, row.depth, units)
    if words.is_rip(row.job) and math.isfinite(row.depth):
        job += f" ({words.other_depth_words(row.depth, units)})"
    clocks = [pd.Timestamp(text) for text in (row.start, row.end) if text]
    return {
        "from": f"{clocks[0]:%H:%M}" if clocks else "",
        "to": f"{clocks[1]:%H:%M}" if clocks else "",
        "way": f"{row.way:.0f} min" if math.isfinite(row.way) and row.way else "",
        "field": row.field,
        "zone": int(row.zone),
        "job": job,
        "area": words.area_number(row.area, units),
        "hours": "not known" if math.isnan(row.hours) else f"{row.hours:.1f}",
        "net": _net(row),
        "reason": words.as_sentence(row.reason),
    }


def _net(row: Any) -> str:
    if not row.finished and row.done:
        return "when finished"
    if math.isnan(row.net):
        return "not known"
    return f"{words.amount(row.net_low)} to {words.amount(row.net_high)}"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


_EMPTY = ("order.nothing", "order.unknown", "order.no_hour", "order.too_short")
