"""Things in the field: what to keep out of, and what people dug up."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import DUG, require_table
from trafficmap.field.boundary import Outline
from trafficmap.field.columns import Columns, table_columns
from trafficmap.field.cone import check_unit, cone_index, worn_notes
from trafficmap.field.inputs import Inputs
from trafficmap.field.place import Place, distance_words
from trafficmap.field.toml import DugKeys, KeepOutKeys
from trafficmap.formats.clocks import parse_days
from trafficmap.formats.vector import read_features

_BUFFERS = {"buried line": 5.0, "tile": 3.0, "waterway": 10.0}
"""Kept free on both sides where nothing is said [m]; choice. Tile: about 10 ft."""

_FAR = 1_000.0
"""Shapes further from the field than this are likely another field's [m]; choice."""

_KINDS = ("probe", "spade", "hand_roll", "rut", "trial", "moisture", "feel")
_WHEELED = {
    "1": 1.0,
    "yes": 1.0,
    "true": 1.0,
    "wheeled": 1.0,
    "0": 0.0,
    "no": 0.0,
    "false": 0.0,
    "unwheeled": 0.0,
}


def read_obstacles(
    entries: tuple[KeepOutKeys, ...],
    *,
    place: Place,
    outline: Outline | None,
    inputs: Inputs,
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return what to keep out of, in metres, as given and not yet widened.

    Returns
    -------
    obstacles : GeoDataFrame
        kind, buffer [m], located, cover [m], name, geometry.
    notes : list of Note
    """
    rows: list[dict] = []
    notes: list[Note] = []
    for number, keys in enumerate(entries, start=1):
        path = inputs.find(keys.file, f"keep_out[{number}].file")
        inputs.add(path)
        located = keys.located
        if located is None and keys.kind in ("buried line", "tile"):
            sentence = (
                f"{path.name}: nothing says whether this {keys.kind} was located on "
                "the ground; taken as not located. Say located = true once it is."
            )
            notes.append(Note("keep_out.located", "check", sentence, 1, path.name))
        buffer = keys.buffer_m
        if buffer is None:
            buffer = _BUFFERS.get(keys.kind, 0.0)
            if buffer:
                sentence = (
                    f"{path.name}: {buffer:g} m kept free on both sides of the "
                    f"{keys.kind}, assumed; say buffer_m."
                )
                notes.append(Note("keep_out.buffer", "check", sentence, 1, path.name))
        shapes = read_features(path, layer=keys.layer)
        notes += shapes.attrs.get("notes", ())
        metric = [place.geometry_to_metric(s, path.name) for s in shapes.geometry]
        for shape in metric:
            if shape.is_empty:
                continue
            rows.append(
                {
                    "kind": keys.kind,
                    "buffer": float(buffer),
                    "located": bool(located)
                    if keys.kind in ("buried line", "tile")
                    else located is not False,
                    "cover": np.nan if keys.cover_m is None else keys.cover_m,
                    "name": keys.name or keys.kind,
                    "geometry": shapely.make_valid(shape, method="structure")
                    if "Polygon" in shape.geom_type
                    else shape,
                }
            )
        notes += _far_note(metric, outline, path.name)
    columns = ["kind", "buffer", "located", "cover", "name", "geometry"]
    table = gpd.GeoDataFrame(
        pd.DataFrame(rows, columns=columns), geometry="geometry", crs=place.epsg
    )
    table = table.astype({"buffer": float, "cover": float, "located": bool})
    return table, notes


def read_dug(
    keys: DugKeys | None, *, place: Place, inputs: Inputs
) -> tuple[pd.DataFrame, list[Note]]:
    """Return readings taken by people, contract `DUG`."""
    if keys is None:
        return DUG.empty(), []
    tables, notes = [], []
    for name in (keys.file,) if isinstance(keys.file, str) else keys.file:
        path = inputs.find(name, "dug.file")
        inputs.add(path)
        table, more = settle_dug(table_columns(path), place=place, keys=keys)
        tables.append(table)
        notes += more
    return join_dug(*tables), notes


def join_dug(*tables: pd.DataFrame) -> pd.DataFrame:
    """Return readings of several records as one table.

    A row that stands in an earlier record already is the same reading copied on, and
    counts once; equal rows within one record are two readings that agree.
    """
    whole = DUG.empty()
    for table in tables:
        if not len(whole):
            whole = table
        elif len(table):
            known = set(
                whole[DUG.names()].astype(str).itertuples(index=False, name=None)
            )
            rows = table[DUG.names()].astype(str).itertuples(index=False, name=None)
            new = np.array([row not in known for row in rows], dtype=np.bool_)
            whole = pd.concat([whole, table[new]], ignore_index=True)
    return require_table(whole, DUG)


def _as_texts(table: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return rows as texts, so that two empty cells are the same."""
    texts = table[DUG.names()].astype(str)
    return list(texts.itertuples(index=False, name=None))


def settle_dug(
    columns: Columns, *, place: Place, keys: DugKeys
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the readings of a table in metres and pascals.

    Raises
    ------
    InputError
        A column is missing, a kind is unknown, or a place is no number.
    """
    easting, northing = _where(columns, place, keys)
    kind = columns.text("kind").str.casefold().str.replace(r"[\s-]+", "_", regex=True)
    unknown = sorted(set(kind) - set(_KINDS))
    if unknown:
        msg = f"{columns.name}: kind {unknown[0]!r}, need one of {', '.join(_KINDS)}."
        raise InputError(msg, "correct the column kind")
    table = pd.DataFrame(
        {
            "point": columns.text("point", ("name", "spot")),
            "easting": easting,
            "northing": northing,
            "date": _date(columns, keys.date_format),
            "kind": kind,
            "wheeled": _wheeled(columns),
            "depth": _optional(columns, "depth"),
            "value": _value(columns, kind.to_numpy(), keys.cone),
            "finding": columns.text("finding") if columns.find("finding") else "",
        }
    )
    table["finding"] = table["finding"].astype(object)
    notes = [*columns.notes, *worn_notes(columns, told=keys.cone)]
    negative = int((table["depth"] < 0).sum())
    if negative:
        msg = f"{columns.name}: {negative} depths are below zero, need 0 or more, down."
        raise InputError(msg, "drop the minus signs")
    if not keys.unit_checked:
        cone = table["kind"] == "probe"
        check_unit(
            table.loc[cone, "value"].to_numpy(float),
            table.loc[cone, "wheeled"].to_numpy(float),
            name=columns.name,
        )
    bare = _bare(table)
    if bare.any():
        # Rows of a record sheet nobody filled in: a hole that was not dug shows no
        # plates, and it must not count as one that showed none.
        sentence = f"{columns.name}: {int(bare.sum())} rows hold no reading; left out."
        notes.append(Note("dug.empty", "info", sentence, int(bare.sum())))
        table = table[~bare].reset_index(drop=True)
    wet = (table["kind"] == "moisture") & ~table["value"].between(0.0, 0.9)
    wet &= table["value"].notna()
    if wet.any():
        worst = 100.0 * float(table.loc[wet, "value"].iloc[0])
        msg = (
            f"{columns.name}: soil moisture is {worst:g} %, need 0 to 90 % of the "
            "volume of the soil."
        )
        raise InputError(msg, "give percent of volume in a column moisture_pct")
    return require_table(table, DUG), notes


def _where(columns: Columns, place: Place, keys: DugKeys) -> tuple:
    """Return metric places of the rows."""
    if columns.find("longitude", ("lon", "long", "lng")):
        longitude = columns.number("longitude", ("lon", "long", "lng"), unit="deg")
        latitude = columns.number("latitude", ("lat",), unit="deg")
    else:
        if keys.epsg is None:
            msg = f"{columns.name}: has no longitude and latitude."
            raise InputError(
                msg, "add them, or easting and northing with epsg = ... in [dug]"
            )
        longitude, latitude = _degrees(
            columns.number("easting", ("x",), unit="m"),
            columns.number("northing", ("y",), unit="m"),
            keys.epsg,
        )
    easting, northing = place.to_metric(longitude, latitude)
    bad = ~(np.isfinite(easting) & np.isfinite(northing))
    if bad.any():
        msg = f"{columns.name}: row {int(np.flatnonzero(bad)[0]) + 1} has no place."
        raise InputError(msg, "fill longitude and latitude, or leave the row out")
    return easting, northing


def _degrees(easting: np.ndarray, northing: np.ndarray, epsg: int) -> tuple:
    import pyproj

    try:
        transformer = pyproj.Transformer.from_crs(epsg, 4326, always_xy=True)
    except pyproj.exceptions.CRSError:
        msg = f"field.toml: dug.epsg is {epsg}, which is no known system."
        raise InputError(
            msg, "look the number up in the export of the readings"
        ) from None
    return transformer.transform(easting, northing)


def _date(columns: Columns, date_format: str | None) -> pd.Series:
    if not columns.find("date"):
        return pd.Series(pd.NaT, index=columns.frame.index, dtype="datetime64[s]")
    values = columns.frame[columns.require("date")[0]]
    if not columns.text("date").str.strip().astype(bool).any():
        return pd.Series(pd.NaT, index=columns.frame.index, dtype="datetime64[s]")
    return parse_days(values, name=columns.name, date_format=date_format)


def _wheeled(columns: Columns) -> np.ndarray:
    if not columns.find("wheeled"):
        return np.full(len(columns.frame), np.nan)
    words = columns.text("wheeled").str.casefold()
    return words.map(_WHEELED).astype(float).to_numpy()


def _optional(columns: Columns, ours: str) -> np.ndarray:
    if not columns.find(ours):
        return np.full(len(columns.frame), np.nan)
    return columns.number(ours)


def _bare(table: pd.DataFrame) -> pd.Series:
    """Return True for rows in which nothing was written down."""
    words = table["finding"].fillna("").astype(str).str.strip()
    worded = table["kind"].isin(("spade", "hand_roll", "trial"))
    read = table["kind"].isin(("probe", "rut"))
    return (worded & (words == "")) | (read & table["value"].isna())


def _value(columns: Columns, kind: np.ndarray, cone: float | None) -> np.ndarray:
    """Return cone readings [Pa], depth of ruts [m], moisture and feel [fraction]."""
    read = cone_index(columns, told=cone)
    value = np.full(len(columns.frame), np.nan) if read is None else read
    value = np.where(kind == "rut", _optional(columns, "depth"), value)
    for own, name in (("moisture", "moisture"), ("feel", "available")):
        if (kind == own).any():
            read = np.full(kind.size, np.nan)
            if columns.find(name):
                read = columns.number(name, unit="%")
            value = np.where(kind == own, read, value)
    return value


def _far_note(shapes: list, outline: Outline | None, name: str) -> list[Note]:
    if outline is None or not shapes:
        return []
    distance = min(shapely.distance(outline.geometry, shape) for shape in shapes)
    if distance <= _FAR:
        return []
    sentence = (
        f"{name}: lies {distance_words(float(distance))} from the field; look whether "
        "it is of this place."
    )
    return [Note("keep_out.far", "check", sentence, 1, name)]
