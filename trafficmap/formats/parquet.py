"""Parquet files: points as logs, shapes of GeoParquet with their coordinate system.

The library for these is large, so it comes only when it is asked for.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd

# isort: off
from trafficmap.formats import _gdal  # noqa: F401  (its settings come first)
import geopandas as gpd
# isort: on

from trafficmap.core import limits
from trafficmap.core.errors import CRSError, InputError, TrafficmapError

KIND = "Parquet table"
"""What a log of points without shapes is called in the record."""

GEOPARQUET = "GeoParquet points"
"""What a log of points with shapes is called in the record."""

_GEO = b"geo"


def read_parquet(path: Path) -> gpd.GeoDataFrame | pd.DataFrame:
    """Read a Parquet file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    GeoDataFrame or DataFrame
        With shapes where it is GeoParquet, in its own coordinate system; None for that
        where the file says that it is not known. Columns in columns are left out.

    Raises
    ------
    InputError
        The library is not installed; it is damaged, or holds more than
        `limits.MAX_TABLE_CELLS`.
    CRSError
        Its coordinate system is not known.
    """
    parquet = _library(path.name)
    with _in_words(path.name):
        return _read(parquet, path, path.name)


def has_shapes(path: Path) -> bool:
    """Tell whether a Parquet file is GeoParquet, by what stands at its end.

    Raises
    ------
    InputError
        The library is not installed, or the file is damaged.
    """
    parquet = _library(path.name)
    with _in_words(path.name), _opened(parquet, path) as file:
        return _GEO in (file.metadata.metadata or {})


@contextmanager
def _in_words(name: str) -> Iterator[None]:
    """Turn what the libraries say about a file into one sentence."""
    try:
        with warnings.catch_warnings():  # findings are told in words
            warnings.simplefilter("ignore")
            yield
    except TrafficmapError:
        raise
    except Exception as error:
        # The library's errors share no base with those of shapes and coordinates.
        if "crs" in type(error).__name__.lower():
            msg = f"{name}: its coordinate system is not known."
            raise CRSError(msg, "export it in longitude and latitude") from error
        msg = f"{name}: is a damaged or incomplete Parquet file."
        raise InputError(msg, "copy it again, or export it again") from error


def _opened(parquet: Any, path: Path) -> Any:
    return parquet.ParquetFile(
        path,
        thrift_string_size_limit=limits.MAX_XML_BYTES,
        thrift_container_size_limit=1_000_000,
        page_checksum_verification=True,
    )


def _library(name: str) -> Any:
    try:
        import pyarrow.parquet as parquet
    except ImportError:
        msg = f"{name}: is a Parquet file, and the library that reads those is not "
        msg += "installed."
        hint = 'pip install "trafficmap[parquet]", or export it as GeoPackage'
        raise InputError(msg, hint) from None
    return parquet


def _read(parquet: Any, path: Path, name: str) -> gpd.GeoDataFrame | pd.DataFrame:
    import pyarrow as pa

    with _opened(parquet, path) as file:
        about = file.metadata
        cells = about.num_rows * max(about.num_columns, 1)
        groups = [about.row_group(k) for k in range(about.num_row_groups)]
        size = sum(group.total_byte_size for group in groups)
        _check_amount(name, cells, size)
        schema = file.schema_arrow
        geo = (schema.metadata or {}).get(_GEO)
        flat = [f.name for f in schema if not pa.types.is_nested(f.type)]
        if geo is None:
            table = file.read(columns=flat)
            table.validate(full=True)
            return _plain(table.to_pandas(ignore_metadata=True))
    main = _main_column(geo, name)
    wanted = [*flat, *([] if main in flat else [main])]
    frame = gpd.read_parquet(path, columns=wanted)
    frame = frame.set_geometry(main)
    others = [c for c in frame.columns if c != main and frame[c].dtype == "geometry"]
    columns = frame.drop(columns=[main, *others])
    return gpd.GeoDataFrame(
        _plain(pd.DataFrame(columns)), geometry=frame.geometry.array, crs=frame.crs
    )


def _check_amount(name: str, cells: int, size: int) -> None:
    if cells > limits.MAX_TABLE_CELLS or size > limits.MAX_TEXT_BYTES:
        msg = f"{name}: holds {cells:,} values, the limit is "
        msg += f"{limits.MAX_TABLE_CELLS:,}."
        raise InputError(msg, "export fewer columns, or one day at a time")


def _main_column(geo: bytes, name: str) -> str:
    about = json.loads(geo)
    main = about.get("primary_column", "") if isinstance(about, dict) else ""
    if not isinstance(main, str) or not main:
        msg = f"{name}: does not say which column holds its shapes."
        raise InputError(msg, "export it again as GeoParquet or GeoPackage")
    return main


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return columns as numbers, times and text; of exact decimals their numbers."""
    out = {}
    for column in frame.columns:
        values = frame[column]
        if values.dtype == object:
            some = values.dropna()
            first = type(some.iloc[0]).__name__ if len(some) else ""
            if first == "Decimal":
                values = pd.to_numeric(values, errors="coerce")
            elif first == "date":
                values = pd.to_datetime(values, errors="coerce")
            elif first == "bytes":
                continue
        out[str(column)] = values
    return pd.DataFrame(out, index=frame.index).reset_index(drop=True)
