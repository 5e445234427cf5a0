"""Will the soil shatter: hand rolls, trial pass and model put together."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.zones.decide import Moisture, Rolled

FIT_WORDS = {
    "fit": "shatters",
    "untested": "test by hand",
    "plastic": "too wet",
    "hard": "too hard",
}
"""The word a person reads for each state of the soil at depth."""


def moisture_state(
    rolls: Sequence[tuple[float, str]],
    *,
    tip: float,
    trial: str = "",
    model: str = "unknown",
    settings: ZoneSettings | None = None,
) -> Moisture:
    """Return whether soil at depth is plastic, untested, fit or hard.

    A dug trial pass overrides all. A thread that rolls at any depth makes it plastic,
    as does the model where nobody rolled. Fit needs rolls that crack or crumble at
    every 4 in down to the tip and the model's agreement after those rolls were fed
    back; where hand and model differ the lower one counts. Soil the model calls too
    hard only counts as hard once shanks ride out. A choice; the hand test is described
    by a state agriculture department (Tasmania).

    Parameters
    ----------
    rolls : sequence of (depth [m], finding)
        Findings rolls, cracks or crumbles.
    tip : float
        Depth of the shank tip, NaN when there is no layer. [m]
    trial : str
        What a dug trial pass showed: shatters, slot, smear, clods, dry clods, rides
        out, or nothing.
    model : str
        What the water balance says with the rolls fed back: shatters, test by hand,
        too wet, too hard or unknown.
    settings : ZoneSettings, optional

    Returns
    -------
    {"plastic", "untested", "fit", "hard"}
    """
    settings = settings or ZoneSettings()
    by_trial: dict[str, Moisture] = {
        "slot": "plastic",
        "smear": "plastic",
        "clods": "plastic",
        "dry clods": "hard",
        "rides out": "hard",
        "shatters": "fit",
    }
    if trial in by_trial:
        return by_trial[trial]
    if any(finding == "rolls" for _, finding in rolls):
        return "plastic"
    if not rolls:
        return "plastic" if model == "too wet" else "untested"
    agrees = model in ("shatters", "too hard")
    if _every_step(rolls, tip, settings.roll_step) and agrees:
        return "fit"
    return "untested"


def rolled_state(
    rolls: Sequence[tuple[float, str]],
    *,
    tip: float,
    settings: ZoneSettings | None = None,
) -> Rolled:
    """Return whether soil was rolled by hand, and down to the tip or not as far.

    Parameters
    ----------
    rolls : sequence of (depth [m], finding)
        Those that still count.
    tip : float
        [m]
    settings : ZoneSettings, optional

    Examples
    --------
    >>> rolled_state([(0.1, "cracks"), (0.2, "cracks")], tip=0.25)
    'yes'
    >>> rolled_state([(0.1, "cracks")], tip=0.35), rolled_state([], tip=0.35)
    ('short', 'no')
    """
    if not rolls:
        return "no"
    step = (settings or ZoneSettings()).roll_step
    return "yes" if _every_step(rolls, tip, step) else "short"


def _every_step(rolls: Sequence[tuple[float, str]], tip: float, widest: float) -> bool:
    """Return True when rolls follow each other down to the tip without a wide gap."""
    if math.isnan(tip):
        return False
    done = sorted(
        depth for depth, finding in rolls if finding in ("cracks", "crumbles")
    )
    # Half an inch is how well a depth is read on a spade handle.
    slack = 0.0127
    gaps = zip([0.0, *done], [*done, tip], strict=True)
    return all(lower - upper <= widest + slack for upper, lower in gaps)
