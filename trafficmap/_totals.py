"""What a run comes to: the totals of run.json, and passes with their lines."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap import tracks

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    import xarray as xr

    from trafficmap import loads, traffic
    from trafficmap.core.grid import FieldGrid
    from trafficmap.field.model import Field


def field_totals(
    field: Field,
    fixes: pd.DataFrame,
    payload: loads.Payload,
    tray: xr.Dataset,
    grid: FieldGrid,
    driven: traffic.TrafficTables,
) -> dict[str, Any]:
    """Return the totals of the whole field."""
    inside = np.nan_to_num(tray["inside"].values)
    area = inside.sum() * grid.cell_area
    machine = {log.log_id: log.machine_id for log in field.logs}
    table = driven.traffic
    whole = table[(table["part"] == "field") & (table["doing"] == "any")]
    every = whole.loc[whole["machine_id"] == "all"].iloc[0]
    often = driven.depth
    six = often.loc[(often["part"] == "field") & (often["times"] == 6)]
    return {
        "area_m2": field.area,
        "grid_area_m2": float(area),
        "run_over_share": float(every["run_over"] / area),
        "run_over_again_share": float(every["run_over_again"] / area),
        "same_track_share": float(every["same_track"] / max(every["run_over"], 1e-9)),
        "wheel_over_3_share": float(every["under_3"] / area),
        "wheel_over_5_share": float(every["under_5"] / area),
        "more_than_5_wheel_passes_share": float(six["wheel_passes"].sum() / area),
        "load_distance_mg_km_ha": float(every["load_distance"]),
        "heaviest_axle_kg": float(np.nan_to_num(every["axle"])),
        "heaviest_wheel_kg": [
            float(every[name]) for name in ("wheel_low", "wheel", "wheel_high")
        ],
        "worked": [
            {"machine_id": machine[row["log_id"]], **row}
            for row in tracks.worked(fixes).to_dict("records")
            if row["log_id"] in machine
        ],
        "ledger_kg": payload.ledger,
    }


def track_totals(
    passes: pd.DataFrame,
    sessions: pd.DataFrame,
    gaps: pd.DataFrame,
    tray: xr.Dataset,
    grid: FieldGrid,
) -> dict[str, Any]:
    """Return what run.json says of the tracks themselves."""
    inferred = passes.loc[passes["inferred"], "length"]
    moving = float(gaps[["tracked", "inferred", "missing"]].to_numpy().sum())
    out = {
        "driven_m": float(passes["length"].sum()),
        "inferred_m": float(inferred.sum()),
        "no_track_share": float(gaps["missing"].sum()) / max(moving, 1e-9),
        "gaps": gaps.to_dict("records"),
        "sessions": sessions.drop(columns=["start", "end"]).to_dict("records"),
    }
    if "access" in tray:
        driven = np.nan_to_num(tray["run_over"].values) * tray["access"].values
        strip = tray["access"].values.sum()
        out["access_m2"] = float(strip * grid.cell_area)
        out["access_run_over_m2"] = float(
            np.minimum(driven, tray["access"].values).sum() * grid.cell_area
        )
    return out


def with_lines(
    passes: pd.DataFrame, fixes: pd.DataFrame, epsg: int
) -> gpd.GeoDataFrame:
    """Return the passes with the line of the antenna."""
    import geopandas as gpd
    import shapely

    first = passes["first"].to_numpy()
    counts = passes["last"].to_numpy() - first
    rows = np.repeat(first - np.cumsum(counts) + counts, counts)
    rows = rows + np.arange(rows.size)
    places = fixes[["easting", "northing"]].to_numpy()[rows]
    # A pass of one fix has no line; two equal points would make an invalid one.
    enough = np.flatnonzero(counts >= 2)
    owner = np.repeat(np.arange(len(passes)), counts)
    chosen = np.isin(owner, enough)
    lines = np.full(len(passes), None, dtype=object)
    if enough.size:
        numbers = np.searchsorted(enough, owner[chosen])
        lines[enough] = shapely.linestrings(places[chosen], indices=numbers)
    return gpd.GeoDataFrame(passes.copy(), geometry=list(lines), crs=epsg)
