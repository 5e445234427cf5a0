"""What readings of soil moisture were worth: the same season with and without them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.notes import Note
from trafficmap.field.place import area_words
from trafficmap.risk.classes import NOT_ASSESSED

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid

_TOLD = 0.35
"""Depth [m] a sentence speaks of: 14 in."""


def readings_gain(
    tray: xr.Dataset,
    unread: xr.Dataset,
    *,
    strength: Any,
    no_surer: Any,
    grid: FieldGrid,
) -> tuple[dict[str, float], list[Note]]:
    """Return what moisture readings changed on the map of risk.

    Parameters
    ----------
    tray : xarray.Dataset
        Filled by `assess` with the readings; ``run_over`` and ``inside`` in it.
    unread : xarray.Dataset
        Filled by `assess` as if nobody had read anything.
    strength, no_surer : Strength
        ``ln_spread`` (times, columns, depths) with the readings, and for the same
        water known no better than without them.
    grid : FieldGrid

    Returns
    -------
    dict
        ``factor_before`` and ``factor_after``: how far strength at 0.35 m may be off
        because of its water, a factor either way, over hours and columns [1];
        ``undecided_before``, ``undecided_after`` and ``class_changed``: ground under
        wheels [m2].
    list of Note
    """
    wheeled = np.nan_to_num(tray["run_over"].values) * (tray["inside"].values > 0)
    area = wheeled * grid.cell_area
    before, after = (one["risk_worst"].values for one in (unread, tray))
    known = (before < NOT_ASSESSED) & (after < NOT_ASSESSED)
    at = COMPUTE_DEPTHS.index(_TOLD)
    gain = {
        "factor_before": _factor(no_surer.ln_spread[..., at]),
        "factor_after": _factor(strength.ln_spread[..., at]),
        "undecided_before": float(area[unread["undecided"].values == 1].sum()),
        "undecided_after": float(area[tray["undecided"].values == 1].sum()),
        "class_changed": float(area[known & (before != after)].sum()),
    }
    return gain, [_note(gain)]


def _factor(spread: np.ndarray) -> float:
    """Return the root mean square of a spread of logarithms as a factor."""
    known = spread[np.isfinite(spread)]
    if not known.size:
        return float("nan")
    return float(np.exp(np.sqrt((known**2).mean())))


def _note(gain: dict[str, float]) -> Note:
    """Say what the readings were worth."""
    sentence = (
        "With the moisture readings the soil water leaves strength at 14 in (35 cm) "
        f"open by a factor of {gain['factor_after']:.2f} either way; without them it "
        f"would be {gain['factor_before']:.2f}. Ground under wheels that could go "
        f"either way is {area_words(gain['undecided_after'])}, without them "
        f"{area_words(gain['undecided_before'])}; {area_words(gain['class_changed'])} "
        "changed their class."
    )
    return Note("risk.readings_gain", "info", sentence)
