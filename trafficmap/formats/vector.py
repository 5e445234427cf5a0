"""Shapes and points from GeoPackage, shapefile, GeoJSON, KML, GPX, GeoParquet.

All come as WGS 84 degrees.

GDAL is handed a file only after its first bytes were recognised, with the driver they
call for; it opens many more things than it is asked to by name.
"""

from __future__ import annotations

import sqlite3
import urllib.parse
import warnings
from pathlib import Path

import numpy as np

# isort: off
from trafficmap.formats import _gdal  # noqa: F401  (its settings come first)
import geopandas as gpd
import pyogrio
import shapely
# isort: on

from trafficmap.core.errors import CRSError, InputError
from trafficmap.core.notes import Note
from trafficmap.formats.crs import WGS84, check_crs, crs_of
from trafficmap.formats.gpx import gpx_lines
from trafficmap.formats.kml import read_kml_shapes
from trafficmap.formats.parquet import read_parquet
from trafficmap.formats.paths import real_file
from trafficmap.formats.sniff import (
    GEOJSON,
    GEOPACKAGE,
    GEOTIFF,
    GPX,
    KML,
    KMZ,
    PARQUET,
    SHAPEFILE,
    ZIP,
    said,
    sniff,
)
from trafficmap.formats.zipped import inner_file, inner_names

KINDS = (GEOPACKAGE, SHAPEFILE, GEOJSON)
"""Kinds that GDAL reads."""

SHAPE_KINDS = (*KINDS, KML, KMZ, GPX, PARQUET)
"""Kinds that can hold shapes."""

_DRIVER = {GEOPACKAGE: "GPKG", SHAPEFILE: "ESRI Shapefile", GEOJSON: "GeoJSON"}
_OWN_TRIGGERS = ("rtree_", "trigger_insert_feature_count_", "trigger_delete_feature_",
                 "gpkg_")  # fmt: skip
_POLYGONS = ("Polygon", "MultiPolygon")


def read_polygons(path: str | Path, *, layer: str | None = None) -> gpd.GeoDataFrame:
    """Read a layer of polygons.

    Parameters
    ----------
    path : str or Path
        GeoPackage, shapefile (the .shp), GeoJSON, KML, KMZ, GPX (its tracks as
        lines) or GeoParquet; or a zip with one of them.
    layer : str, optional
        Needed only where a GeoPackage holds several.

    Returns
    -------
    GeoDataFrame
        EPSG:4326, heights dropped; shapes as written, not repaired. What was found
        stands as a list of Note in ``attrs["notes"]``.

    Raises
    ------
    InputError
        As `read_features`; or it holds points or lines.
    """
    frame = read_features(path, layer=layer)
    other = frame[~frame.geom_type.isin(_POLYGONS)]
    if len(other):
        found = other.geom_type.iloc[0].lower()
        msg = f"{Path(path).name}: holds a {found}, need polygons."
        raise InputError(msg, "close the line to a polygon, or name the other layer")
    return frame


def read_features(path: str | Path, *, layer: str | None = None) -> gpd.GeoDataFrame:
    """Read a layer of any shapes.

    Parameters
    ----------
    path : str or Path
        GeoPackage, shapefile (the .shp), GeoJSON, KML, KMZ, GPX (its tracks as
        lines) or GeoParquet; or a zip with one of them.
    layer : str, optional
        Needed only where a GeoPackage holds several.

    Returns
    -------
    GeoDataFrame
        EPSG:4326, heights dropped. What was found stands as a list of Note in
        ``attrs["notes"]``.

    Raises
    ------
    InputError
        It is no plain file of these kinds, is damaged, a part of the shapefile is
        missing, it has several layers and none was named, or it holds no shapes or
        places that are no numbers.
    CRSError
        The coordinate system is missing and the places are no degrees, or it is not
        known, or it cannot be turned into WGS 84 well enough here.
    """
    real = real_file(path)
    kind = sniff(real)
    if kind == ZIP:
        several = len(inner_names(real, kinds=SHAPE_KINDS)) > 1
        which, deeper = (layer, None) if several else (None, layer)
        what = "files with shapes"
        with inner_file(real, kinds=SHAPE_KINDS, what=what, inside=which) as inner:
            return _features(*inner, inner[0].name, deeper)
    return _features(real, kind, Path(path).name, layer)


