"""Soil horizons from a survey's tables or from a table of one's own."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import HORIZONS
from trafficmap.field.columns import Columns

PROFILE = 1.0
"""Depth of every profile [m]; horizons are cut, or the last drawn out, to it."""

TOPSOIL = 0.30
"""Where the poorer organic matter of the subsoil begins [m]; choice."""

ORGANIC_MATTER = (0.03, 0.01)
"""Organic matter above and below `TOPSOIL` where nothing says it; choice."""

_SUM_TOLERANCE = 0.02
"""Sand, silt and clay sum to 1 within this [fraction]; choice."""

_UNIT_KEYS = ("soil_unit", "zone", "mukey")


@dataclass(frozen=True)
class Survey:
    """Horizons by soil unit, and what the tables say about each unit."""

    horizons: pd.DataFrame
    names: dict[str, str] = field(default_factory=dict)
    groups: dict[str, str] = field(default_factory=dict)


def settle_horizons(
    horizons: Columns,
    *,
    components: Columns | None = None,
    mapunits: Columns | None = None,
    organic_matter: float | None = None,
) -> tuple[Survey, list[Note]]:
    """Return horizons on the contract, every component down to 1 m.

    Keys are text and never numbers, so that leading zeros stay. Shares of components
    that have horizons are brought to a sum of 1 within each unit. Horizons are sorted,
    overlaps cut at the next top, gaps closed from above.

    Parameters
    ----------
    horizons : Columns
        One row a horizon. Keyed by component (``cokey``) when `components` is given,
        else by soil unit, with an optional ``share``.
    components, mapunits : Columns, optional
        Tables of a survey: share of each component (``comppct_r``) in its map unit,
        and names of map units.
    organic_matter : float, optional
        Of the topsoil, where the table does not say it. [fraction]

    Raises
    ------
    InputError
        A key column is missing, nothing joins, or a texture is impossible.
    """
    notes = [
        note
        for table in (horizons, components, mapunits)
        if table
        for note in table.notes
    ]
    rows = _rows(horizons, components)
    rows = _join(rows, components, horizons.name) if components else rows
    rows, more = _without_holes(rows, horizons.name, organic_matter)
    notes += more
    if rows.empty:
        msg = f"{horizons.name}: no horizon holds sand and clay."
        raise InputError(msg, "give another table, or a texture class in [soil]")
    profiles = []
    patched = 0
    for _, profile in rows.groupby(["soil_unit", "component"], sort=True):
        settled, touched = _settle(profile)
        patched += touched
        profiles.append(settled)
    table = pd.concat(profiles, ignore_index=True)
    whole = table.drop_duplicates(["soil_unit", "component"])
    total = whole.groupby("soil_unit")["share"].sum()
    table["share"] = table["share"] / table["soil_unit"].map(total)
    if patched:
        sentence = (
            f"{horizons.name}: {patched} of {len(profiles)} profiles had gaps, "
            "overlaps or ended above 1 m; the horizon above was drawn on."
        )
        notes.append(Note("soil.patched", "info", sentence, patched, horizons.name))
    columns = [*HORIZONS.names(), "component"]
    return Survey(table[columns], _names(mapunits), _groups(components)), notes


def class_profile(
    sand: float, clay: float, *, organic_matter: float | None, unit: str
) -> pd.DataFrame:
    """Return the two horizons of a soil of which only the texture is known.

    Organic matter below `TOPSOIL` is a third of the topsoil's, as 1 % is of 3 %
    (choice).
    """
    top = ORGANIC_MATTER[0] if organic_matter is None else organic_matter
    below = top * ORGANIC_MATTER[1] / ORGANIC_MATTER[0]
    return pd.DataFrame(
        {
            "soil_unit": unit,
            "share": 1.0,
            "top": [0.0, TOPSOIL],
            "bottom": [TOPSOIL, PROFILE],
            "sand": sand,
            "clay": clay,
            "organic_matter": [top, below],
            "bulk_density": np.nan,
            "component": unit,
        }
    )


def _rows(horizons: Columns, components: Columns | None) -> pd.DataFrame:
    """Return one row a horizon in SI, still with holes."""
    if components is not None:
        key = horizons.text("cokey", ("component", "component_key"))
        rows = pd.DataFrame({"component": key})
    else:
        key = horizons.text("soil_unit", _UNIT_KEYS[1:])
        rows = pd.DataFrame({"soil_unit": key, "component": key, "share": 1.0})
        if horizons.find("component"):
            rows["component"] = horizons.text("component")
        if horizons.find("share"):
            rows["share"] = horizons.number("share", unit="fraction")
    rows["top"] = horizons.number("top", ("hzdept_r", "hzdept"), unit="cm")
    rows["bottom"] = horizons.number("bottom", ("hzdepb_r", "hzdepb"), unit="cm")
    rows["sand"] = horizons.number("sand", ("sandtotal_r", "sandtotal"), unit="%")
    rows["clay"] = horizons.number("clay", ("claytotal_r", "claytotal"), unit="%")
    rows["organic_matter"] = np.nan
    rows["bulk_density"] = np.nan
    if horizons.find("organic_matter", ("om", "om_r")):
        rows["organic_matter"] = horizons.number(
            "organic_matter", ("om", "om_r"), unit="%"
        )
    density = ("bd", "dbthirdbar_r", "dbthirdbar")
    if horizons.find("bulk_density", density):
        rows["bulk_density"] = horizons.number("bulk_density", density, unit="g/cm3")
    _require_texture(rows, horizons)
    return rows


def _require_texture(rows: pd.DataFrame, horizons: Columns) -> None:
    """Refuse sand and clay that cannot be shares of one soil."""
    sand, clay = rows["sand"].to_numpy(), rows["clay"].to_numpy()
    total = sand + clay
    bad = (sand < 0) | (clay < 0) | (total > 1.0 + _SUM_TOLERANCE)
    silt = ("silttotal_r", "silttotal")
    if horizons.find("silt", silt):
        whole = total + horizons.number("silt", silt, unit="%")
        bad |= np.abs(whole - 1.0) > _SUM_TOLERANCE
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        msg = (
            f"{horizons.name}: horizon {row + 1} has {100 * sand[row]:.0f} % sand and "
            f"{100 * clay[row]:.0f} % clay; sand, silt and clay must sum to 100 %."
        )
        raise InputError(msg, "correct that row; shares are percent unless said")


def _join(rows: pd.DataFrame, components: Columns, name: str) -> pd.DataFrame:
    """Return the horizons with unit and share of their component."""
    shares = pd.DataFrame(
        {
            "component": components.text("cokey", ("component", "component_key")),
            "soil_unit": components.text("mukey", ("soil_unit", "zone")),
            "share": components.number("share", ("comppct_r", "comppct"), unit="%"),
        }
    )
    joined = rows.merge(shares, on="component", how="inner", validate="many_to_one")
    if joined.empty:
        msg = f"{name}: no horizon belongs to a component of {components.name}."
        raise InputError(msg, "look whether both tables come from one export")
    return joined[joined["share"] > 0]


def _without_holes(
    rows: pd.DataFrame, name: str, organic_matter: float | None
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the horizons that can be used, organic matter filled with a Note."""
    notes: list[Note] = []
    usable = rows[["top", "bottom", "sand", "clay"]].notna().all(axis=1)
    usable &= (rows["bottom"] > rows["top"]) & (rows["top"] < PROFILE)
    lost = int((rows["top"].fillna(0.0) < PROFILE).sum() - usable.sum())
    if lost:
        sentence = (
            f"{name}: {lost} horizons above 1 m hold no depth, sand or clay; the "
            "horizon above is drawn on over them."
        )
        notes.append(Note("soil.horizon_empty", "check", sentence, lost, name))
    rows = rows[usable].copy()
    empty = rows["organic_matter"].isna()
    if empty.any():
        top = ORGANIC_MATTER[0] if organic_matter is None else organic_matter
        below = top * ORGANIC_MATTER[1] / ORGANIC_MATTER[0]
        filled = np.where(rows["top"] < TOPSOIL, top, below)
        rows["organic_matter"] = rows["organic_matter"].where(~empty, filled)
        sentence = (
            f"{name}: organic matter is missing in {int(empty.sum())} horizons; "
            f"{100 * top:.1f} % above {TOPSOIL:.2f} m and {100 * below:.1f} % below "
            "assumed."
        )
        notes.append(
            Note("soil.organic_matter", "check", sentence, int(empty.sum()), name)
        )
    return rows, notes


