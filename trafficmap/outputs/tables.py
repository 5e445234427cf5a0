"""Zones, passes and stops as flat tables with the unit in every name."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from trafficmap.core.units import from_si
from trafficmap.outputs.answers import reason_and_cause
from trafficmap.outputs.display import depths_for_display
from trafficmap.outputs.inks import RISK_WORDS
from trafficmap.outputs.words import as_sentence, half_up, zone_style

if TYPE_CHECKING:
    from trafficmap.pipeline import Result

ZONE_COLUMNS = (
    ("zone", "zone number, 0 for ground left alone"),
    ("kind", "body, end_rows, overlap, keep_out, strip or rest"),
    ("advice", "what to do"),
    ("decision", "row of the decision table"),
    ("depth_mm", "depth to work at; 0 is leave alone"),
    ("depth_in", "the same in whole inches"),
    ("risk_class", "1 unlikely to 4 very likely, 5 not assessed"),
    ("risk", "the same in words, at the worst of 10, 14 and 20 in"),
    ("chance", "probability of damage under the wheels there, 0 to 1"),
    ("probed", "none, no layer, confirmed, inconclusive or assumed"),
    ("fit", "whether the soil shatters"),
    ("area_ha", "area on the ellipsoid"),
    ("area_ac", "the same in acres"),
    ("runover_pct", "share of the zone run over"),
    ("passes", "passes, 90th percentile"),
    ("axle_kg", "heaviest axle"),
    ("bottom_mm", "bottom of the confirmed layer"),
    ("run_deg", "which way to drive, clockwise from north, either end"),
    ("reason", "why this is to be done or left"),
    ("driven", "what weighed most on it: axle, day, passes, soil water"),
    ("further", "other reasons that also apply"),
    ("drawn_as", "name of the style"),
)
"""Columns of the zones in GeoPackage, GeoJSON and CSV, with their meaning."""


def zone_table(zones: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return zones with units in the names, as `ZONE_COLUMNS` lists them."""
    depth = depths_for_display(zones)["depth"].to_numpy()
    numbers = {word: number for number, word in enumerate(RISK_WORDS, 1)}
    told = [reason_and_cause(text) for text in _text(zones["reason"])]
    table = gpd.GeoDataFrame(
        {
            "zone": zones["zone"].astype("int32").to_numpy(),
            "kind": _text(zones["kind"]),
            "advice": _text(zones["advice"]),
            "decision": _text(zones["row"]),
            "depth_mm": np.array([half_up(d * 1000) for d in depth], dtype=np.int32),
            "depth_in": np.array([half_up(d / 0.0254) for d in depth], dtype=np.int32),
            "risk_class": np.array(
                [numbers.get(word, 5) for word in zones["risk"]], dtype=np.int32
            ),
            "risk": _text(zones["risk"]),
            "chance": zones["probability"].to_numpy(dtype=float).round(3),
            "probed": _text(zones["probed"]),
            "fit": _text(zones["fit"]),
            "area_ha": from_si(zones["area"].to_numpy(dtype=float), "ha").round(3),
            "area_ac": from_si(zones["area"].to_numpy(dtype=float), "ac").round(2),
            "runover_pct": (zones["run_over"].to_numpy(dtype=float) * 100).round(1),
            "passes": zones["passes"].to_numpy(dtype=float).round(1),
            "axle_kg": zones["heaviest_axle"].to_numpy(dtype=float).round(0),
            "bottom_mm": (zones["layer_bottom"].to_numpy(dtype=float) * 1000).round(0),
            "run_deg": _runs(zones),
            "reason": [as_sentence(reason) for reason, _ in told],
            "driven": [cause for _, cause in told],
            "further": _text(zones["further"]),
            "drawn_as": [
                zone_style(advice, kind)
                for advice, kind in zip(zones["advice"], zones["kind"], strict=True)
            ],
        },
        geometry=[as_multi(shape) for shape in zones.geometry],
        crs=zones.crs,
    )
    return table.sort_values("zone", kind="stable", ignore_index=True)


def _runs(zones: gpd.GeoDataFrame) -> np.ndarray:
    """Return which way to drive in whole degrees, NaN where nobody can say."""
    if "run_heading" not in zones:
        return np.full(len(zones), np.nan)
    return zones["run_heading"].to_numpy(dtype=float).round(0)


