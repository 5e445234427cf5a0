"""What probe and spade say about each unit: a layer, none, or not enough to tell."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.zones.dug import finding_word, unit_of_readings
from trafficmap.zones.units import REST, Units

if TYPE_CHECKING:
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.zones.decide import Probed

_RATIO_STEP = 0.0508  # 2 in, the usual step of a reading


@dataclass(frozen=True)
class Profile:
    """One push of the probe: depth [m] and cone index [Pa], top to bottom."""

    depth: np.ndarray
    cone: np.ndarray


@dataclass(frozen=True)
class Verdict:
    """What the readings of one unit add up to.

    Parameters
    ----------
    probed : {"none", "no layer", "confirmed", "inconclusive"}
    top, bottom : float
        Where the cone index rises above the limit and falls below it again, median of
        the wheeled probes; NaN unless confirmed. [m]
    ratio : float
        Median cone index against the unwheeled twin in the layer. [unitless]
    share : float
        Wheeled probes above the limit. [fraction]
    why : str
        What is missing, or what was found.
    """

    probed: Probed
    top: float = float("nan")
    bottom: float = float("nan")
    ratio: float = float("nan")
    share: float = float("nan")
    why: str = ""
    counts: tuple[int, int] = field(default=(0, 0))


_UNASSESSED = (
    "a layer was found in part of it, but loads, soil water or dates of this ground "
    "are not known"
)


def confirm(
    units: Units,
    dug: pd.DataFrame,
    *,
    settings: ZoneSettings,
) -> Units:
    """Return the units with what people found: layer, ruts, hand rolls, trial pass.

    Adds the columns probed, layer_top, layer_bottom, ratio, dug (a sentence), rut,
    rolls (tuple of (depth [m], finding)), rolled_on, trial and trial_on. Of hand rolls
    and trial passes only the newest day counts, because soil dries and wets between.

    Parameters
    ----------
    units : Units
    dug : DataFrame
        Contract `DUG`, what `still_good` left of it.
    settings : ZoneSettings
    """
    table = units.table.copy()
    own = (
        unit_of_readings(dug, units.label, grid=units.grid, reach=settings.twin_reach)
        if len(dug)
        else np.empty(0, dtype=np.int64)
    )
    columns: dict[str, list] = {
        name: []
        for name in (
            "probed", "layer_top", "layer_bottom", "ratio", "dug", "rut", "rolls",
            "rolled_on", "trial", "trial_on",
        )
    }  # fmt: skip
    for unit in table["unit"]:
        mine = dug[own == unit] if len(dug) else dug
        verdict = verdict_of(mine, settings=settings)
        if verdict.probed == "confirmed" and not table.at[unit, "assessed"]:
            # Ground without an answer is one piece whatever lies in it; a few
            # readings do not speak for all of it.
            verdict = Verdict("inconclusive", why=_UNASSESSED)
        if settings.assume_confirmed is not None and unit != REST:
            verdict = _or_assumed(verdict, settings.assume_confirmed)
        ruts = mine.loc[mine["kind"] == "rut", "value"]
        columns["probed"].append(verdict.probed)
        columns["layer_top"].append(verdict.top)
        columns["layer_bottom"].append(verdict.bottom)
        columns["ratio"].append(verdict.ratio)
        columns["dug"].append(verdict.why)
        columns["rut"].append(float(ruts.max()) if len(ruts) else np.nan)
        rolls, rolled_on = _rolls(mine)
        columns["rolls"].append(rolls)
        columns["rolled_on"].append(rolled_on)
        columns["trial"].append(_trial(mine))
        columns["trial_on"].append(mine.loc[mine["kind"] == "trial", "date"].max())
    for name, values in columns.items():
        table[name] = pd.Series(values, index=table.index)
    return units.with_table(table)


def _or_assumed(verdict: Verdict, bottom: float) -> Verdict:
    """Return a finding as it is, and an assumed layer where there is none.

    What people found, a layer or none, is never overruled by what somebody assumes.
    """
    if verdict.probed == "none":
        return Verdict("confirmed", bottom=bottom, why="assumed, nobody dug here")
    if verdict.probed == "inconclusive":
        why = f"assumed, nobody dug enough to settle it: {verdict.why}"
        return Verdict("confirmed", bottom=bottom, why=why)
    return verdict


def verdict_of(readings: pd.DataFrame, *, settings: ZoneSettings) -> Verdict:
    """Return what the probes and spades of one unit add up to.

    Confirmed needs three things at once: at least half of the wheeled probes over
    300 psi for 2 in or more; a cone index at least 1.25 times that of the unwheeled
    twin in the layer; and a spade that shows plates or roots running sideways. No
    layer needs enough probes, fewer than half over the limit, no ratio, and a spade
    that shows no plates: roots go past what a cone calls hard, and stop at what it
    calls soft.
    Everything else cannot be told from these readings. The limit of 300 psi is common
    extension advice; the shares and the ratio are choices.

    Parameters
    ----------
    readings : DataFrame
        Contract `DUG`, the rows of one unit.
    settings : ZoneSettings
    """
    wheeled, twin = profiles(readings, wheeled=True), profiles(readings, wheeled=False)
    counts = (len(wheeled), len(twin))
    plates = spade_shows(readings)
    if not wheeled and plates is None:
        return Verdict("none", counts=counts)
    if len(wheeled) < settings.min_probes or len(twin) < settings.min_probes:
        why = (
            f"{len(wheeled)} probes in tracks and {len(twin)} beside them, need "
            f"{settings.min_probes} of each"
        )
        return Verdict("inconclusive", why=why, counts=counts)
    spans = [
        hard_span(p, limit=settings.cone_limit, thickness=settings.layer_thickness)
        for p in wheeled
    ]
    hard = [span for span in spans if span is not None]
    share = len(hard) / len(wheeled)
    top = float(np.median([span[0] for span in hard])) if hard else float("nan")
    bottom = float(np.median([span[1] for span in hard])) if hard else float("nan")
    ratio = twin_ratio(wheeled, twin, top=top, bottom=bottom)
    enough = share >= settings.confirm_share
    harder = ratio >= settings.confirm_ratio
    found = f"{share:.0%} of the probes over the limit, {ratio:.2f} times the twin"
    if enough and harder and plates:
        if np.isinf(bottom):
            why = f"{found}; the probes ended inside the layer: go deeper"
            return Verdict(
                "inconclusive", ratio=ratio, share=share, why=why, counts=counts
            )
        return Verdict("confirmed", top, bottom, ratio, share, found, counts)
    if not enough and not harder and plates is False:
        return Verdict("no layer", ratio=ratio, share=share, why=found, counts=counts)
    missing = (
        "dig with a spade and look for plates"
        if plates is None
        else "probe, twin and spade do not agree"
    )
    return Verdict(
        "inconclusive",
        ratio=ratio,
        share=share,
        why=f"{found}; {missing}",
        counts=counts,
    )


def profiles(readings: pd.DataFrame, *, wheeled: bool) -> list[Profile]:
    """Return the probe readings as profiles, one a spot and side.

    Readings with no depth or value, or where nobody said which side, are left out.
    """
    rows = readings[
        (readings["kind"] == "probe")
        & (readings["wheeled"] == (1.0 if wheeled else 0.0))
    ].dropna(subset=["depth", "value"])
    if rows.empty:
        return []
    spot = ["point", "easting", "northing"]
    # Repeats at one depth are averaged, as after a stone.
    mean = rows.groupby([*spot, "depth"], sort=True)["value"].mean().reset_index()
    owner = mean.groupby(spot, sort=True).ngroup().to_numpy()
    cuts = np.flatnonzero(np.diff(owner)) + 1
    depths = np.split(mean["depth"].to_numpy(float), cuts)
    cones = np.split(mean["value"].to_numpy(float), cuts)
    return [
        Profile(depth, cone)
        for depth, cone in zip(depths, cones, strict=True)
        if depth.size >= 2
    ]


def hard_span(
    profile: Profile, *, limit: float, thickness: float
) -> tuple[float, float] | None:
    """Return top and bottom [m] of the thickest stretch above `limit` [Pa], or None.

    Readings are joined by straight lines. A stretch that lasts to the last reading has
    its bottom at infinity: nobody knows where it ends.

    Parameters
    ----------
    profile : Profile
    limit : float
        [Pa]
    thickness : float
        Thinner stretches do not count. [m]

    Examples
    --------
    >>> p = Profile(np.array([0.1, 0.2, 0.3, 0.4]), np.array([1e6, 3e6, 3e6, 1e6]))
    >>> top, bottom = hard_span(p, limit=2e6, thickness=0.05)
    >>> round(top, 3), round(bottom, 3)
    (0.15, 0.35)
    """
    depth, cone = profile.depth, profile.cone
    above = cone > limit
    best: tuple[float, float] | None = None
    best_length = 0.0
    k = 0
    while k < depth.size:
        if not above[k]:
            k += 1
            continue
        last = k
        while last + 1 < depth.size and above[last + 1]:
            last += 1
        top = depth[k] if k == 0 else _crossing(depth, cone, k - 1, limit)
        open_end = last == depth.size - 1
        end = depth[last] if open_end else _crossing(depth, cone, last, limit)
        length = end - top
        if length >= thickness - 1e-9 and length > best_length:
            best = (float(top), float("inf") if open_end else float(end))
            best_length = length
        k = last + 1
    return best


def twin_ratio(
    wheeled: list[Profile], twin: list[Profile], *, top: float, bottom: float
) -> float:
    """Return the cone index in tracks against beside them, in the layer.

    The ratio of medians at each 2 in of depth, then the median over depths from `top`
    to `bottom`; without a layer, over all depths both sides reach below 0.10 m.
    """
    deepest = min(
        max(p.depth[-1] for p in wheeled),
        max(p.depth[-1] for p in twin),
        bottom if np.isfinite(bottom) else np.inf,
    )
    shallowest = top if np.isfinite(top) else 0.10
    steps = np.arange(shallowest, deepest + 1e-9, _RATIO_STEP)
    ratios = []
    for step in steps:
        above, beside = _at(wheeled, step), _at(twin, step)
        if above.size and beside.size and np.median(beside) > 0:
            ratios.append(np.median(above) / np.median(beside))
    return float(np.median(ratios)) if ratios else float("nan")


def _at(found: list[Profile], depth: float) -> np.ndarray:
    """Return the cone index of each profile at a depth it reaches."""
    return np.array(
        [
            np.interp(depth, p.depth, p.cone)
            for p in found
            if p.depth[0] - 1e-9 <= depth <= p.depth[-1] + 1e-9
        ]
    )


def _crossing(depth: np.ndarray, cone: np.ndarray, k: int, limit: float) -> float:
    """Return the depth between readings k and k + 1 where the line meets `limit`."""
    share = (limit - cone[k]) / (cone[k + 1] - cone[k])
    return float(depth[k] + share * (depth[k + 1] - depth[k]))


def spade_shows(readings: pd.DataFrame) -> bool | None:
    """Return whether spades in tracks show plates; None when nobody dug."""
    rows = readings[(readings["kind"] == "spade") & (readings["wheeled"] != 0.0)]
    # A hole nobody wrote anything about shows nothing.
    rows = rows[rows["finding"].map(finding_word) != ""]
    if not len(rows):
        return None
    return any(finding_word(text) == "plates" for text in rows["finding"])


def _newest(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the newest day; all where nobody wrote a day."""
    days = rows["date"].dropna()
    return rows[rows["date"] == days.max()] if len(days) else rows


def _rolls(
    readings: pd.DataFrame,
) -> tuple[tuple[tuple[float, str], ...], pd.Timestamp]:
    """Return the newest hand rolls, by depth, and their day."""
    rows = readings[(readings["kind"] == "hand_roll") & (readings["wheeled"] != 0.0)]
    if rows.empty:
        return (), pd.to_datetime(rows["date"]).max()
    rows = _newest(rows).dropna(subset=["depth"])
    depths, findings = rows["depth"].tolist(), rows["finding"].tolist()
    pairs = [
        (float(depth), finding_word(finding))
        for depth, finding in zip(depths, findings, strict=True)
    ]
    return tuple(sorted(pairs)), pd.to_datetime(rows["date"]).max()


def _trial(readings: pd.DataFrame) -> str:
    """Return the worst the newest trial pass has shown, or nothing."""
    rows = readings[readings["kind"] == "trial"]
    if rows.empty:
        return ""
    rows = _newest(rows)
    rolled = readings.loc[readings["kind"] == "hand_roll", "date"].max()
    # Soil dries and wets between: a later hand roll, or one on a known day, wins over
    # a trial pass of an earlier or unknown day.
    if pd.notna(rolled) and not rows["date"].max() >= rolled:
        return ""
    seen = {finding_word(text) for text in rows["finding"]}
    for word in ("slot", "smear", "clods", "rides out", "dry clods", "shatters"):
        if word in seen:
            return word
    return ""
