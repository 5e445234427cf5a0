"""The field "ditch_sixty": one wet season on lake-plain clay, every answer in one run.

`places` says what lies where and which answer each piece of ground should get,
`season` who drove on it, `logs` what the receivers made of it, `truth` what is true.
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import shapely

from . import isolog, logs
from . import places as at
from .dug import dug_csv
from .record import Season
from .rigs import RIGS
from .season import season
from .silage_slurry import HOSE_WIDTH, TANKER_WIDTH
from .toml import dumps
from .truth import as_dict, paint, rolled
from .weather import weather_csv

SEED = 59
"""Of all position errors and faults of the logs."""

HORIZONS = """\
soil_unit,top_cm,bottom_cm,sand_pct,silt_pct,clay_pct,om_pct,bulk_density_g_cm3
clay,0,23,8,47,45,3.2,1.32
clay,23,50,6,44,50,1.4,1.38
clay,50,100,7,45,48,0.7,1.42
ridge,0,25,80,13,7,1.8,1.45
ridge,25,60,82,11,7,0.8,1.50
ridge,60,100,60,22,18,0.5,1.55
"""

_WRITERS = {
    "combine": logs.combine_csv,
    "truck": logs.phone_csv,
    "forage": logs.forage_csv,
    "trailer": logs.trailer_csv,
    "tanker": logs.tanker_csv,
    "hauler": logs.undated_csv,
}

_MACHINES = {
    "combine": {"file": "machines/combine.toml"},
    "cart": {
        "file": "machines/cart-tractor.toml",
        "label": "tractor and grain cart",
        "trails": [{"file": "machines/cart.toml"}],
    },
    "truck": {
        "file": "machines/semi.toml",
        "label": "truck with hopper trailer",
        "trails": [{"file": "machines/hopper-trailer.toml"}],
    },
    "forage": {"file": "machines/forage.toml"},
    "trailer": {
        "file": "machines/trailer-tractor.toml",
        "label": "tractor and forage trailer",
        "trails": [{"file": "machines/trailer.toml"}],
    },
    "hose": {"file": "machines/hose-tractor.toml"},
    "tanker": {
        "file": "machines/tanker-tractor.toml",
        "label": "tractor and slurry tanker",
        "trails": [{"file": "machines/tanker.toml"}],
    },
    "hauler": {"class": "truck", "label": "truck on the fence strip"},
}


def write(folder: Path) -> None:
    """Write the whole input folder, GeoPackages and all."""
    from trafficmap.formats._files import write_bytes

    happened = season()
    found = rolled(happened)
    painted = paint(found)
    received, faults = _receive(happened)
    listed = []
    for name, (machine, fixes) in received.items():
        listed.append(_log_entry(name, machine))
        if machine == "cart":
            _write_points(folder / "logs" / name, logs.cart_columns(fixes))
        elif machine == "hose":
            for file, content in isolog.task_data(fixes, width=HOSE_WIDTH).items():
                write_bytes(folder / "logs" / name / file, content)
        else:
            write_bytes(folder / "logs" / name, _WRITERS[machine](fixes))
    for rig in RIGS.values():
        for body in rig.bodies:
            path = folder / "machines" / f"{body['id']}.toml"
            write_bytes(path, dumps(body).encode())
    texts = {
        "field.toml": dumps(_field_toml(listed)),
        "boundary.geojson": _geojson(at.boundary(), name="Ditch sixty (invented)"),
        "soil.geojson": _geojson_of_units(),
        "horizons.csv": HORIZONS,
        "buried_line.geojson": _geojson(at.LINE, name="buried line"),
        "waterway.geojson": _geojson(at.WATERWAY, name="grassed waterway"),
        "truth.json": json.dumps(
            {**as_dict(happened, found, painted), "log_faults": faults}, indent=None
        )
        + "\n",
    }
    for name, text in texts.items():
        write_bytes(folder / name, text.encode())
    write_bytes(folder / "weather.csv", weather_csv())
    write_bytes(folder / "dug.csv", dug_csv(painted))


def _receive(happened: Season):
    """Return the log files in order: name -> (machine, fixes), and their faults."""
    rng = np.random.default_rng(SEED)
    received, faults = {}, {}
    for track in happened.tracks:
        fixes = logs.receive(track, rng)
        day = dt.datetime.fromtimestamp(track.motion.time[0], logs.ZONE)
        suffix = {"cart": ".gpkg", "hose": ""}.get(track.machine, ".csv")
        name = {
            "hauler": "fence_strip.csv",
            "hose": "TASKDATA",
        }.get(track.machine, f"{track.machine}_{day:%m%d}{suffix}")
        received[name] = (track.machine, fixes)
        faults[name] = fixes.faults
    return received, faults


def _log_entry(name: str, machine: str) -> dict:
    entry: dict = {"file": f"logs/{name}", "machine": machine}
    if machine in logs.CLOCK_OFFSET:
        entry["clock_offset_s"] = logs.CLOCK_OFFSET[machine]
    if machine == "combine":
        # 10/02 can be read two ways, and nothing in that file says which.
        entry["date_format"] = "mdy"
    if machine == "trailer":
        entry["time_zone"] = logs.ZONE.key
    return entry


def _write_points(path: Path, columns) -> None:
    """Write a track as points of a GeoPackage, the same bytes every time."""
    # GDAL reads its settings when it is first imported.
    from trafficmap.formats import _gdal  # isort: skip
    import geopandas as gpd

    from trafficmap.formats._files import write_with

    _gdal.set_file_date(f"{columns['timestamp'].iloc[-1][:-1]}.000Z")
    points = gpd.GeoDataFrame(
        columns.drop(columns=["longitude", "latitude"]),
        geometry=gpd.points_from_xy(columns["longitude"], columns["latitude"]),
        crs=4326,
    )
    write_with(
        path,
        lambda part: points.to_file(
            part, driver="GPKG", layer="track", engine="pyogrio", SPATIAL_INDEX="NO"
        ),
    )


def _geojson(shape, **properties) -> str:
    feature = _feature(shape, properties)
    return json.dumps({"type": "FeatureCollection", "features": [feature]}) + "\n"


def _geojson_of_units() -> str:
    words = {
        "clay": {"name": "lake plain", "texture": "silty clay"},
        "ridge": {"name": "beach ridge", "texture": "loamy sand"},
    }
    features = [
        _feature(shape, {"soil_unit": unit, **words[unit]})
        for unit, shape in at.soil_units().items()
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}) + "\n"


def _feature(shape, properties: dict) -> dict:
    def degrees(plan):
        return np.round(np.column_stack(at.to_degrees(plan[:, 0], plan[:, 1])), 9)

    turned = shapely.transform(shapely.orient_polygons(shape), degrees)
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": shapely.geometry.mapping(turned),
    }


def _field_toml(listed: list[dict]) -> dict:
    return {
        "schema": 1,
        "field": {
            "name": "Ditch sixty",
            "season": 2026,
            "invented": True,
            "time_zone": logs.ZONE.key,
            "units": "us",
            "boundary": "boundary.geojson",
            "rows_heading_deg": 0.0,
            "end_row_width_m": round(at.END_ROWS, 2),
            "slope_pct": 0.3,
            "elevation_m": 212.0,
            "frost_cm": 0.0,
            "erodible": False,
            "utilities": "located",
        },
        "crop": {
            "now": "corn",
            "next": "corn",
            "harvested": dt.date(2026, 10, 16),
            "no_till": False,
            "spring_pass": True,
            "fall_pass": "chisel",
            "last_tillage_depth_cm": 20.0,
            "yield_t_ha": 12.5,
            "price_per_t": 165.0,
        },
        "log": listed,
        "machine": _MACHINES,
        "soil": {
            "map": "soil.geojson",
            "horizons": "horizons.csv",
            "drained": True,
            "swelling": True,
            "plastic_limit_pct": 29.0,
            "hydrologic_group": "D",
        },
        "tile": {"state": "known", "cover_m": 0.9},
        "weather": {"file": "weather.csv"},
        "liquid": [
            {
                "machine": "hose",
                "rate_m3_ha": 90.0,
                "dry_matter_pct": 4.0,
                "injected_depth_m": 0.12,
                "width_m": HOSE_WIDTH,
            },
            {
                "machine": "tanker",
                "rate_m3_ha": 55.0,
                "dry_matter_pct": 4.0,
                "injected_depth_m": 0.12,
                "width_m": TANKER_WIDTH,
            },
        ],
        "keep_out": [
            {
                "kind": "buried line",
                "file": "buried_line.geojson",
                "buffer_m": at.LINE_BUFFER,
                "located": True,
            },
            {"kind": "waterway", "file": "waterway.geojson", "buffer_m": 0.0},
        ],
        "tool": [
            {
                "name": "in-line ripper, 7 shanks",
                "width_m": 5.33,
                "shanks": 7,
                "depth_min_m": 0.2,
                "depth_max_m": 0.46,
                "foot_width_m": 0.07,
                "winged": True,
                "power_kw": 300.0,
                "drive": "4wd",
            }
        ],
        "price": {
            "currency": "USD",
            "ripping_per_ha": 66.7,
            "levelling_per_ha": 39.5,
            "fall_pass_per_ha": 54.4,
            "diesel_per_l": 1.0,
        },
        "dug": {"file": "dug.csv"},
    }
