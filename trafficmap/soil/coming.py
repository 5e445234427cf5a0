"""Frozen nights of a forecast for a whole field, and what is said of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.constants import GRAVITY
from trafficmap.core.notes import Note
from trafficmap.core.tables import NIGHTS, require_table
from trafficmap.soil.crust import frozen_thickness_needed
from trafficmap.soil.nights import nights

if TYPE_CHECKING:
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.loads.paths import LoadStates
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.soil.water import SoilSeries

_TOLD = 4
"""Spells one sentence tells (choice)."""
_INCH = 0.0254


def coming_nights(
    series: SoilSeries,
    *,
    forecast: pd.DataFrame,
    latitude: float,
    weather: pd.DataFrame | None = None,
    heaviest: tuple[str, float] | None = None,
    settings: SoilSettings,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the frozen nights ahead for each soil unit, see `nights.nights`.

    Of each unit the column with the most cells is followed, and where liquid was put
    down also the one with the most of it: it is the last to be fit.

    Parameters
    ----------
    series : SoilSeries
    forecast : DataFrame
        By day or by hour.
    latitude : float
        North positive. [deg]
    weather : DataFrame, optional
        Contract `core.tables.WEATHER`.
    heaviest : tuple, optional
        Machine and weight force [N] of the heaviest vehicle, from `heaviest_vehicle`.
    settings : SoilSettings

    Returns
    -------
    DataFrame
        Contract `core.tables.NIGHTS`, with unit_index, soil_unit, column and
        most_liquid.
    list of Note
        One a soil unit and column.
    """
    frames: list[pd.DataFrame] = []
    notes: list[Note] = []
    given = {
        "forecast": forecast,
        "latitude": latitude,
        "weather": weather,
        "heaviest": None if heaviest is None else heaviest[1],
    }
    for unit, column, most_liquid in told_columns(series.columns):
        if np.isnan(series.theta[-1, column]).any():
            sentence = (
                f"Soil {unit}: how wet it is on the last day with weather is not "
                "known, so what frozen nights carry is not told."
            )
            notes.append(Note("soil.nights_unknown", "check", sentence, 1, unit))
            continue
        table = nights(series, column=column, settings=settings, **given)  # type: ignore[arg-type]
        table = table.assign(
            unit_index=series.columns.units.index(unit),
            soil_unit=unit,
            column=column,
            most_liquid=most_liquid,
        )
        notes.append(_note(table, unit, most_liquid, heaviest))
        if len(table):
            frames.append(table)
    if not frames:
        return NIGHTS.empty(), notes
    return require_table(pd.concat(frames, ignore_index=True), NIGHTS), notes


def told_columns(columns: SoilColumns) -> list[tuple[str, int, bool]]:
    """Return (unit, column, most liquid) of the columns that stand for their unit.

    Parameters
    ----------
    columns : SoilColumns
    """
    cells = np.asarray(columns.column_of_cell)
    size = np.bincount(cells[cells >= 0], minlength=columns.size)
    total = np.asarray(columns.liquid_water).reshape(columns.size, -1).sum(axis=1)
    out = []
    for index, unit in enumerate(columns.units):
        mine = np.flatnonzero(np.asarray(columns.unit_of_column) == index)
        mine = mine[size[mine] > 0]
        if not mine.size:
            continue
        usual = int(mine[np.argmax(size[mine])])
        out.append((str(unit), usual, False))
        wettest = int(mine[np.argmax(total[mine])])
        if wettest != usual and total[wettest] > total[usual]:
            out.append((str(unit), wettest, True))
    return out


def heaviest_vehicle(states: LoadStates) -> tuple[str, float] | None:
    """Return the machine that was heaviest with all it pulled, and its force [N].

    None where no load is known.

    Parameters
    ----------
    states : LoadStates
    """
    known = np.isfinite(states.load).any(axis=1)
    total = np.where(known, np.nansum(states.load, axis=1), 0.0)
    if not total.size or not total.max() > 0.0:
        return None
    top = int(np.argmax(total))
    return str(states.machine_id[top]), float(total[top])


def crust_words(table: pd.DataFrame, heaviest: tuple[str, float] | None) -> str:
    """Return what the thickest crust holds by itself, in a sentence, or nothing.

    Parameters
    ----------
    table : DataFrame
        Contract `core.tables.NIGHTS`.
    heaviest : tuple or None
        As for `coming_nights`.
    """
    held = table["crust_kg"].to_numpy(dtype=float)
    if not np.isfinite(held).any():
        return ""
    row = table.iloc[int(np.nanargmax(held))]
    text = (
        f" By itself the crust would hold {_mass(float(row['crust_kg']))} of vehicle, "
        "over ground that holds nothing"
    )
    if heaviest is not None:
        wet = not str(row["unfrozen_state"]).endswith("does not smear")
        need = float(frozen_thickness_needed(heaviest[1], wet=wet))
        text += (
            f"; {heaviest[0]} with all it pulls weighs {_mass(heaviest[1] / GRAVITY)} "
            f"and would need {need / _INCH:.0f} in ({100 * need:.0f} cm) of frost"
        )
    return (
        f"{text}. Advice only, from two rules for frozen ground, and never for ice on "
        "water or ditches."
    )


def _mass(mass: float) -> str:
    return f"{mass / 1e3:.1f} t ({mass / 907.18474:.1f} tons)"


def _note(
    table: pd.DataFrame,
    unit: str,
    most_liquid: bool,
    heaviest: tuple[str, float] | None,
) -> Note:
    """Say in one sentence when ground is frozen, and what it carries then."""
    where = f"Soil {unit}" + (", where most liquid was put down" if most_liquid else "")
    if not len(table):
        sentence = f"{where}: no frozen crust worth the name in the forecast."
        return Note("soil.nights", "info", sentence, 0, unit)
    told = []
    for row in table.head(_TOLD).to_dict("records"):
        begin, end = pd.Timestamp(row["start"]), pd.Timestamp(row["end"])
        most = row["depth_most_m"]
        until = "on beyond the forecast" if row["lasts"] else f"to {_clock(end, begin)}"
        told.append(
            f"{begin.day} {begin:%b} {begin:%H:%M} {until} {row['ground']}, at most "
            f"{most / _INCH:.1f} in ({100 * most:.1f} cm) deep: {row['word']}"
        )
    more = len(table) - len(told)
    rest = f"; and {more} more spells" if more > 0 else ""
    sentence = (
        f"{where}: {'; '.join(told)}{rest}. Soil below is "
        f"{table['unfrozen_state'].iloc[0]}. A crust stops ruts, it does not spare the "
        "soil below; go and stamp on it before you drive, and off at the first shine."
        f"{crust_words(table, heaviest)}"
    )
    return Note("soil.nights", "info", sentence, len(table), unit)


def _clock(end: pd.Timestamp, begin: pd.Timestamp) -> str:
    """Return the time of day, with the day where it is another one."""
    if end.date() == begin.date():
        return f"{end:%H:%M}"
    return f"{end.day} {end:%b} {end:%H:%M}"
