"""Zones fill a field of any shape: no gap, no overlap, every piece with its reason."""

from __future__ import annotations

import json

import pytest
import shapely

from trafficmap.field import read_field
from trafficmap.pipeline import run


def box(west, south, east, north):
    return [(west, south), (east, south), (east, north), (west, north)]


COMB = [
    *[(0, 0), (120, 0), (120, 200), (100, 200), (100, 20), (80, 20), (80, 200)],
    *[(60, 200), (60, 20), (40, 20), (40, 200), (20, 200), (20, 20), (0, 20)],
]

SHAPES = {
    "a hole": [[box(0, 0, 120, 200), box(50, 80, 70, 120)]],
    "two parts": [[box(0, 0, 50, 200)], [box(60, 0, 120, 200)]],
    "narrower than the tool and the header": [[box(20, 0, 26, 200)]],
    "a garden": [[box(20, 20, 28, 30)]],
    "a wedge": [[[(0, 0), (120, 0), (60, 200)]]],
    "a comb": [[COMB]],
}


def geojson(parts, degrees):
    def ring(points):
        places = [degrees(east, north) for east, north in [*points, points[0]]]
        return [[float(lon), float(lat)] for lon, lat in places]

    shape = [[ring(points) for points in part] for part in parts]
    told = {"type": "MultiPolygon", "coordinates": shape}
    feature = {"type": "Feature", "properties": {}, "geometry": told}
    return json.dumps({"type": "FeatureCollection", "features": [feature]})


@pytest.mark.parametrize("name", SHAPES)
def test_zones_fill_a_field_of_odd_shape(tiny, tmp_path, name):
    folder = tiny.TinyField().write(tmp_path / "field")
    outline = folder / "boundary.geojson"
    assert outline.is_file()
    outline.write_text(geojson(SHAPES[name], tiny.degrees), encoding="utf-8")
    field, _ = read_field(folder)
    zones = run(field).zones
    pieces = zones.geometry.to_numpy()
    assert shapely.coverage_is_valid(pieces)
    missed = shapely.union_all(pieces).symmetric_difference(field.boundary)
    assert missed.area < 1e-3
    assert zones["area"].sum() == pytest.approx(field.area, rel=1e-9)
    assert zones["reason"].str.len().min() > 10
    assert zones["row"].str.match(r"D\d+$").all()
