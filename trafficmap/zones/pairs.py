"""Stops in tracks with their twins: what each pair says, on the same day."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from trafficmap.core.tables import PROBE_PAIRS, require_table
from trafficmap.zones.confirm import Profile, hard_span, twin_ratio

if TYPE_CHECKING:
    from trafficmap.core.settings.zones import ZoneSettings


class Spot(NamedTuple):
    """One push of the probe: its name, place [m], day, and what it read."""

    point: str
    easting: float
    northing: float
    date: pd.Timestamp
    profile: Profile


def pairs(dug: pd.DataFrame, *, settings: ZoneSettings) -> pd.DataFrame:
    """Return every stop in a track with the nearest twin of the same day.

    A pair says layer when the stop is over ``cone_limit`` for ``layer_thickness`` or
    more and reads at least ``confirm_ratio`` times its twin there. Readings of
    different days are never compared: the soil was wetter or drier. Stops without a
    twin within ``twin_reach`` say nothing and are left out.

    Parameters
    ----------
    dug : DataFrame
        Contract `DUG`.
    settings : ZoneSettings

    Returns
    -------
    DataFrame
        Contract `PROBE_PAIRS`, in the order of the readings.
    """
    tracks, beside = spots(dug, wheeled=True), spots(dug, wheeled=False)
    rows = []
    places = np.array([[s.easting, s.northing] for s in beside]).reshape(-1, 2)
    days = np.array([s.date.toordinal() if pd.notna(s.date) else 0 for s in beside])
    for stop in tracks:
        day = stop.date.toordinal() if pd.notna(stop.date) else 0
        same = np.flatnonzero(days == day)
        if not same.size:
            continue
        away = np.hypot(*(places[same] - (stop.easting, stop.northing)).T)
        nearest = int(np.argmin(away))
        if away[nearest] > settings.twin_reach:
            continue
        rows.append(_said(stop, beside[same[nearest]], settings))
    if not rows:
        return PROBE_PAIRS.empty()
    table = pd.DataFrame(rows, columns=PROBE_PAIRS.names())
    table["date"] = table["date"].astype("datetime64[s]")
    return require_table(table, PROBE_PAIRS)


def spots(dug: pd.DataFrame, *, wheeled: bool) -> list[Spot]:
    """Return the probe readings of one side as pushes, one a name, place and day.

    Repeats at one depth are averaged. Pushes with fewer than two readings say nothing
    of a layer and are left out.
    """
    side = 1.0 if wheeled else 0.0
    rows = dug[(dug["kind"] == "probe") & (dug["wheeled"] == side)]
    rows = rows.dropna(subset=["depth", "value"])
    found = []
    keys = ["point", "easting", "northing", "date"]
    # A missing day is a day of its own, not a reason to lose the reading.
    told: Any
    for told, push in rows.groupby(keys, sort=False, dropna=False):
        point, easting, northing, date = told
        mean = push.groupby("depth", sort=True)["value"].mean()
        if len(mean) < 2:
            continue
        profile = Profile(mean.index.to_numpy(float), mean.to_numpy(float))
        found.append(Spot(str(point), easting, northing, date, profile))
    return found


def _said(stop: Spot, twin: Spot, settings: ZoneSettings) -> dict:
    span = hard_span(
        stop.profile, limit=settings.cone_limit, thickness=settings.layer_thickness
    )
    top, bottom = span if span is not None else (np.nan, np.nan)
    ratio = twin_ratio([stop.profile], [twin.profile], top=top, bottom=bottom)
    return {
        "point": stop.point,
        "easting": float(stop.easting),
        "northing": float(stop.northing),
        "date": stop.date,
        "beside": twin.point,
        "found": bool(span is not None and ratio >= settings.confirm_ratio),
        "top": float(top),
        "bottom": float(bottom),
        "ratio": float(ratio),
    }
