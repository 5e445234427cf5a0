"""Why ground that was run over has no answer: what is not known there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.layers import get_layer
from trafficmap.risk.classes import NOT_ASSESSED

if TYPE_CHECKING:
    import xarray as xr

CAUSES = (
    "",
    "the axle load of what drove here is not known",
    "no soil is drawn here",
    "the day of a pass here is not known",
    "the soil water on the day of a pass is not known, or the ground was frozen",
)
"""By code, what could be found out first; 0 is ground that has an answer."""

_NO_DAY = -1


def open_causes(tray: xr.Dataset) -> np.ndarray:
    """Return, a cell, why it has no answer, as a position in `CAUSES`.

    Where several things are missing the first of the list is named: without a load
    nothing else would help.

    Parameters
    ----------
    tray : xarray.Dataset
        With risk_worst; heaviest_axle, soil_unit and first_day where there are any.

    Returns
    -------
    ndarray of int8, shape (rows, cols)
    """
    blank = get_layer(tray, "risk_worst") == NOT_ASSESSED
    out = np.where(blank, len(CAUSES) - 1, 0).astype(np.int8)
    if "first_day" in tray:
        out[blank & (get_layer(tray, "first_day") == _NO_DAY)] = 3
    if "soil_unit" in tray:
        out[blank & (get_layer(tray, "soil_unit") < 0)] = 2
    if "heaviest_axle" in tray:
        out[blank & np.isnan(get_layer(tray, "heaviest_axle"))] = 1
    return out
