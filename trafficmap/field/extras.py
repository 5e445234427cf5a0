"""The plain tables of field.toml in SI: crop, tile, tools, prices, liquid."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trafficmap.core.errors import SettingsError
from trafficmap.core.notes import Note
from trafficmap.core.tables import LIQUID, require_table
from trafficmap.core.units import MASS_PER_BUSHEL, to_si
from trafficmap.field.model import Crop, Prices, Tile, Tool
from trafficmap.field.strict import FILE
from trafficmap.field.toml import CropKeys, LiquidKeys, PriceKeys, TileKeys, ToolKeys

_CROPS = {"maize": "corn", "soybeans": "soybean", "soy": "soybean", "beans": "soybean"}


def settle_crop(keys: CropKeys) -> Crop:
    """Return the crop in SI.

    Raises
    ------
    SettingsError
        A figure in bushels for a crop whose bushel has no known mass.
    """
    price, expected = keys.price_per_t, keys.yield_t_ha
    if keys.price_per_bu is not None:
        price = (
            keys.price_per_bu / bushel_mass(keys.next or keys.now, "price_per_bu") * 1e3
        )
    yield_expected = None if expected is None else to_si(expected, "t/ha")
    if keys.yield_bu_ac is not None:
        mass = keys.yield_bu_ac * bushel_mass(keys.next or keys.now, "yield_bu_ac")
        yield_expected = mass / to_si(1.0, "ac")
    harvested = keys.harvested_yield_t_ha
    yield_harvested = None if harvested is None else to_si(harvested, "t/ha")
    if keys.harvested_yield_bu_ac is not None:
        bushel = bushel_mass(keys.now or keys.next, "harvested_yield_bu_ac")
        yield_harvested = keys.harvested_yield_bu_ac * bushel / to_si(1.0, "ac")
    forage = keys.forage_yield_t_ha
    return Crop(
        now=crop_name(keys.now),
        next=crop_name(keys.next),
        harvested=keys.harvested.isoformat() if keys.harvested else None,
        cover_sown=keys.cover_sown.isoformat() if keys.cover_sown else None,
        no_till=keys.no_till,
        spring_pass=keys.spring_pass,
        fall_pass="" if keys.fall_pass.casefold() == "none" else keys.fall_pass,
        yield_expected=yield_expected,
        yield_harvested=yield_harvested,
        yield_forage=None if forage is None else to_si(forage, "t/ha"),
        price=None if price is None else price / 1000.0,
        loss_reachable=_fraction(keys.loss_reachable_pct),
        residue_counted=_fraction(keys.residue_counted_pct),
        soybean_allowed=keys.soybean_allowed,
        last_ripped=keys.last_ripped,
        last_tillage_depth=_scaled(keys.last_tillage_depth_cm, 0.01),
        lanes_kept=keys.lanes_kept,
    )


def settle_tools(tools: tuple[ToolKeys, ...]) -> tuple[Tool, ...]:
    """Return the tools in SI."""
    return tuple(
        Tool(
            name=tool.name,
            width=tool.width_m,
            shanks=tool.shanks,
            depth_min=tool.depth_min_m,
            depth_max=tool.depth_max_m,
            foot_width=tool.foot_width_m,
            winged=tool.winged,
            leading_tines=tool.leading_tines,
            power=_scaled(tool.power_kw, 1000.0),
            drive=tool.drive,
            length=tool.length_m,
            owned=tool.owned,
            speed=_scaled(tool.speed_km_h, 1 / 3.6),
            kind=tool.kind,
            price=tool.price,
            salvage=_fraction(tool.salvage_pct),
            keep_years=tool.keep_years,
            hours_a_year=tool.hours_a_year,
            tractor_mass=_scaled(tool.tractor_mass_t, 1000.0),
        )
        for tool in tools
    )


def settle_prices(keys: PriceKeys) -> Prices:
    """Return prices by SI unit."""
    return Prices(
        currency=keys.currency,
        ripping=_scaled(keys.ripping_per_ha, 1e-4),
        levelling=_scaled(keys.levelling_per_ha, 1e-4),
        fall_pass=_scaled(keys.fall_pass_per_ha, 1e-4),
        fuel=_scaled(keys.diesel_per_l, 1e3),
        driver=_scaled(keys.driver_per_h, 1 / 3600.0),
        tractor=_scaled(keys.tractor_per_h, 1 / 3600.0),
        interest=_fraction(keys.interest_pct),
    )


def settle_tile(keys: TileKeys) -> Tile:
    """Return what was said about tile."""
    return Tile(state=keys.state, cover=keys.cover_m)


def settle_liquid(
    liquid: tuple[LiquidKeys, ...], *, fixes: pd.DataFrame, machines: set[str]
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the liquid put down, contract `LIQUID`, with what had to be assumed.

    Raises
    ------
    SettingsError
        The machine is not in field.toml, or its working width is nowhere said.
    """
    notes: list[Note] = []
    rows = []
    for number, keys in enumerate(liquid, start=1):
        where = f"liquid[{number}]"
        if keys.machine not in machines:
            msg = f'{FILE}: {where}.machine is "{keys.machine}", no machine here.'
            known = ", ".join(sorted(machines)) or "none"
            raise SettingsError(msg, f"use one of: {known}")
        width = keys.width_m
        if width is None:
            width = _logged_width(fixes, keys.machine)
            if width is None:
                msg = (
                    f"{FILE}: {where}.width_m is missing and no log of it says a width."
                )
                raise SettingsError(msg, "add width_m = ... (working width of the bar)")
            notes.append(
                _assumed(where, f"working width {width:.1f} m taken from the log")
            )
        if keys.dry_matter_pct is None:
            notes.append(
                _assumed(
                    where, "all of the liquid counted as water; add dry_matter_pct"
                )
            )
        if keys.injected_depth_m is None:
            notes.append(
                _assumed(where, "put on the surface assumed; add injected_depth_m")
            )
        rows.append(
            {
                "machine_id": keys.machine,
                "rate": to_si(keys.rate_m3_ha, "m3/ha"),
                "dry_matter": (keys.dry_matter_pct or 0.0) / 100.0,
                "depth": float(keys.injected_depth_m or 0.0),
                "width": float(width),
            }
        )
    table = pd.DataFrame(rows) if rows else LIQUID.empty()
    return require_table(table, LIQUID), notes


