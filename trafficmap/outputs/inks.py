"""Every ink a person sees, in one place, for light, dark and print.

Facts are greys, risk is one ramp whose lightness falls with risk on paper, work is
outline and pattern. Words carry the meaning; no red stands against a green. The ramp
is cut from cividis (Nunez, Anderton & Renslow 2018, PLoS ONE 13:e0199239) in reverse
order with a paper tone at its quiet end; the machine list is that of Okabe & Ito
(2008, Color Universal Design), both from memory.
"""

from __future__ import annotations

from types import MappingProxyType

RISK_WORDS = ("unlikely", "possible", "likely", "very likely", "not assessed")
"""Words of the risk classes 1 to 5, in order."""

LIGHT = MappingProxyType(
    {
        "paper": "#fbfaf7",
        "panel": "#ffffff",
        "text": "#1d1f21",
        "secondary": "#5a5f63",
        "rule": "#d9d6cf",
        "boundary": "#1d1f21",
        "fact-1": "#d9d6cf",
        "fact-2": "#a8a49a",
        "fact-3": "#5f5b52",
        "risk-1": "#e8e3d3",
        "risk-2": "#bcaf6f",
        "risk-3": "#6d6f71",
        "risk-4": "#00204d",
        "not-assessed": "#5a5f63",
        "work": "#7a3b00",
        "leave": "#5a5f63",
        "keep-out": "#4a2a8c",
        "strip": "#1d1f21",
    }
)

DARK = MappingProxyType(
    {
        "paper": "#16181b",
        "panel": "#1f2226",
        "text": "#f0efe9",
        "secondary": "#a9adb0",
        "rule": "#3a3d41",
        "boundary": "#f0efe9",
        "fact-1": "#3a3d41",
        "fact-2": "#6a6d70",
        "fact-3": "#a5a7a8",
        "risk-1": "#2b3350",
        "risk-2": "#6d6f71",
        "risk-3": "#bcaf6f",
        "risk-4": "#ffea46",
        "not-assessed": "#a9adb0",
        "work": "#ffb870",
        "leave": "#a9adb0",
        "keep-out": "#8fb7ff",
        "strip": "#f0efe9",
    }
)

RAMPS = (("fact-1", "fact-2", "fact-3"), ("risk-1", "risk-2", "risk-3", "risk-4"))
"""Names of the two sequential ramps, quiet end first."""

LINES = ("boundary", "work", "leave", "keep-out", "strip", "not-assessed")
"""Inks drawn as lines and symbols; 3 to 1 against the paper."""

TEXTS = ("text", "secondary", "work", "keep-out")
"""Inks that words are set in; 4.5 to 1 against paper and panel."""

MACHINES = (
    ("#000000", ""),
    ("#e69f00", "6 3"),
    ("#56b4e9", "2 3"),
    ("#009e73", "8 3 2 3"),
    ("#0072b2", "10 4"),
    ("#d55e00", "4 2"),
    ("#cc79a7", "1 3"),
)
"""Ink and dash pattern of machines, in the order they are named in field.toml."""


def rgb(ink: str) -> tuple[int, int, int]:
    """Return the three bytes of an ink written as ``#rrggbb``.

    Examples
    --------
    >>> rgb("#00204d")
    (0, 32, 77)
    """
    return int(ink[1:3], 16), int(ink[3:5], 16), int(ink[5:7], 16)


def css_variables(theme: MappingProxyType[str, str]) -> str:
    """Return the inks of a theme as CSS custom properties."""
    return "".join(f"--{name}:{ink};" for name, ink in theme.items())
