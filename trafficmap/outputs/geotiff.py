"""Layers as cloud-optimised GeoTIFF, one file a layer, bands by depth."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

# isort: off
from trafficmap.formats import _gdal  # noqa: F401  (its settings come first)

# At the top, since two threads that import rasterio at once break each other.
import rasterio
from rasterio.crs import CRS
from rasterio.io import MemoryFile
from rasterio.shutil import copy
from rasterio.transform import Affine
# isort: on

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.layers import get_layer, is_nodata, layer_spec
from trafficmap.field.earlier import STEPS, UNKNOWN
from trafficmap.outputs import inks, words

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.layers import LayerSpec
    from trafficmap.risk.ledger import Ledger

BLOCK = 256
LEVEL = 3
"""How hard layers are pressed: within 2 % of level 6, sooner done."""

_RISK_LAYERS = ("risk", "risk_worst", "rut")


def geotiff_bytes(
    tray: xr.Dataset, name: str, *, grid: FieldGrid, mark: str = ""
) -> bytes:
    """Return one layer as a cloud-optimised GeoTIFF.

    The file lies in the field's own UTM zone; "not known" is the layer's nodata and
    never zero. Overviews take the nearest cell, so no class is invented.

    Parameters
    ----------
    tray : xarray.Dataset
        Holds the layer.
    name : str
        A name in the layer book.
    grid : FieldGrid
        Where the cells are.
    mark : str
        Name of the run, written as a tag.
    """
    spec = layer_spec(name)
    values = get_layer(tray, name)
    bands = values[np.newaxis] if values.ndim == 2 else values
    profile = {
        "driver": "GTiff",
        "height": grid.rows,
        "width": grid.cols,
        "count": len(bands),
        "dtype": spec.dtype,
        "crs": CRS.from_epsg(grid.epsg),
        "transform": Affine(*grid.transform),
        "nodata": spec.nodata,
    }
    with MemoryFile() as plain, MemoryFile(ext=".tif") as finished:
        with plain.open(**profile) as dataset:
            dataset.write(bands)
            _describe(dataset, spec, bands, mark)
        with plain.open() as dataset:
            copy(
                dataset,
                finished.name,
                driver="COG",
                compress="DEFLATE",
                level=LEVEL,
                # Most cells repeat or are zero: a predictor makes files a third larger.
                predictor="NO",
                blocksize=BLOCK,
                overview_resampling="NEAREST",
                resampling="NEAREST",
                num_threads="1",
            )
        with rasterio.Env():
            return finished.read()


def ledger_bytes(ledger: Ledger, *, grid: FieldGrid, mark: str = "") -> bytes:
    """Return the damage of every season as one GeoTIFF, a band a season and depth.

    Whole steps of a two-hundredth, 255 for not known, so that next year's run reads
    what this one found; tags say which seasons, and up to which day.
    """
    bands = np.concatenate([one.damage for one in ledger.seasons])
    profile = {
        "driver": "GTiff",
        "height": grid.rows,
        "width": grid.cols,
        "count": len(bands),
        "dtype": "uint8",
        "crs": CRS.from_epsg(grid.epsg),
        "transform": Affine(*grid.transform),
        "nodata": UNKNOWN,
        "compress": "DEFLATE",
        "tiled": True,
        "blockxsize": BLOCK,
        "blockysize": BLOCK,
    }
    with MemoryFile() as finished:
        with finished.open(**profile) as dataset:
            dataset.write(bands)
            dataset.update_tags(
                seasons=",".join(str(one.season) for one in ledger.seasons),
                until=",".join(one.until for one in ledger.seasons),
                meaning=f"damage by season and depth, in steps of 1/{STEPS}",
                software="trafficmap",
                run=mark,
            )
            dataset.scales = (1.0 / STEPS,) * len(bands)
            for number in range(len(bands)):
                one, depth = divmod(number, len(COMPUTE_DEPTHS))
                dataset.set_band_description(
                    number + 1,
                    f"season {ledger.seasons[one].season}, "
                    f"{COMPUTE_DEPTHS[depth]:.2f} m",
                )
        return finished.read()


def _describe(dataset, spec: LayerSpec, bands, mark: str) -> None:
    dataset.update_tags(
        layer=spec.name,
        meaning=spec.meaning,
        units=spec.unit,
        software="trafficmap",
        run=mark,
    )
    dataset.units = (spec.unit,) * len(bands)
    for number, band in enumerate(bands, 1):
        text = spec.meaning
        if spec.dims == "depth":
            depth = COMPUTE_DEPTHS[number - 1]
            text = (
                f"{spec.name} at {depth:.2f} m ({words.depth_words(depth, 'us')}): "
                f"{spec.meaning}"
            )
        dataset.set_band_description(number, text)
        known = band[~is_nodata(band, spec)].astype(np.float64)
        if known.size:
            dataset.update_tags(
                number,
                STATISTICS_MINIMUM=f"{known.min():.9g}",
                STATISTICS_MAXIMUM=f"{known.max():.9g}",
                STATISTICS_MEAN=f"{known.mean():.9g}",
                STATISTICS_STDDEV=f"{known.std():.9g}",
            )
    if spec.name in _RISK_LAYERS:
        dataset.update_tags(
            classes=", ".join(
                f"{number} {word}" for number, word in enumerate(inks.RISK_WORDS, 1)
            )
        )
        dataset.write_colormap(1, _risk_colours())


def _risk_colours() -> dict[int, tuple[int, int, int, int]]:
    table = dict.fromkeys(range(256), (0, 0, 0, 0))
    for number in range(1, 5):
        table[number] = (*inks.rgb(inks.LIGHT[f"risk-{number}"]), 255)
    table[5] = (*inks.rgb(inks.LIGHT["not-assessed"]), 96)
    return table