def crop_name(name: str) -> str:
    """Return the usual name of a crop, lower case.

    Examples
    --------
    >>> crop_name("Maize"), crop_name("silage corn")
    ('corn', 'silage corn')
    """
    word = " ".join(name.replace("_", " ").casefold().split())
    return _CROPS.get(word, word)


def bushel_mass(crop: str, key: str) -> float:
    """Return the mass of a bushel of a crop [kg].

    Raises
    ------
    SettingsError
        Nobody knows it; the sentence names the `key` of [crop] that needs it.
    """
    mass = MASS_PER_BUSHEL.get(crop_name(crop).replace(" ", "_"), np.nan)
    if not np.isfinite(mass):
        msg = f'{FILE}: crop.{key} needs the mass of a bushel of "{crop}", not known.'
        what = "price" if key.startswith("price") else key.rsplit("_bu", 1)[0]
        raise SettingsError(msg, f"give {what} by the tonne")
    return mass


def _logged_width(fixes: pd.DataFrame, machine: str) -> float | None:
    width = fixes.loc[fixes["machine_id"] == machine, "width"]
    width = width[width > 0]
    return float(width.median()) if len(width) else None


def _assumed(where: str, what: str) -> Note:
    return Note("liquid.assumed", "check", f"{FILE}, {where}: {what}.", 1, where)


def _fraction(percent: float | None) -> float | None:
    return _scaled(percent, 0.01)


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor
