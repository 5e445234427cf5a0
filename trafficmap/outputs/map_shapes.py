"""Zones on the map: their words, and the map itself with names of our own."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import shapely

from trafficmap.outputs import words

if TYPE_CHECKING:
    from trafficmap.outputs.map_views import View
    from trafficmap.pipeline import Result

MAX_OUTLINE = 20_000
"""Most corners of zones on the page; beyond it they are thinned (choice)."""

INSET = 0.003
"""Share of the field's longer side by which zones are drawn inside their border, about
two and a half pixels on a desk (choice)."""

_DRAWING_ORDER = (
    "leave",
    "not-assessed",
    "strip",
    "dotted",
    "probe",
    "rip",
    "keep-out",
)
_KIND_WORDS = {
    "body": "body",
    "end_rows": "end rows",
    "overlap": "hose overlap",
    "keep_out": "kept out",
    "strip": "check strip",
    "rest": "rest",
}


def zone_cards(zones: gpd.GeoDataFrame, units: str) -> list[dict[str, Any]]:
    """Return zones as words for the table and the "Why here?" card."""
    if not len(zones):
        return []
    places = [_label_place(shape) for shape in zones.geometry]
    points = gpd.GeoSeries([point for point, _ in places], crs=zones.crs).to_crs(4326)
    found = []
    for row, point, (_, room) in zip(
        zones.itertuples(index=False), points, places, strict=True
    ):
        depth = float(row.depth) if row.depth is not None else math.nan
        rip = words.is_rip(row.advice) and math.isfinite(depth)
        style = words.zone_style(row.advice, row.kind)
        label = words.depth_words(depth, units) if rip else str(row.advice)
        label = "K" if style == "keep-out" else label
        rows = [
            ["Risk below the topsoil", str(row.risk)],
            ["Chance under the wheels", words.chance_words(_number(row.probability))],
            ["Dug", str(row.probed)],
            ["Fit to shatter", str(row.fit)],
            ["Run over", words.share_words(_number(row.run_over))],
            ["Passes, most", _count(_number(row.passes))],
            ["Heaviest axle", words.mass_words(_number(row.heaviest_axle), units)],
            ["Decision", str(row.row)],
        ]
        if math.isfinite(_number(row.layer_bottom)):
            bottom = words.depth_words(float(row.layer_bottom), units)
            rows.insert(2, ["Layer down to", bottom])
        found.append(
            {
                "zone": int(row.zone),
                "style": style,
                "advice": words.advice_words(row.advice, depth, units),
                "label": label,
                "kind": _KIND_WORDS.get(str(row.kind), str(row.kind)),
                "depth": words.depth_words(depth, units) if rip else "",
                "other": words.other_depth_words(depth, units) if rip else "",
                "area": words.area_words(float(row.area), units),
                "area_number": words.area_number(float(row.area), units),
                "reason": words.as_sentence(row.reason),
                "further": words.as_sentence(row.further),
                "rows": rows,
                "at": [round(point.y, 7), round(point.x, 7)],
                "room": room,
            }
        )
    return found


def _label_place(shape) -> tuple[shapely.Point, list[float]]:
    """Return where a label goes, and how wide and high the zone is there [m].

    The middle, or the roomiest place where the middle lies near a border.
    """
    part = max(shapely.get_parts(shape), key=lambda part: part.area)
    circle = shapely.maximum_inscribed_circle(part)
    middle, place = part.centroid, shapely.Point(circle.coords[0])
    if part.contains(middle) and part.boundary.distance(middle) > 0.6 * circle.length:
        place = middle
    west, south, east, north = part.bounds
    cuts = (
        shapely.LineString([(west - 1, place.y), (east + 1, place.y)]),
        shapely.LineString([(place.x, south - 1), (place.x, north + 1)]),
    )
    room = []
    for cut in cuts:
        pieces = shapely.get_parts(part.intersection(cut))
        room.append(round(max(p.length for p in pieces if p.distance(place) < 0.01), 1))
    return place, room


def folium_parts(result: Result, views: list[View]) -> tuple[str, str]:
    """Return the script and the division of the map, with names of our own."""
    import folium

    field_ = result.field
    boundary = shapely.force_2d(in_degrees(field_.boundary, field_.epsg))
    west, south, east, north = boundary.bounds
    the_map = folium.Map(
        location=[round((south + north) / 2, 6), round((west + east) / 2, 6)],
        tiles=None,
        control_scale=True,
        zoom_start=16,
        max_zoom=21,
        zoom_snap=0.25,
        attribution_control=False,
    )
    # On the instance: the class's lists are shared by every map of the process.
    the_map.default_js, the_map.default_css = [], []
    _name(the_map, "field")
    for view in views:
        south, west, north, east = view.picture.bounds
        overlay = folium.raster_layers.ImageOverlay(
            f"data:image/png;base64,{view.picture.letters}",
            bounds=[[south, west], [north, east]],
            opacity=1.0,
            alt=view.title,
            name=view.key,
            show=False,
            pixelated=False,
        )
        _name(overlay, view.key.replace("-", "_"))
        overlay.add_to(the_map)
    if len(result.zones):
        zones = folium.GeoJson(
            _zone_features(result.zones),
            style_function=lambda feature: {
                "className": f"zone {feature['properties']['style']}",
                "fillOpacity": 1,
                "fillRule": "nonzero",
            },
            name="zones",
            show=False,
            smooth_factor=0,
        )
        _name(zones, "zones")
        zones.add_to(the_map)
    outline = json.loads(shapely.to_geojson(shapely.set_precision(boundary, 1e-7)))
    for name in ("casing", "boundary"):
        layer = folium.GeoJson(
            {"type": "Feature", "properties": {}, "geometry": outline},
            style_function=lambda _, name=name: {"className": name, "fill": False},
            name=name,
            smooth_factor=0,
            interactive=False,
        )
        _name(layer, name)
        layer.add_to(the_map)
    figure: Any = the_map.get_root()
    figure.render()
    return figure.script.render(), figure.html.render()


def _name(element, name: str) -> None:
    """Give a folium element a name of ours; its own is random."""
    element._id = name


def _zone_features(zones: gpd.GeoDataFrame) -> dict[str, Any]:
    outline = _drawn_inside(_thinned(zones)).to_crs(4326)
    styles = [
        words.zone_style(advice, kind)
        for advice, kind in zip(zones["advice"], zones["kind"], strict=True)
    ]
    features = []
    # What stands out is drawn last, on top.
    for k in sorted(range(len(styles)), key=lambda k: _DRAWING_ORDER.index(styles[k])):
        rounded = shapely.set_precision(shapely.force_2d(outline.iloc[k]), 1e-7)
        features.append(
            {
                "type": "Feature",
                "id": str(k),
                "properties": {"i": k, "style": styles[k]},
                "geometry": json.loads(shapely.to_geojson(rounded)),
            }
        )
        if styles[k] == "strip":
            features[-1]["geometry"] = _double(
                outline.iloc[k], features[-1]["geometry"]
            )
    return {"type": "FeatureCollection", "features": features}


def _drawn_inside(outline: gpd.GeoSeries) -> gpd.GeoSeries:
    """Return outlines drawn a hair inside the border, so that neighbours both show."""
    west, south, east, north = outline.total_bounds
    hair = INSET * max(east - west, north - south)
    shrunk = outline.copy()
    for label, shape in outline.items():
        width = 2 * shape.area / shape.length if shape.length else 0.0
        inner = shape.buffer(-min(hair, 0.12 * width), join_style="mitre")
        shrunk[label] = shape if inner.is_empty else inner
    return shrunk


def _double(shape, outer: dict[str, Any]) -> dict[str, Any]:
    """Return the outline of a check strip with a second one inside it."""
    width = 2 * shape.area / shape.length * 0.12 if shape.length else 0.0
    inner = shapely.set_precision(shape.buffer(-width, join_style="mitre"), 1e-7)
    rings: list[Any] = []
    for part in (outer, json.loads(shapely.to_geojson(inner))):
        one = part["type"] == "Polygon"
        rings += [part["coordinates"]] if one else part["coordinates"]
    return {"type": "MultiPolygon", "coordinates": rings}


def _thinned(zones: gpd.GeoDataFrame):
    """Return outlines with no more corners than a browser takes, borders shared."""
    outline = zones.geometry
    for tolerance in (1.0, 2.0, 4.0, 8.0, 16.0):
        if int(shapely.get_num_coordinates(outline.to_numpy()).sum()) <= MAX_OUTLINE:
            break
        simple = shapely.coverage_simplify(zones.geometry.to_numpy(), tolerance)
        outline = outline.copy()
        outline[:] = simple
    return outline


def in_degrees(geometry, epsg: int):
    """Return a geometry in WGS 84."""
    return gpd.GeoSeries([geometry], crs=epsg).to_crs(4326).iloc[0]


def _number(value) -> float:
    return math.nan if value is None else float(value)


def _count(value: float) -> str:
    return "not known" if math.isnan(value) else str(words.half_up(value))
