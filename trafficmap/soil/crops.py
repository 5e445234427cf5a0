"""What crops take from the ground and when, for the middle latitudes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

SOUTH_DAYS = 184
"""From 1 May to 1 November: south of the equator dates lie this much later [d]."""


@dataclass(frozen=True)
class CropUse:
    """Basal coefficient of a crop over the year, and what it is like.

    Parameters
    ----------
    name : str
        As a person reads it.
    dates : tuple of (month, day)
        Rising; north of the equator.
    basal : tuple of float
        Kcb at these dates, straight between, 0 before the first and after the last.
    height : float
        When full grown. [m]
    winter : float
        Kcb from 1 January to the first date: above 0 for what was sown in autumn.
    """

    name: str
    dates: tuple[tuple[int, int], ...]
    basal: tuple[float, ...]
    height: float
    winter: float = 0.0

    def on(self, day_of_year) -> np.ndarray:
        """Return Kcb by day of the northern year [1]."""
        knots = [day_number(*date) for date in self.dates]
        return np.interp(
            day_of_year, knots, list(self.basal), left=self.winter, right=0.0
        )

    @property
    def season(self) -> tuple[pd.Timestamp, pd.Timestamp]:
        """First and last day on which it takes water, in a year without a leap."""
        first, last = self.dates[0], self.dates[-1]
        return pd.Timestamp(2023, *first), pd.Timestamp(2023, *last)


def day_number(month: int, day: int) -> float:
    """Return the day of the year of a date.

    Examples
    --------
    >>> day_number(5, 1)
    121.0
    """
    return float(pd.Timestamp(2023, month, day).day_of_year)


def _row(name, sown, full, fading, ripe, middle, end, height) -> CropUse:
    """Return a crop sown in spring: four dates, Kcb 0.15 until it covers."""
    return CropUse(
        name, (sown, full, fading, ripe), (0.15, middle, middle, end), height
    )


_CORN = _row("corn", (5, 1), (6, 30), (8, 10), (9, 10), 1.10, 0.15, 2.0)
_SOY = _row("soybean", (5, 1), (6, 30), (8, 10), (9, 10), 1.10, 0.15, 0.8)
_SILAGE = _row("silage corn", (5, 1), (6, 30), (8, 20), (9, 20), 1.10, 0.50, 2.0)
_BEANS = _row("dry beans", (6, 1), (7, 10), (8, 15), (9, 10), 1.10, 0.25, 0.4)
_GRAIN = _row("spring grain", (4, 15), (5, 25), (6, 25), (7, 25), 1.10, 0.15, 1.0)
_BEET = _row("sugar beet", (5, 1), (7, 5), (9, 15), (11, 15), 1.15, 0.50, 0.5)
_POTATO = _row("potato", (5, 1), (6, 20), (8, 20), (9, 20), 1.10, 0.65, 0.6)
_SUNFLOWER = _row("sunflower", (5, 20), (7, 10), (8, 20), (9, 20), 1.10, 0.25, 2.0)
_RAPE = _row("spring rape", (5, 1), (6, 10), (7, 20), (8, 15), 1.00, 0.25, 0.6)
_SORGHUM = _row("sorghum", (5, 20), (7, 10), (8, 25), (9, 25), 1.00, 0.35, 1.5)
_WINTER = CropUse(
    "winter grain",
    ((3, 20), (5, 1), (6, 10), (7, 5)),
    (0.30, 1.10, 1.10, 0.15),
    1.0,
    winter=0.30,
)

CROPS: dict[str, CropUse] = {
    "corn": _CORN,
    "soybean": _SOY,
    "soybeans": _SOY,
    "silage corn": _SILAGE,
    "corn silage": _SILAGE,
    "dry beans": _BEANS,
    "edible beans": _BEANS,
    "wheat": _WINTER,
    "winter wheat": _WINTER,
    "rye": _WINTER,
    "triticale": _WINTER,
    "winter barley": _WINTER,
    "small grain": _WINTER,
    "spring wheat": _GRAIN,
    "barley": _GRAIN,
    "spring barley": _GRAIN,
    "oats": _GRAIN,
    "sugar beet": _BEET,
    "sugar beets": _BEET,
    "sugarbeet": _BEET,
    "sugarbeets": _BEET,
    "potato": _POTATO,
    "potatoes": _POTATO,
    "sunflower": _SUNFLOWER,
    "sunflowers": _SUNFLOWER,
    "canola": _RAPE,
    "spring canola": _RAPE,
    "rape": _RAPE,
    "sorghum": _SORGHUM,
    "grain sorghum": _SORGHUM,
    "milo": _SORGHUM,
}
"""Crops by name. Kcb and heights from FAO-56 Tables 12 and 17 (from memory), corn and
soybean at the low end of what stands there; dates for about 40 to 45 degrees, a
choice. Plain wheat counts as sown in autumn."""

SOD = (
    "grass",
    "pasture",
    "hay",
    "alfalfa",
    "sod",
    "clover",
    "turf",
    "cover crop",
    "cover",
)
"""What covers the ground all year; see `cover.ground_cover`."""

BARE = ("fallow", "bare", "bare soil", "none")
"""Ground on which nothing grew."""