def _settle(profile: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    """Return one profile without gap or overlap from 0 to 1 m, and if it was touched.

    Where horizons overlap the upper one ends at the next top.
    """
    profile = profile.sort_values(["top", "bottom"], kind="stable")
    profile = profile.drop_duplicates("top", keep="first").copy()
    top = profile["top"].to_numpy().copy()
    top[0] = 0.0
    bottom = np.append(top[1:], PROFILE)
    given = np.minimum(profile["bottom"].to_numpy(), PROFILE)
    touched = bool((np.abs(given - bottom) > 1e-6).any() or profile["top"].iloc[0] > 0)
    profile["top"], profile["bottom"] = top, bottom
    return profile, touched


def _names(mapunits: Columns | None) -> dict[str, str]:
    if mapunits is None or not mapunits.find("name", ("muname",)):
        return {}
    keys = mapunits.text("mukey", ("soil_unit", "zone"))
    return dict(zip(keys, mapunits.text("name", ("muname",)), strict=True))


def _groups(components: Columns | None) -> dict[str, str]:
    """Return the hydrologic group of each unit's largest component."""
    if components is None or not components.find("hydrologic_group", ("hydgrp",)):
        return {}
    table = pd.DataFrame(
        {
            "unit": components.text("mukey", ("soil_unit", "zone")),
            "share": components.number("share", ("comppct_r", "comppct"), unit="%"),
            "group": components.text("hydrologic_group", ("hydgrp",)),
        }
    )
    table = table[table["group"] != ""].sort_values("share", ascending=False)
    table = table.drop_duplicates("unit")
    return dict(zip(table["unit"], table["group"], strict=True))
