"""After harvest: did the work pay, by treated ground against check strips."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.tables import YIELD_PAIRS, require_table

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.core.settings.season import SeasonSettings

Verdict = Literal["paid", "did not pay", "cannot tell yet"]

_EVEN = 0.05
"""No crop stands more evenly than this share of its yield; choice."""

_MOST_STRIPS = 200
"""More strips than this nobody leaves; the number wanted is not told [count]."""


@dataclass(frozen=True)
class Review:
    """What the harvest says of the work.

    Parameters
    ----------
    verdict : {"paid", "did not pay", "cannot tell yet"}
    sentence : str
        The verdict with its reason, in plain words.
    pairs : DataFrame
        Contract `YIELD_PAIRS`.
    difference_low, difference, difference_high : float
        Treated less untreated, with its interval. [kg/m2]
    net_low, net, net_high : float
        Price times difference less cost; NaN without a price. [currency/m2]
    cost, price : float
        [currency/m2], [currency/kg]
    area : float
        Treated ground. [m2]
    strips_wanted : int or None
        About so many strips like these would settle it; None where it is settled, or
        no number would.
    confidence : float
        Of the intervals. [fraction]
    notes : tuple of Note
    """

    verdict: Verdict
    sentence: str
    pairs: pd.DataFrame
    difference_low: float
    difference: float
    difference_high: float
    net_low: float
    net: float
    net_high: float
    cost: float
    price: float
    area: float
    strips_wanted: int | None
    confidence: float
    notes: tuple[Note, ...]

    def with_notes(self, notes: list[Note]) -> Review:
        """Return the same with more to say, worst first."""
        return dataclasses.replace(
            self, notes=tuple(worst_first([*notes, *self.notes]))
        )


def review(
    zones: gpd.GeoDataFrame,
    readings: pd.DataFrame,
    *,
    price: float,
    cost: float,
    settings: SeasonSettings,
) -> Review:
    """Return whether treated ground yielded more than the check strips left in it.

    Parameters
    ----------
    zones : GeoDataFrame
        ``zone``, ``kind``, ``advice`` and geometry, as in a run folder.
    readings : DataFrame
        From `yield_readings`: easting, northing [m], mass [kg], area [m2], width [m].
    price : float
        What the crop brought; NaN where not known. [currency/kg]
    cost : float
        What the work cost beyond what would have been done. [currency/m2]
    settings : SeasonSettings

    Returns
    -------
    Review

    Raises
    ------
    InputError
        Nothing was to be ripped, no strip was left, or the harvest is of another field.

    Notes
    -----
    A strip stands against the treated ground within ``beside`` to both sides of it in
    the same zone. Yields a few metres apart are alike, so readings are no repeats: the
    mean of a strip, less that of the ground beside it, is one value, and the interval
    is Student's t over the strips (paired differences; a textbook method). A reading
    counts only where the whole header, but for ``edge_over``, was on one or the other.
    It takes at least ``strips_least`` strips. "Paid" is said where the whole interval
    of price x difference - cost lies above zero, "did not pay" where it lies below.
    """
    strips, treated = _strips(zones), zones[zones["advice"] == "rip"]
    if not len(treated):
        msg = "review: nothing in this run was to be ripped, need treated ground."
        raise InputError(msg, "give the folder of the run that was worked from")
    if not len(strips):
        msg = "review: this run left no check strip, need strips to compare with."
        raise InputError(
            msg, "without strips nobody can tell; leave 3 to 5 in the next run"
        )
    _require_here(zones, readings)
    rows = [
        _pair(k + 1, strip, treated, readings, settings)
        for k, strip in enumerate(strips.itertuples(index=False))
    ]
    pairs = require_table(pd.DataFrame(rows)[YIELD_PAIRS.names()], YIELD_PAIRS)
    used = pairs.loc[pairs["used"], "difference"].to_numpy(float)
    area = float(treated.geometry.area.sum())
    mean, half = interval(used, confidence=settings.confidence)
    if used.size < settings.strips_least:
        half = math.nan
    low, high = mean - half, mean + half
    net = [price * d - cost for d in (low, mean, high)]
    verdict = _verdict(net[0], net[2])
    wanted = (
        strips_wanted(
            used,
            edge=cost / price if price > 0.0 else math.nan,
            confidence=settings.confidence,
        )
        if verdict == "cannot tell yet"
        else None
    )
    return Review(
        verdict=verdict,
        sentence=_sentence(verdict, used, price, settings, pairs),
        pairs=pairs,
        difference_low=low,
        difference=mean,
        difference_high=high,
        net_low=net[0],
        net=net[1],
        net_high=net[2],
        cost=cost,
        price=price,
        area=area,
        strips_wanted=wanted,
        confidence=settings.confidence,
        notes=tuple(_notes(pairs, price)),
    )


def interval(differences: np.ndarray, *, confidence: float) -> tuple[float, float]:
    """Return mean and half width of Student's t interval of paired differences.

    Half width is NaN for fewer than two.

    Parameters
    ----------
    differences : ndarray, shape (n,)
    confidence : float
        Two-sided. [fraction]

    Examples
    --------
    >>> import numpy as np
    >>> mean, half = interval(np.array([1.0, 2.0, 3.0]), confidence=0.95)
    >>> round(mean, 3), round(half, 3)
    (2.0, 2.484)
    """
    from scipy.stats import t

    n = differences.size
    if n == 0:
        return math.nan, math.nan
    mean = float(differences.mean())
    if n < 2:
        return mean, math.nan
    spread = float(differences.std(ddof=1))
    factor = float(t.ppf(0.5 + 0.5 * confidence, n - 1))
    return mean, factor * spread / math.sqrt(n)


def strips_wanted(
    differences: np.ndarray, *, edge: float, confidence: float
) -> int | None:
    """Return how many strips as different as these would tell, None if none would.

    The smallest number whose interval would just clear `edge`, were mean and spread to
    stay as they are.

    Parameters
    ----------
    differences : ndarray, shape (n,)
    edge : float
        Difference that just pays, in the same unit.
    confidence : float
        [fraction]
    """
    from scipy.stats import t

    if differences.size < 2 or math.isnan(edge):
        return None
    away = abs(float(differences.mean()) - edge)
    spread = float(differences.std(ddof=1))
    for n in range(differences.size + 1, _MOST_STRIPS + 1):
        factor = float(t.ppf(0.5 + 0.5 * confidence, n - 1))
        if factor * spread / math.sqrt(n) < away:
            return n
    return None


def _strips(zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the check strips, one row a piece."""
    return zones[zones["kind"] == "strip"].explode(index_parts=False)


