"""Soil units over the field: from a texture class, or from a survey's polygons."""

from __future__ import annotations

import difflib

import geopandas as gpd
import pandas as pd
import shapely

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import HORIZONS, require_table
from trafficmap.core.texture import TEXTURE_CENTROIDS, texture_class
from trafficmap.field.boundary import Outline, polygons_only
from trafficmap.field.columns import Columns, key_text, table_columns
from trafficmap.field.horizons import (
    ORGANIC_MATTER,
    Survey,
    class_profile,
    settle_horizons,
)
from trafficmap.field.inputs import Inputs
from trafficmap.field.model import SoilMap
from trafficmap.field.strict import FILE
from trafficmap.field.toml import SoilKeys
from trafficmap.formats.vector import read_polygons

_KEY_NAMES = ("soil_unit", "mukey", "zone", "soil", "unit", "musym")
_WHOLE = "field"
_COVERED = 0.99
"""Less of the field than this with a soil unit is worth a Note; choice."""


def read_soil(
    keys: SoilKeys | None, *, outline: Outline | None, inputs: Inputs
) -> tuple[SoilMap | None, list[Note]]:
    """Return the soil map of the field, cut to its boundary, or None.

    Parameters
    ----------
    keys : SoilKeys or None
        Table [soil].
    outline : Outline or None
    inputs : Inputs

    Raises
    ------
    InputError
        A file of the survey cannot be joined, or the map lies elsewhere.
    """
    if keys is None or not says_soil(keys) or outline is None:
        return None, []
    if keys.map is None:
        return _one_unit(keys, outline, inputs)
    return _mapped(keys, outline, inputs)


def says_soil(keys: SoilKeys) -> bool:
    """Return whether [soil] says enough to know any soil at all."""
    return any(
        value is not None
        for value in (keys.map, keys.texture, keys.sand_pct, keys.horizons)
    )


def _one_unit(
    keys: SoilKeys, outline: Outline, inputs: Inputs
) -> tuple[SoilMap, list[Note]]:
    """Return one soil over the whole field."""
    if keys.horizons is None:
        sand, clay = _texture_of(keys)
        organic = _fraction(keys.organic_matter_pct)
        horizons = class_profile(sand, clay, organic_matter=organic, unit=_WHOLE)
        notes = [_assumed_note(keys, sand, clay)]
        return _soil_map(keys, _cover(outline), horizons, {}, assumed=True), notes
    survey, notes = _survey(keys, inputs)
    units = survey.horizons["soil_unit"].unique()
    if len(units) != 1:
        msg = (
            f"{keys.horizons}: holds {len(units)} soil units, {', '.join(units[:6])}, "
            "but there is no map that says where they are."
        )
        raise InputError(msg, "add map = ... to [soil], or keep one unit")
    cover = _cover(outline)
    cover["soil_unit"] = units[0]
    return _soil_map(keys, cover, survey.horizons, survey.names, assumed=False), notes


def _mapped(
    keys: SoilKeys, outline: Outline, inputs: Inputs
) -> tuple[SoilMap, list[Note]]:
    """Return the units of a map, with a survey's horizons or classes of texture."""
    assert keys.map is not None
    path = inputs.find(keys.map, "soil.map")
    inputs.add(path)
    shapes = read_polygons(path, layer=keys.map_layer)
    column = _unit_column(shapes, keys, path.name)
    shapes["soil_unit"] = shapes[column].map(key_text)
    pieces, more = _cut(shapes, outline, path.name)
    notes = [*shapes.attrs.get("notes", ()), *more]
    there = pieces["soil_unit"].unique()
    if keys.horizons is not None:
        survey, more = _survey(keys, inputs)
        horizons = survey.horizons[survey.horizons["soil_unit"].isin(there)]
        names, assumed = survey.names, False
        if horizons.empty:
            msg = (
                f"{keys.horizons}: knows none of the soil units of {path.name}, "
                f"{', '.join(there[:6])}."
            )
            raise InputError(
                msg, "look at map_key, which names the attribute both share"
            )
        if keys.hydrologic_group is None:
            keys = _with_group(keys, pieces, survey)
    else:
        horizons, more = _classes(pieces, keys, path.name)
        names, assumed = {}, True
    notes += more
    unknown = sorted(set(there) - set(horizons["soil_unit"]))
    if unknown:
        area = pieces.loc[pieces["soil_unit"].isin(unknown)].area.sum()
        share = 100 * area / outline.geometry.area
        sentence = (
            f"{path.name}: no horizons for soil unit {', '.join(unknown)}; "
            f"{share:.0f} % of the field is not assessed."
        )
        notes.append(Note("soil.unit_empty", "check", sentence, len(unknown)))
    return _soil_map(keys, pieces, horizons, names, assumed=assumed), notes


def _survey(keys: SoilKeys, inputs: Inputs) -> tuple[Survey, list[Note]]:
    """Return the horizons in the tables that [soil] names."""
    tables: dict[str, Columns] = {}
    for key in ("horizons", "components", "mapunits"):
        text = getattr(keys, key)
        if text is not None:
            path = inputs.find(text, f"soil.{key}")
            inputs.add(path)
            tables[key] = table_columns(path)
    return settle_horizons(
        tables["horizons"],
        components=tables.get("components"),
        mapunits=tables.get("mapunits"),
        organic_matter=_fraction(keys.organic_matter_pct),
    )


def _unit_column(shapes: gpd.GeoDataFrame, keys: SoilKeys, name: str) -> str:
    """Return the attribute that names the soil unit."""
    columns = {str(c).casefold(): str(c) for c in shapes.columns if c != "geometry"}
    for wanted in [keys.map_key] if keys.map_key else _KEY_NAMES:
        if wanted and wanted.casefold() in columns:
            return columns[wanted.casefold()]
    wanted = keys.map_key or "soil_unit"
    near = difflib.get_close_matches(wanted, list(columns.values()), n=1)
    msg = (
        f"{name}: no attribute {wanted!r} names the soil unit; found "
        f"{', '.join(columns.values()) or 'none'}."
    )
    raise InputError(msg, f'add map_key = "{near[0] if near else "..."}" to [soil]')


def _cut(
    shapes: gpd.GeoDataFrame, outline: Outline, name: str
) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the map in metres, cut to the boundary, and what was found."""
    metric = [
        outline.place.geometry_to_metric(shape, name) for shape in shapes.geometry
    ]
    good = shapely.make_valid(metric, method="structure")
    inside = [
        polygons_only(part) for part in shapely.intersection(good, outline.geometry)
    ]
    pieces = gpd.GeoDataFrame(
        shapes.drop(columns="geometry"), geometry=inside, crs=outline.place.epsg
    )
    pieces = pieces[~pieces.geometry.is_empty].reset_index(drop=True)
    if pieces.empty:
        msg = f"{name}: no soil unit lies on the field."
        raise InputError(msg, "look whether the map is of this place")
    covered = shapely.union_all(pieces.geometry.to_numpy()).area
    notes = []
    share = covered / outline.geometry.area
    if share < _COVERED:
        sentence = (
            f"{name}: {100 * (1 - share):.0f} % of the field has no soil unit and is "
            "not assessed."
        )
        notes.append(Note("soil.uncovered", "check", sentence, 1, name))
    double = pieces.area.sum() - covered
    if double > 0.001 * covered:
        sentence = f"{name}: soil units overlap on {double:.0f} m2; the first counts."
        notes.append(Note("soil.overlap", "check", sentence, 1, name))
    return pieces, notes


def _classes(
    pieces: gpd.GeoDataFrame, keys: SoilKeys, name: str
) -> tuple[pd.DataFrame, list[Note]]:
    """Return profiles of the texture class each unit of the map names."""
    columns = {str(c).casefold(): str(c) for c in pieces.columns}
    column = columns.get("texture") or columns.get("texture_class")
    if column is None:
        if keys.texture is None and keys.sand_pct is None:
            msg = f"{name}: says no texture, and [soil] names no horizons."
            raise InputError(msg, "add horizons = ... or texture = ... to [soil]")
        sand, clay = _texture_of(keys)
        words = dict.fromkeys(pieces["soil_unit"], (sand, clay))
    else:
        words = {}
        for unit, word in zip(pieces["soil_unit"], pieces[column], strict=True):
            known = TEXTURE_CENTROIDS.get(str(word).strip().casefold())
            if known is None:
                near = difflib.get_close_matches(str(word), TEXTURE_CENTROIDS, n=1)
                msg = f"{name}: soil unit {unit} has the texture {word!r}."
                raise InputError(
                    msg,
                    f'write "{near[0]}"'
                    if near
                    else f"use one of {', '.join(TEXTURE_CENTROIDS)}",
                )
            words[unit] = known
    organic = _fraction(keys.organic_matter_pct)
    profiles = [
        class_profile(*words[unit], organic_matter=organic, unit=unit)
        for unit in sorted(words)
    ]
    sentence = (
        f"{name}: only texture classes are known; the middle of each class and organic "
        f"matter {_organic_words(organic)} assumed. Horizons of a survey, or a "
        "sample, would narrow soil water and risk."
    )
    return pd.concat(profiles, ignore_index=True), [
        Note("soil.assumed", "check", sentence, len(profiles), name)
    ]


def _soil_map(
    keys: SoilKeys,
    units: gpd.GeoDataFrame,
    horizons: pd.DataFrame,
    names: dict[str, str],
    *,
    assumed: bool,
) -> SoilMap:
    """Return the map on its contract."""
    top = horizons[horizons["top"] <= 0].sort_values("share", ascending=False)
    top = top.drop_duplicates("soil_unit")
    rows = zip(top["soil_unit"], top["sand"], top["clay"], strict=True)
    words = {key: texture_class(float(sand), float(clay)) for key, sand, clay in rows}
    unit = units["soil_unit"]
    table = gpd.GeoDataFrame(
        {
            "soil_unit": unit,
            "name": [names.get(key, key) for key in unit],
            "texture": [words.get(key, "") for key in unit],
            "drained": pd.Series([keys.drained] * len(units), dtype=object),
        },
        geometry=units.geometry.to_numpy(),
        crs=units.crs,
    )
    horizons = horizons.sort_values(["soil_unit", "component", "top"])
    return SoilMap(
        units=table,
        horizons=require_table(horizons.reset_index(drop=True), HORIZONS),
        assumed=assumed,
        swelling=keys.swelling,
        plastic_limit=_fraction(keys.plastic_limit_pct),
        hydrologic_group=keys.hydrologic_group or "",
    )


def _with_group(keys: SoilKeys, pieces: gpd.GeoDataFrame, survey: Survey) -> SoilKeys:
    """Return the keys with the hydrologic group of the largest unit of the field."""
    import msgspec

    largest = pieces.area.groupby(pieces["soil_unit"]).sum().idxmax()
    group = survey.groups.get(str(largest))
    return msgspec.structs.replace(keys, hydrologic_group=group) if group else keys


def _cover(outline: Outline) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"soil_unit": [_WHOLE]}, geometry=[outline.geometry], crs=outline.place.epsg
    )


def _texture_of(keys: SoilKeys) -> tuple[float, float]:
    if keys.sand_pct is not None and keys.clay_pct is not None:
        if keys.sand_pct + keys.clay_pct > 100:
            msg = (
                f"{FILE}: soil.sand_pct {keys.sand_pct:g} and soil.clay_pct "
                f"{keys.clay_pct:g} sum to more than 100."
            )
            raise InputError(msg, "correct them; the rest is silt")
        return keys.sand_pct / 100, keys.clay_pct / 100
    assert keys.texture is not None
    return TEXTURE_CENTROIDS[keys.texture]


def _assumed_note(keys: SoilKeys, sand: float, clay: float) -> Note:
    what = (
        f"sand {100 * sand:g} % and clay {100 * clay:g} % as given"
        if keys.sand_pct is not None
        else f"{keys.texture}, taken as {100 * sand:g} % sand and {100 * clay:g} % clay"
    )
    sentence = (
        f"One soil over the whole field, {what}, organic matter "
        f"{_organic_words(_fraction(keys.organic_matter_pct))}. A soil map with "
        "horizons would narrow soil water and risk."
    )
    return Note("soil.assumed", "check", sentence)


def _organic_words(organic: float | None) -> str:
    top = ORGANIC_MATTER[0] if organic is None else organic
    below = top * ORGANIC_MATTER[1] / ORGANIC_MATTER[0]
    how = "assumed " if organic is None else ""
    return f"{how}{100 * top:g} % above 0.30 m and {100 * below:.2g} % below"


def _fraction(percent: float | None) -> float | None:
    return None if percent is None else percent / 100.0