def _features(real: Path, kind: str, name: str, layer: str | None) -> gpd.GeoDataFrame:
    notes: list[Note] = []
    if kind in (KML, KMZ, GPX):
        rows, notes = (gpx_lines if kind == GPX else read_kml_shapes)(real)
        frame = gpd.GeoDataFrame(rows, geometry="geometry", crs=WGS84)
        return _finished(frame, name, notes)
    if kind == PARQUET:
        frame = read_parquet(real)
        if not isinstance(frame, gpd.GeoDataFrame):
            msg = f"{name}: holds a table without shapes."
            raise InputError(msg, "export it as GeoParquet, with its shapes")
        return _finished(frame, name, notes)
    if kind not in KINDS:
        msg = f"{name}: is {said(kind)}, need a GeoPackage, a shapefile or GeoJSON "
        msg += "(or KML, GPX, GeoParquet)."
        shapes = "turn its classes into polygons first"
        raise InputError(
            msg, shapes if kind == GEOTIFF else "export it in one of those formats"
        )
    tables = None
    if kind == GEOPACKAGE:
        tables, found = _look_into_geopackage(real, name)
        notes += found
    if kind == SHAPEFILE:
        _need_siblings(real, name)
    frame, found = _read(real, kind, name, _choose_layer(kind, name, layer, tables))
    return _finished(frame, name, notes + found)


def _finished(
    frame: gpd.GeoDataFrame, name: str, notes: list[Note]
) -> gpd.GeoDataFrame:
    """Return the shapes flat, in degrees, with all that was found."""
    frame, tidied = _tidy(frame, name)
    frame, found = _in_degrees(frame, name)
    frame.attrs["notes"] = [*notes, *tidied, *found]
    return frame


def _look_into_geopackage(path: Path, name: str) -> tuple[list[str], list[Note]]:
    """Return the tables with shapes; views and foreign triggers are only reported."""
    address = f"file:{urllib.parse.quote(str(path))}?mode=ro&immutable=1"
    try:
        connection = sqlite3.connect(address, uri=True)
        try:
            contents = connection.execute(
                "SELECT table_name FROM gpkg_contents WHERE data_type = 'features'"
            ).fetchall()
            schema = connection.execute(
                "SELECT type, name FROM sqlite_master WHERE type IN ('view', 'trigger')"
            ).fetchall()
        finally:
            connection.close()
    except sqlite3.Error:
        msg = f"{name}: is a damaged GeoPackage."
        raise InputError(msg, "copy it again, or export it again") from None
    views = {n for kind, n in schema if kind == "view"}
    triggers = [
        n for kind, n in schema if kind == "trigger" and not n.startswith(_OWN_TRIGGERS)
    ]
    notes = []
    if triggers or views:
        sentence = (
            f"{name}: holds {len(triggers)} triggers and {len(views)} views of its "
            "own; it was opened for reading only and none of them was used."
        )
        count = len(triggers) + len(views)
        notes.append(Note("vector.foreign_code", "info", sentence, count, name))
    return [table for (table,) in contents if table not in views], notes


def _choose_layer(
    kind: str, name: str, layer: str | None, tables: list[str] | None
) -> str | None:
    if kind != GEOPACKAGE or tables is None:
        return None
    if layer is not None:
        if layer not in tables:
            msg = f"{name}: has no layer {layer!r}, need one of {', '.join(tables)}."
            raise InputError(msg, "look at the spelling")
        return layer
    if len(tables) != 1:
        listed = ", ".join(tables) or "none with shapes"
        msg = f"{name}: has {len(tables)} layers ({listed}), need to know which."
        raise InputError(msg, 'write layer = "..." beside the file')
    return tables[0]


def _need_siblings(path: Path, name: str) -> None:
    beside = {p.name.lower() for p in path.parent.iterdir()}
    for suffix in (".shx", ".dbf"):
        if f"{path.stem}{suffix}".lower() not in beside:
            msg = f"{name}: its {suffix} file is missing; the parts of a shapefile "
            msg += "belong together."
            raise InputError(msg, f"copy {path.stem}{suffix} beside it")


