"""field.gpkg: boundary, zones, passes and stops, opening with our inks."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from trafficmap import __version__
from trafficmap.formats import _gdal
from trafficmap.formats._files import write_with
from trafficmap.outputs import styles, tables, traffic_tables

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from trafficmap.pipeline import Result

_STYLE_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256),
  f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME)
"""
_LABEL = (
    "CASE WHEN \"drawn_as\" = 'rip' THEN to_string(\"depth_in\") || ' in, ' || "
    "to_string(round(\"depth_mm\" / 10)) || ' cm' "
    'ELSE "advice" END'
)


def write_geopackage(
    result: Result, path: Path, *, mark: str, date: pd.Timestamp, events: bool = False
) -> Path:
    """Write the GeoPackage of a run; the same result gives the same bytes.

    Parameters
    ----------
    result : Result
    path : Path
    mark : str
        Name of the run, kept in the description of every layer.
    date : Timestamp
        Stands in the file wherever a date is asked for.
    events : bool
        Add every wheel event as a point; large.
    """
    layers = {"boundary": (tables.boundary_table(result), "MultiPolygon")}
    if len(result.zones):
        layers["zones"] = (tables.zone_table(result.zones), "MultiPolygon")
    if len(result.passes):
        layers["passes"] = (tables.pass_table(result), "MultiLineString")
    if len(result.stops):
        layers["stops"] = (tables.stop_table(result.stops), "Point")
    if result.driven is not None and len(result.driven.spots):
        layers["loading_spots"] = (traffic_tables.spot_table(result), "Point")
    roads = traffic_tables.road_table(result)
    if len(roads):
        layers["roads"] = (roads, "MultiLineString")
    if events:
        layers["events"] = (tables.event_table(result), "Point")
    return write_layers(layers, path, mark=mark, date=date)


def write_layers(
    layers: dict[str, tuple[gpd.GeoDataFrame, str]],
    path: Path,
    *,
    mark: str,
    date: pd.Timestamp,
) -> Path:
    """Write tables as layers of one GeoPackage, with styles for those we know."""
    moment = f"{date:%Y-%m-%dT%H:%M:%S}.000Z"
    _gdal.set_file_date(moment)

    def write(part: Path) -> None:
        import pyogrio

        part.unlink(missing_ok=True)
        for number, (name, (table, geometry_type)) in enumerate(layers.items()):
            pyogrio.write_dataframe(
                table,
                part,
                layer=name,
                driver="GPKG",
                geometry_type=geometry_type,
                append=number > 0,
            )
        _add_styles(part, [name for name in layers if name in _STYLES], moment, mark)

    return write_with(Path(path), write)


def _add_styles(part: Path, names: list[str], moment: str, mark: str) -> None:
    with closing(sqlite3.connect(part)) as base, base:
        # Not as GeoPackage metadata: readers then leave a .aux.xml beside the file.
        base.execute(
            "UPDATE gpkg_contents SET description = ?",
            (f"trafficmap {__version__}, run {mark}",),
        )
        base.execute(_STYLE_TABLE)
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, "
            "description, last_change) VALUES (?, 'attributes', ?, ?, ?)",
            ("layer_styles", "layer_styles", "styles of the layers", moment),
        )
        for name in names:
            pens, column, geometry, label = _STYLES[name]
            base.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, "
                "f_table_name, f_geometry_column, styleName, styleQML, styleSLD, "
                "useAsDefault, description, owner, update_time) "
                "VALUES ('', '', ?, 'geom', ?, ?, ?, 1, ?, 'trafficmap', ?)",
                (
                    name,
                    name,
                    styles.qml(pens, column=column, geometry=geometry, label=label),
                    styles.sld(pens, column=column, geometry=geometry, name=name),
                    "the inks of the map page",
                    moment,
                ),
            )


_STYLES = {
    "boundary": (styles.BOUNDARY_PENS, "", "fill", ""),
    "zones": (styles.ZONE_PENS, "drawn_as", "fill", _LABEL),
    "passes": (styles.PASS_PENS, "state", "line", ""),
    "stops": (styles.STOP_PENS, "drawn_as", "marker", '"point"'),
    "loading_spots": (styles.SPOT_PENS, "", "marker", ""),
    "roads": (styles.ROAD_PENS, "", "line", ""),
    "lanes": (styles.LANE_PENS, "", "line", ""),
    "loading_places": (styles.PLACE_PENS, "", "marker", '"place"'),
}