def _require_here(zones: gpd.GeoDataFrame, readings: pd.DataFrame) -> None:
    """Refuse a harvest that was on another field."""
    west, south, east, north = zones.total_bounds
    there = (
        readings["easting"].between(west, east)
        & readings["northing"].between(south, north)
    ).sum()
    if not len(readings):
        msg = "review: no reading in the harvest logs tells a yield, need a yield log."
        raise InputError(msg, "give the combine's log with its mass flow and width")
    if not there:
        msg = "review: the harvest logs lie on another field, need this one's."
        raise InputError(msg, "give the yield logs of the field of this run")


def _sane(readings: pd.DataFrame, on: np.ndarray, most: float) -> np.ndarray:
    """Return which of some readings lie near the middle of them.

    Each piece of ground by itself: else a strip that yields otherwise would go.
    """
    if not on.any():
        return on
    value = (readings["mass"] / readings["area"]).to_numpy(float)
    middle = float(np.median(value[on]))
    spread = 1.4826 * float(np.median(np.abs(value[on] - middle)))
    spread = max(spread, _EVEN * middle)
    return on & (np.abs(value - middle) <= most * spread)


def _pair(
    number: int,
    strip,
    treated: gpd.GeoDataFrame,
    readings: pd.DataFrame,
    settings: SeasonSettings,
) -> dict:
    """Return one strip against the treated ground beside it."""
    touching = treated[treated.geometry.distance(strip.geometry) < 1.0]
    row = {
        "strip": number,
        "zone": int(touching["zone"].iloc[0]) if len(touching) else 0,
        "treated": math.nan,
        "untreated": math.nan,
        "difference": math.nan,
        "readings_treated": 0,
        "readings_untreated": 0,
        "used": False,
        "reason": "",
    }
    if not len(touching):
        return {**row, "reason": "no treated ground touches it"}
    inside = _on(readings, strip.geometry, settings)
    ground = shapely.union_all(touching.geometry.to_numpy())
    beside = _on(
        readings,
        ground,
        settings,
        near=strip.geometry.buffer(settings.beside),
    )
    inside = _sane(readings, inside, settings.outlier)
    beside = _sane(readings, beside, settings.outlier)
    row |= {
        "readings_untreated": int(inside.sum()),
        "readings_treated": int(beside.sum()),
    }
    least = settings.yield_fixes_least
    if inside.sum() < least:
        over = _touched(readings, strip.geometry)
        why = (
            "the header was wider than the strip, so its yield is mixed"
            if over >= least
            else "too few yield readings in it"
        )
        return {**row, "reason": why}
    if beside.sum() < least:
        return {**row, "reason": "too few yield readings beside it"}
    means = {
        name: float(readings.loc[on, "mass"].sum() / readings.loc[on, "area"].sum())
        for name, on in (("untreated", inside), ("treated", beside))
    }
    return {
        **row,
        **means,
        "difference": means["treated"] - means["untreated"],
        "used": True,
    }


