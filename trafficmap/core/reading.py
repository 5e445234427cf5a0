"""Sentences as a person reads them: one row and not 1 rows, tons beside tonnes."""

from __future__ import annotations

import re

from trafficmap.core.units import from_si, to_si

_US = {
    "t": ("t", "short_ton", "tons"),
    "kg": ("kg", "lb", "lb"),
    "kPa": ("kPa", "psi", "psi"),
    "mm": ("mm", "in", "in"),
    "cm": ("cm", "in", "in"),
    "m": ("m", "ft", "ft"),
    "km": ("km", "mi", "miles"),
    "km/h": ("km/h", "mph", "mph"),
    "ha": ("ha", "ac", "ac"),
    "t/ha": ("t/ha", "lb/ac", "lb/ac"),
    "m3/ha": ("m3/ha", "gal/ac", "gal/ac"),
}
"""For each unit a note is written in: its name, that beside it, and the word for it."""

_NUMBER = r"\d[\d,]*(?:\.\d+)?"
_MEASURE = re.compile(
    rf"(?<![\w.=/-])(?P<first>{_NUMBER})(?P<join> (?:to|and) )?"
    rf"(?P<second>(?<= ){_NUMBER})? (?P<unit>{'|'.join(sorted(_US, key=len)[::-1])})"
    r"(?![\w/]| \()"
)
_VERBS = {
    "were": "was", "are": "is", "have": "has", "hold": "holds", "lie": "lies",
    "need": "needs", "stand": "stands", "repeat": "repeats", "say": "says",
    "reach": "reaches", "contradict": "contradicts", "do": "does", "look": "looks",
    "they": "it",
}  # fmt: skip
_ONE = re.compile(
    r"(?<![\w.,/])1 (?P<more>(?:more|new|other|different) )?(?P<what>[a-z]{2,}s)\b"
    r"(?P<verb> (?:" + "|".join(_VERBS) + r")\b)?"
)
_ALREADY_ONE = (
    "was",
    "has",
    "its",
    "does",
    "this",
    "gas",
    "grass",
    "loss",
    "mass",
    "pass",
    "axis",
    "plus",
    "less",
)


def as_read(sentence: str, units: str = "metric") -> str:
    """Return a sentence as a person reads it.

    One of a thing is said as one. Where the reader thinks in feet and tons, what is
    written in metric units alone gets the other unit beside it.

    Parameters
    ----------
    sentence : str
    units : {"us", "metric"}

    Examples
    --------
    >>> as_read("log.csv: 1 rows were dropped; 11 rows hold no place.")
    'log.csv: 1 row was dropped; 11 rows hold no place.'
    >>> as_read("14.2 t on tyres of 200 and 260 kPa, 12 in (30 cm) deep", "us")
    '14.2 t (15.7 tons) on tyres of 200 and 260 kPa (29 and 38 psi), 12 in (30 cm) deep'
    >>> as_read("half full (11.2 t)", "us")
    'half full (11.2 t, 12.3 tons)'
    """
    sentence = _ONE.sub(_single, sentence)
    return _MEASURE.sub(_beside, sentence) if units == "us" else sentence


def _single(found: re.Match) -> str:
    what = found["what"]
    if what in _ALREADY_ONE:
        return found[0]
    verb = f" {_VERBS[found['verb'].strip()]}" if found["verb"] else ""
    return f"1 {found['more'] or ''}{_singular(what)}{verb}"


def _singular(what: str) -> str:
    """Return one of a thing.

    Examples
    --------
    >>> [_singular(word) for word in ("rows", "passes", "entries", "fixes")]
    ['row', 'pass', 'entry', 'fix']
    """
    if what.endswith("ies"):
        return f"{what[:-3]}y"
    if what.endswith(("sses", "xes", "shes", "ches")):
        return what[:-2]
    return what[:-1]


def _beside(found: re.Match) -> str:
    before = found.string[: found.start()]
    other_of_one = re.search(r"\d \S+ \($", before) is not None
    if other_of_one or (found["join"] and not found["second"]):
        return found[0]
    ours, theirs, word = _US[found["unit"]]
    told = [
        _turned(number, ours, theirs)
        for number in (found["first"], found["second"])
        if number
    ]
    other = f"{(found['join'] or '').join(told)} {word}"
    # No brackets within brackets.
    inside = before.count("(") > before.count(")")
    return f"{found[0]}, {other}" if inside else f"{found[0]} ({other})"


def _turned(number: str, ours: str, theirs: str) -> str:
    """Return a number in the other unit, as finely as it was written."""
    value = from_si(to_si(float(number.replace(",", "")), ours), theirs)
    decimals = len(number.partition(".")[2])
    # Small numbers keep a figure behind the point, so that 2 t are not 2 tons.
    if decimals == 0 and value < 10:
        decimals = 1
    return f"{value:,.{decimals}f}"
