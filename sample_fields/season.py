"""One season on "Ditch sixty": who drove where, when, with how much on board.

Nothing here knows of logs, clocks or errors; `logs` turns it into what a receiver would
write down.
"""

from __future__ import annotations

from dataclasses import replace

from .grain import grain_day
from .lands import land_inward, land_outward, opening, over_stubble
from .record import Season, moment
from .silage_slurry import hose, silage, tanker, undated


def season() -> Season:
    """Return the whole invented season of 2026."""
    out = Season()
    silage(out, moment(2026, 9, 8, 13, 0))
    dry = [*opening(), *land_inward("west"), *land_inward("strip 3")]
    for strip in ("strip 2", "strip 1"):
        runs = land_inward(strip)
        # The strip before ended at the north: round over the stubble, not through corn.
        dry += [replace(runs[0], via=over_stubble(runs[0].start.east)), *runs[1:]]
    wet = [*land_outward("middle"), *land_outward("ridge")]
    grain_day(out, moment(2026, 10, 2, 12, 30), dry)
    grain_day(out, moment(2026, 10, 15, 14, 0), wet)
    grain_day(out, moment(2026, 10, 16, 14, 0), land_outward("east"))
    hose(out, moment(2026, 11, 3, 14, 0))
    tanker(out, moment(2026, 11, 4, 14, 30))
    undated(out, moment(2026, 9, 12, 15, 0))
    return out