def _on(
    readings: pd.DataFrame, ground, settings: SeasonSettings, *, near=None
) -> np.ndarray:
    """Return which readings the whole header took from a piece of ground."""
    easting, northing = (
        readings[name].to_numpy(float) for name in ("easting", "northing")
    )
    shapely.prepare(ground)
    on = shapely.intersects_xy(ground, easting, northing)
    if near is not None:
        shapely.prepare(near)
        on &= shapely.intersects_xy(near, easting, northing)
    rows = np.flatnonzero(on)
    half = 0.5 * readings["width"].to_numpy(float)[rows] - settings.edge_over
    away = shapely.distance(
        ground.boundary, shapely.points(easting[rows], northing[rows])
    )
    on[rows[away < np.maximum(half, 0.0)]] = False
    return on


def _touched(readings: pd.DataFrame, ground) -> int:
    return int(
        shapely.intersects_xy(
            ground, readings["easting"].to_numpy(), readings["northing"].to_numpy()
        ).sum()
    )


def _verdict(low: float, high: float) -> Verdict:
    if low > 0.0:
        return "paid"
    if high < 0.0:
        return "did not pay"
    return "cannot tell yet"


def _sentence(
    verdict: Verdict,
    used: np.ndarray,
    price: float,
    settings: SeasonSettings,
    pairs: pd.DataFrame,
) -> str:
    share = f"{100 * settings.confidence:.0f} %"
    if verdict == "paid":
        return f"It paid: the whole {share} range of the gain is above its cost."
    if verdict == "did not pay":
        return f"It did not pay: the whole {share} range of the gain is below its cost."
    if used.size < settings.strips_least:
        return (
            f"Cannot tell yet: {used.size} of {len(pairs)} strips can be compared, at "
            f"least {settings.strips_least} are needed."
        )
    if math.isnan(price):
        return "Cannot tell yet: the price of the crop is not known."
    return f"Cannot tell yet: the {share} range of the gain spans its cost."


def _notes(pairs: pd.DataFrame, price: float) -> list[Note]:
    notes = []
    left = pairs[~pairs["used"]]
    for reason, group in left.groupby("reason", sort=True):
        names = ", ".join(str(n) for n in group["strip"])
        notes.append(
            Note(
                "review.strip_left_out",
                "check",
                f"Strip{'s' * (len(group) > 1)} {names}: {reason}; left out.",
                len(group),
            )
        )
    if math.isnan(price):
        notes.append(
            Note(
                "review.price_unknown",
                "check",
                "The price of the crop is not known, so only its yield is compared; "
                "give it with --price.",
            )
        )
    notes.append(
        Note(
            "review.one_year",
            "info",
            "This is one field in one year: a dry or a wet year answers differently, "
            "and what wheels did meanwhile counts too.",
        )
    )
    return notes