def _read(
    path: Path, kind: str, name: str, layer: str | None
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    # The driver stands before the path where it may: names decide nothing.
    prefix = {GEOPACKAGE: "GPKG:", GEOJSON: "GeoJSON:"}.get(kind, "")
    source = f"{prefix}{path}"
    options = {"IMMUTABLE": "YES"} if kind == GEOPACKAGE else {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            info = pyogrio.read_info(source, layer=layer, **options)
            if info["driver"] != _DRIVER[kind]:
                msg = f"{name}: pretends to be a {kind} and is {info['driver']}."
                raise InputError(msg, "do not use this file")
            try:
                frame = pyogrio.read_dataframe(source, layer=layer, **options)
                notes = []
            except (pyogrio.errors.GeometryError, shapely.errors.ShapelyError):
                # A ring left open is common and harmless; other damage raises again.
                frame = pyogrio.read_dataframe(
                    source, layer=layer, on_invalid="fix", **options
                )
                notes = [_closed_note(name)]
    except CRSError:
        raise
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise _damaged(name, kind) from error
    except (pyogrio.errors.FeatureError, pyogrio.errors.FieldError) as error:
        raise _damaged(name, kind) from error
    except (pyogrio.errors.GeometryError, shapely.errors.ShapelyError) as error:
        raise _damaged(name, kind) from error
    except pyogrio.errors.CRSError as error:
        msg = f"{name}: its coordinate system is not known."
        raise CRSError(msg, "export it in longitude and latitude") from error
    if not isinstance(frame, gpd.GeoDataFrame):
        msg = f"{name}: holds a table without shapes."
        raise InputError(msg, "name the layer with the shapes")
    return frame, notes


def _closed_note(name: str) -> Note:
    sentence = (
        f"{name}: an outline does not end where it began; the last corner was joined "
        "to the first. Look at it on the map."
    )
    return Note("vector.open_ring", "check", sentence, 1, name)


def _tidy(frame: gpd.GeoDataFrame, name: str) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Drop heights and empty shapes; refuse places that are no numbers."""
    empty = frame.geometry.isna() | frame.geometry.is_empty
    notes = []
    if empty.all():
        msg = f"{name}: holds no shapes."
        raise InputError(msg, "look whether the right layer was exported")
    if empty.any():
        count = int(empty.sum())
        sentence = f"{name}: {count:,} rows without a shape were dropped."
        notes.append(Note("vector.empty", "info", sentence, count, name))
        frame = frame[~empty]
    flat = shapely.force_2d(frame.geometry.to_numpy())
    if not np.isfinite(shapely.get_coordinates(flat)).all():
        msg = f"{name}: a shape has a corner that is no number."
        raise InputError(msg, "export it again")
    frame = frame.set_geometry(gpd.GeoSeries(flat, index=frame.index, crs=frame.crs))
    return frame.reset_index(drop=True), notes


def _in_degrees(
    frame: gpd.GeoDataFrame, name: str
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    west, south, east, north = frame.total_bounds
    degrees = max(abs(west), abs(east)) <= 180 and max(abs(south), abs(north)) <= 90
    if frame.crs is None:
        if not degrees:
            msg = f"{name}: has no coordinate system, and its places are no degrees."
            raise CRSError(msg, "export it with its coordinate system (the .prj file)")
        sentence = f"{name}: has no coordinate system; it was taken as WGS 84 degrees."
        note = Note("crs.assumed", "check", sentence, where=name)
        return frame.set_crs(WGS84), [note]
    crs = crs_of(frame.crs, name=name)
    if crs.is_geographic and not degrees:
        reach = f"{max(abs(east), abs(west)):,.0f}, {max(abs(north), abs(south)):,.0f}"
        msg = f"{name}: says degrees, but its places reach {reach}."
        raise CRSError(msg, "export it with its own coordinate system")
    notes = check_crs(crs, name=name, bounds=(west, south, east, north))
    if crs.equals(WGS84):
        return frame, notes
    if notes and notes[0].code == "crs.frame":
        # Nearly equal frames are taken as one: no shift is ever made in silence.
        base = crs.geodetic_crs
        frame = frame if crs.is_geographic else frame.to_crs(base)
        frame = frame.set_crs(WGS84, allow_override=True)
    else:
        frame = frame.to_crs(WGS84)
    if not np.isfinite(shapely.get_coordinates(frame.geometry.to_numpy())).all():
        msg = f"{name}: some places lie outside the reach of {crs.name}."
        raise CRSError(msg, "look whether the coordinate system is the right one")
    return frame, notes


def _damaged(name: str, kind: str) -> InputError:
    msg = f"{name}: is a damaged or incomplete {kind}."
    return InputError(msg, "copy it again, or export it again")