def pass_table(result: Result) -> gpd.GeoDataFrame:
    """Return passes as lines with machine, state, times and length."""
    passes = result.passes
    labels = {mid: machine.label for mid, machine in result.field.machines.items()}
    lines = _pass_lines(result)
    table = gpd.GeoDataFrame(
        {
            "pass_id": passes["pass_id"].astype("int64").to_numpy(),
            "machine": _text(passes["machine_id"]),
            "label": [labels.get(mid, mid) or mid for mid in passes["machine_id"]],
            "state": _text(passes["state"]),
            "start_utc": _iso(passes["start"]),
            "end_utc": _iso(passes["end"]),
            "length_m": passes["length"].to_numpy(dtype=float).round(1),
            "inferred": passes["inferred"].astype("int32").to_numpy(),
        },
        geometry=lines,
        crs=f"EPSG:{result.grid.epsg}",
    )
    return table[~table.geometry.isna()].reset_index(drop=True)


def stop_table(stops: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the places to probe as points, with plain column types."""
    table = stops.copy()
    for name in table.columns:
        if name == table.geometry.name:
            continue
        if isinstance(table[name].dtype, pd.DatetimeTZDtype):
            table[name] = _iso(table[name])
        elif table[name].dtype == object:
            table[name] = _text(table[name])
    twin = [""] * len(table) if "twin_of" not in table else _text(table["twin_of"])
    table["drawn_as"] = ["twin" if other else "stop" for other in twin]
    return table.reset_index(drop=True)


def event_table(result: Result) -> gpd.GeoDataFrame:
    """Return every wheel event as a point in the middle of its cell."""
    events, grid, paths = result.events, result.grid, result.paths
    easting, northing = grid.centres()
    row, col = np.divmod(events.cell, grid.cols)
    wheels = paths.wheels
    slot = wheels["slot"].to_numpy()[events.wheel]
    load = paths.states.load[events.state, slot]
    moment = pd.Series(pd.to_datetime(events.time, unit="s", utc=True))
    return gpd.GeoDataFrame(
        {
            "cell": events.cell,
            "pass_id": events.pass_id,
            "machine": wheels["machine_id"].to_numpy()[events.wheel],
            "axle": wheels["axle"].to_numpy()[events.wheel],
            "wheel": events.wheel,
            "time_utc": _iso(moment),
            "cover": events.cover.astype(float).round(3),
            "entry": np.full(events.cell.size, -1, np.int32)
            if events.entry is None
            else events.entry,
            "load_kN": (load / 1000.0).round(2),
            "distance_m": events.distance.astype(float).round(3),
        },
        geometry=gpd.points_from_xy(easting[col], northing[row]),
        crs=f"EPSG:{grid.epsg}",
    )


def boundary_table(result: Result) -> gpd.GeoDataFrame:
    """Return the boundary as one row."""
    field = result.field
    return gpd.GeoDataFrame(
        {
            "field": [field.name],
            "season": [int(field.season)],
            "area_ha": [round(from_si(field.area, "ha"), 3)],
            "area_ac": [round(from_si(field.area, "ac"), 2)],
            "invented": [int(field.invented)],
        },
        geometry=[as_multi(field.boundary)],
        crs=f"EPSG:{field.epsg}",
    )


def as_multi(shape):
    """Return a flat geometry as its many-part form, so a layer holds one type."""
    flat = shapely.force_2d(shape)
    if flat.geom_type == "Polygon":
        return shapely.MultiPolygon([flat])
    if flat.geom_type == "LineString":
        return shapely.MultiLineString([flat])
    return flat


def _pass_lines(result: Result) -> list:
    """Return a line a pass: its own geometry, or the fixes it was cut from."""
    passes, fixes = result.passes, result.fixes
    if isinstance(passes, gpd.GeoDataFrame) and "geometry" in passes:
        return [None if shape is None else as_multi(shape) for shape in passes.geometry]
    place = fixes[["easting", "northing"]].to_numpy(dtype=float)
    lines = []
    for first, last in zip(passes["first"], passes["last"], strict=True):
        points = place[int(first) : int(last)]
        line = shapely.LineString(points) if len(points) > 1 else None
        lines.append(None if line is None else as_multi(shapely.simplify(line, 0.25)))
    return lines


def _text(series: pd.Series) -> list[str]:
    return ["" if pd.isna(value) else str(value) for value in series]


def _iso(series: pd.Series) -> list[str]:
    return ["" if pd.isna(t) else f"{t:%Y-%m-%dT%H:%M:%SZ}" for t in series]
