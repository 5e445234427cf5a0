"""Loading spots: where machines were filled or emptied standing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from trafficmap.core import limits
from trafficmap.core.tables import LOADING_SPOTS, SPLIT_FIXES, require_table
from trafficmap.traffic.stations import DEFAULTS

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from trafficmap.core.settings.traffic import TrafficSettings

_STANDING = ("idle", "loading")


def loading_spots(
    split_fixes: pd.DataFrame,
    payload: pd.DataFrame,
    *,
    boundary: BaseGeometry,
    settings: TrafficSettings = DEFAULTS,
) -> pd.DataFrame:
    """Return the places where machines took on or gave off their load standing.

    Parameters
    ----------
    split_fixes : DataFrame
        Contract `SPLIT_FIXES`.
    payload : DataFrame
        One row a fix, as `loads.payload` returns it: column ``payload`` [kg].
    boundary : Polygon or MultiPolygon
    settings : TrafficSettings
        ``spot_seconds``, ``spot_mass`` and ``spot_distance``.

    Returns
    -------
    DataFrame
        Contract `LOADING_SPOTS`, the spot where most stops were first.

    Notes
    -----
    A stop is at least ``spot_seconds`` of standing in one log. It counts where the
    payload changed by more than ``spot_mass`` from the fix before to the last, or where
    a machine that only carries stood to be loaded, although nobody knows the mass.
    Stops within ``spot_distance`` of one another, one after the other, are one spot.
    """
    require_table(split_fixes, SPLIT_FIXES)
    stops = _stops(split_fixes, payload, settings)
    if not len(stops):
        return LOADING_SPOTS.empty()
    place = stops[["easting", "northing"]].to_numpy()
    pairs = cKDTree(place).query_pairs(settings.spot_distance, output_type="ndarray")
    links = coo_matrix(
        (np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(stops),) * 2
    )
    _, spot = connected_components(links, directed=False)
    rows = [_row(group, boundary) for _, group in stops.groupby(spot)]
    table = pd.DataFrame(rows)
    order = ["stops", "standing", "easting"]
    table = table.sort_values(order, ascending=False, kind="stable", ignore_index=True)
    table.insert(0, "spot", np.arange(1, len(table) + 1))
    for name in ("first", "last"):
        table[name] = pd.to_datetime(table[name], utc=True).astype(
            "datetime64[ms, UTC]"
        )
    return require_table(table[LOADING_SPOTS.names()], LOADING_SPOTS)


def _stops(
    fixes: pd.DataFrame, payload: pd.DataFrame, settings: TrafficSettings
) -> pd.DataFrame:
    """Return one row a stop at which a load changed hands."""
    still = fixes["state"].isin(_STANDING).to_numpy()
    log = fixes["log_id"].to_numpy()
    seconds = fixes["seconds"].to_numpy(float)
    mass = payload["payload"].to_numpy(float)
    new = np.ones(len(fixes), dtype=np.bool_)
    new[1:] = (log[1:] != log[:-1]) | (still[1:] != still[:-1])
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(fixes)) - 1
    keep = still[first]
    first, last = first[keep], last[keep]
    # The load a machine came with is that of the fix before, and it drove off with
    # that of the fix after, where its track goes on.
    before, after = np.maximum(first - 1, 0), np.minimum(last + 1, len(fixes) - 1)
    near = limits.GAP_SECONDS
    before = np.where(
        (log[before] == log[first]) & (seconds[first] - seconds[before] <= near),
        before,
        first,
    )
    after = np.where(
        (log[after] == log[last]) & (seconds[after] - seconds[last] <= near),
        after,
        last,
    )
    standing = seconds[last] - seconds[before]
    change = mass[after] - mass[before]
    carries = (fixes["state"] == "loading").to_numpy(dtype=np.bool_)[first]
    moved = np.abs(np.nan_to_num(change)) > settings.spot_mass
    good = (standing >= settings.spot_seconds) & (moved | carries)
    first, last = first[good], last[good]
    time = fixes["time"]
    return pd.DataFrame(
        {
            "machine_id": fixes["machine_id"].iloc[first].to_numpy().astype(str),
            "easting": 0.5 * _of(fixes, "easting", first, last),
            "northing": 0.5 * _of(fixes, "northing", first, last),
            "standing": standing[good],
            "change": np.where(moved[good], change[good], np.nan),
            "first": time.iloc[first].array,
            "last": time.iloc[last].array,
        }
    )


def _of(fixes: pd.DataFrame, name: str, first, last) -> np.ndarray:
    values = fixes[name].to_numpy(float)
    return values[first] + values[last]


def _row(stops: pd.DataFrame, boundary: BaseGeometry) -> dict:
    """Return one spot from its stops."""
    change = stops["change"]
    taken, given = change[change > 0.0], change[change < 0.0]
    easting, northing = stops["easting"].median(), stops["northing"].median()
    kinds = [
        word for word, some in (("filled", len(taken)), ("emptied", len(given))) if some
    ]
    return {
        "machines": ", ".join(sorted(stops["machine_id"].unique())),
        "kind": " and ".join(kinds) or "not known",
        "stops": len(stops),
        "standing": float(stops["standing"].sum()),
        "mass_in": float(taken.sum()) if len(taken) else np.nan,
        "mass_out": float(-given.sum()) if len(given) else np.nan,
        "easting": float(easting),
        "northing": float(northing),
        "in_field": bool(shapely.intersects_xy(boundary, easting, northing)),
        "first": stops["first"].min(),
        "last": stops["last"].max(),
    }
