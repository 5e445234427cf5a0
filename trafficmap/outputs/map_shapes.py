"""Zones on the map: their words, and the map itself with names of our own."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from trafficmap.outputs import answers, words

if TYPE_CHECKING:
    from trafficmap.outputs.map_views import View
    from trafficmap.pipeline import Result

MAX_OUTLINE = 20_000
"""Most corners of zones on the page; beyond it they are thinned (choice)."""

INSET = 0.003
"""Share of the field's longer side by which zones are drawn inside their border, about
two and a half pixels on a desk (choice)."""

UPRIGHT = 75.0
"""Names that lean more than this read from bottom to top [deg]; choice."""

_DRAWING_ORDER = (
    "leave",
    "not-assessed",
    "strip",
    "dotted",
    "probe",
    "rip",
    "keep-out",
)
SIDE_BY_SIDE = 40.0
"""Pieces of one ripped zone within this share one name: two runs of a wide tool [m]."""

_KIND_WORDS = {
    "body": "",
    "end_rows": "end rows",
    "overlap": "much liquid put down",
    "keep_out": "",
    "strip": "check strip",
    "rest": "rest of the field",
}
_PROBED_WORDS = {
    "none": "nothing dug yet",
    "no layer": "no layer found",
    "confirmed": "layer found",
    "assumed": "layer assumed, nobody dug",
    "inconclusive": "not clear, dig again",
}
_FIT_WORDS = {
    "shatters": "shatters",
    "test by hand": "test by hand",
    "too wet": "too wet to shatter",
    "too hard": "too hard and dry",
    "unknown": "not known",
}


def zone_cards(
    zones: gpd.GeoDataFrame, units: str, *, day: str = ""
) -> list[dict[str, Any]]:
    """Return zones as words for the table and the "Why here?" card.

    Parameters
    ----------
    zones : GeoDataFrame
        Contract `core.tables.ZONES`.
    units : {"us", "metric"}
    day : str
        The day the fit was judged for, in words; empty where not known.
    """
    if not len(zones):
        return []
    areas = words.shown_areas(zones, units)
    names = _names(zones)
    found = []
    for row, area, places in zip(
        zones.itertuples(index=False), areas, names, strict=True
    ):
        depth = float(row.depth) if row.depth is not None else math.nan
        rip = words.is_rip(row.advice) and math.isfinite(depth)
        style = words.zone_style(row.advice, row.kind)
        reason, cause = answers.reason_and_cause(str(row.reason))
        probability = _number(row.probability)
        label = words.depth_words(depth, units) if rip else str(row.advice)
        label = "K" if style == "keep-out" else label
        fit = _FIT_WORDS.get(str(row.fit), str(row.fit))
        known = fit != "not known" and day
        rows = [
            ["Risk below the topsoil", str(row.risk)],
            ["Chance under the wheels", words.chance_words(probability)],
            ["Dug", _PROBED_WORDS.get(str(row.probed), str(row.probed))],
            [f"The soil on {day}" if known else "The soil at depth", fit],
            ["Run over", words.share_words(_number(row.run_over))],
            ["Passes, most", _count(_number(row.passes))],
            ["Heaviest axle", words.mass_words(_number(row.heaviest_axle), units)],
            ["Row of the decision table", str(row.row)],
        ]
        if math.isfinite(_number(row.layer_bottom)):
            bottom = words.depth_words(float(row.layer_bottom), units)
            rows.insert(2, ["Layer down to", bottom])
        found.append(
            {
                "zone": int(row.zone),
                "style": style,
                "rank": _rank(style, str(row.advice)),
                "advice": words.advice_words(row.advice, depth, units),
                "label": label,
                "kind": _KIND_WORDS.get(str(row.kind), str(row.kind)),
                "depth": words.depth_words(depth, units) if rip else "",
                "other": words.other_depth_words(depth, units) if rip else "",
                "area": f"{area} {words.area_unit(units)}",
                "area_number": area,
                "reason": words.as_sentence(reason),
                "driven": f"{cause}." if cause else "",
                "model": _model_words(row, probability),
                "row": str(row.row),
                "further": words.as_sentence(row.further),
                "rows": rows,
                "names": places,
            }
        )
    return found


def zone_rows(cards: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of the zones table: work first, the rest of the field last.

    Check strips that say the same are one row. Each row is the card of its first zone
    with ``first``, the place of that card, ``number`` as "16–19", and
    ``area_number`` of all its zones.
    """
    rows: list[dict[str, Any]] = []
    for k, card in enumerate(cards):
        last = rows[-1] if rows else None
        if (
            last is not None
            and card["style"] == last["style"] == "strip"
            and card["reason"] == last["reason"]
            and card["zone"] == last["zones"][-1] + 1
        ):
            last["zones"].append(card["zone"])
            last["number"] = f"{last['zones'][0]}–{card['zone']}"
            last["area_number"] = words.added(last["area_number"], card["area_number"])
            continue
        rows.append(
            card | {"first": k, "zones": [card["zone"]], "number": card["zone"]}
        )
    return sorted(rows, key=lambda row: row["number"] == 0)


def _model_words(row: Any, probability: float) -> str:
    """Return what the model says of damage, apart from what to do about it."""
    if row.kind in ("strip", "keep_out"):
        return ""
    if not math.isfinite(probability):
        return "Damage: not assessed."
    return f"Damage by the model: {row.risk}, {words.chance_words(probability)}."


def _rank(style: str, advice: str) -> int:
    """Return how much a name must be seen: 0 always, 1 beside the zone, 2 if it fits.

    3 is quiet ground, whose name gives way to every other.
    """
    if style == "rip":
        return 0
    if style in ("dotted", "keep-out") or advice == "manage":
        return 1
    return 3 if style in ("leave", "strip") else 2


def _names(zones: gpd.GeoDataFrame) -> list[list[dict[str, Any]]]:
    """Return the places of the names of each zone, in degrees.

    A zone has one name in its largest part. Ripped pieces get one for each bunch that
    lies side by side, with the ring around the bunch, since check strips cut a zone
    into pieces too narrow for any name.
    """
    owner, shapes, rings = [], [], []
    for k, (shape, advice) in enumerate(
        zip(zones.geometry, zones["advice"], strict=True)
    ):
        parts = list(shapely.get_parts(shape))
        if words.is_rip(str(advice)):
            bunches = [bunch.convex_hull for bunch in _bunches(parts)]
            owner += [k] * len(bunches)
            shapes += bunches
            rings += bunches
            continue
        owner.append(k)
        shapes.append(max(parts, key=lambda part: part.area))
        rings.append(None)
    points = gpd.GeoSeries([_label_place(s) for s in shapes], crs=zones.crs)
    hulls = gpd.GeoSeries(rings, crs=zones.crs).to_crs(4326)
    out: list[list[dict[str, Any]]] = [[] for _ in range(len(zones))]
    for k, shape, point, hull in zip(
        owner, shapes, points.to_crs(4326), hulls, strict=True
    ):
        name = {"at": _lat_lon(point.coords)[0], "turn": _turn(shape)}
        if hull is not None:
            name["ring"] = _lat_lon(hull.exterior.coords)
        out[k].append(name)
    return out


def _bunches(parts: list) -> list:
    """Return pieces that lie within SIDE_BY_SIDE of each other, joined."""
    grown = shapely.union_all([part.buffer(SIDE_BY_SIDE / 2) for part in parts])
    return [
        shapely.MultiPolygon([part for part in parts if part.intersects(area)])
        for area in shapely.get_parts(grown)
    ]


def _label_place(part) -> shapely.Point:
    """Return where a name goes: the middle, or the roomiest place near it."""
    circle = shapely.maximum_inscribed_circle(part)
    middle, place = part.centroid, shapely.Point(circle.coords[0])
    roomy = part.contains(middle) and (
        part.boundary.distance(middle) > 0.6 * circle.length
    )
    return middle if roomy else place


def _turn(part) -> float:
    """Return the turn of a name that runs along a long piece, on the screen [deg]."""
    corners = shapely.get_coordinates(part.minimum_rotated_rectangle)
    sides = np.diff(corners[:3], axis=0)
    across, along = sorted(sides, key=lambda side: float(np.hypot(*side)))
    if np.hypot(*along) < 1.5 * np.hypot(*across):
        return 0.0
    turn = -math.degrees(math.atan2(along[1], along[0]))
    # From bottom to top where it stands upright or leans a little beyond, so that
    # zones side by side read the same way; never on its head.
    return round((turn - UPRIGHT) % -180.0 + UPRIGHT, 1)


def _lat_lon(coordinates) -> list[list[float]]:
    return [[round(lat, 7), round(lon, 7)] for lon, lat in coordinates]


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
