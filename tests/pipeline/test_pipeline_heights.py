"""A raster of heights on its way through the line: loads, layer and advice."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from trafficmap.cli.sample import _sample_module
from trafficmap.core.layers import get_layer
from trafficmap.field import read_field
from trafficmap.pipeline import run
from trafficmap.zones import candidates


@pytest.fixture(scope="module")
def hilly(tmp_path_factory):
    """A small sample field, level in its south, rising 9 % to the east in its north."""
    folder = tmp_path_factory.mktemp("hilly") / "field"
    _sample_module().write_sample(folder, field="two_strips")
    level, _ = read_field(folder)
    west, south, east, north = level.boundary.bounds
    cell, edge = 10.0, 60.0
    cols = int((east - west + 2 * edge) / cell)
    rows = int((north - south + 2 * edge) / cell)
    at = west - edge + (np.arange(cols) + 0.5) * cell
    up = north + edge - (np.arange(rows) + 0.5) * cell
    height = np.outer(up > 0.5 * (south + north), 0.09 * (at - west))
    with rasterio.open(
        folder / "heights.tif", "w", driver="GTiff", width=cols, height=rows, count=1,
        dtype="float32", crs=f"EPSG:{level.epsg}", nodata=-9999.0,
        transform=Affine(cell, 0, west - edge, 0, -cell, north + edge),
    ) as dataset:  # fmt: skip
        dataset.write(height.astype(np.float32), 1)
        dataset.units = ("m",)
    keys = (folder / "field.toml").read_text(encoding="utf-8")
    keys = "\n".join(row for row in keys.splitlines() if "slope_pct" not in row)
    keys += '\n[slope]\nfile = "heights.tif"\n'
    (folder / "field.toml").write_text(keys, encoding="utf-8")
    field, _ = read_field(folder)
    return run(level), run(field)


def test_the_slope_reaches_layer_loads_and_advice(hilly):
    level, hill = hilly
    slope = get_layer(hill.tray, "slope")
    _, up = np.meshgrid(*hill.grid.centres())
    middle = 0.5 * sum(hill.field.boundary.bounds[1::2])
    flat, steep = up < middle - 20.0, up > middle + 20.0
    assert np.nanmax(np.abs(slope[steep] - 0.09)) < 1e-4
    assert np.nanmax(slope[flat]) < 1e-6
    notes = {note.code: note.sentence for note in hill.notes}
    assert "by heights.tif" in notes["loads.slope_used"]
    # Nothing changes on level ground; on the hill the low wheel carries more.
    before = get_layer(level.tray, "heaviest_wheel")
    after = get_layer(hill.tray, "heaviest_wheel")
    flat, steep = flat & (before > 0.0), steep & (before > 0.0)
    assert np.median(after[flat] / before[flat]) == pytest.approx(1.0, abs=1e-3)
    change = after[steep] / before[steep]
    assert 1.02 < change.max() < 1.25
    assert 0.75 < change.min() < 0.98
    # Each piece of ground is judged by its own slope.
    units, _ = candidates(
        hill.tray,
        grid=hill.grid,
        columns=hill.columns,
        field=hill.field,
        settings=hill.settings.zones,
    )
    median = float(np.median(slope[get_layer(hill.tray, "inside") > 0.5]))
    assert hill.field.slope == pytest.approx(median, abs=0.005)
    assert units.table["slope"].between(0.0, 0.0901).all()
