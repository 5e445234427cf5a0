"""Scale tickets of field.toml as one table."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.tables import TICKETS, require_table
from trafficmap.field.columns import table_columns
from trafficmap.field.extras import bushel_mass
from trafficmap.field.inputs import Inputs
from trafficmap.field.strict import FILE
from trafficmap.field.toml import CropKeys, TicketKeys
from trafficmap.formats.clocks import parse_days

_MASS = ("net", "net_mass", "net_weight", "weight", "net_wt")
_DAY = ("date", "ticket_date")
_NAME = ("ticket", "number", "ticket_number", "ticket_no")


def read_tickets(
    keys: tuple[TicketKeys, ...], *, crop: CropKeys, inputs: Inputs
) -> tuple[pd.DataFrame, list[Note]]:
    """Return what was hauled off by the scale, contract `TICKETS`, and notes.

    Parameters
    ----------
    keys : tuple of TicketKeys
    crop : CropKeys
        Its ``tickets_t`` or ``tickets_bu`` is the sum of all tickets.
    inputs : Inputs

    Raises
    ------
    InputError
        A column is missing, or a mass is none or below zero.
    SettingsError
        Bushels of a crop whose bushel has no known mass.
    """
    tables: list[pd.DataFrame] = []
    notes: list[Note] = []
    total = crop.tickets_t
    if crop.tickets_bu is not None:
        mass = bushel_mass(crop.now or crop.next, "tickets_bu")
        total = crop.tickets_bu * mass / 1000.0
    if total is not None:
        tables.append(_table([pd.NaT], [total * 1000.0], ["all tickets"]))
    for number, one in enumerate(keys, start=1):
        if one.file is None:
            day = pd.NaT if one.day is None else pd.Timestamp(one.day)
            tables.append(_table([day], [float(one.mass_t or 0.0) * 1e3], [one.name]))
            continue
        table, more = _from_file(one, number, inputs)
        tables.append(table)
        notes += more
    if not tables:
        return TICKETS.empty(), notes
    return require_table(pd.concat(tables, ignore_index=True), TICKETS), notes


def _from_file(
    one: TicketKeys, number: int, inputs: Inputs
) -> tuple[pd.DataFrame, list[Note]]:
    """Return the tickets of one table; rows without a mass are left out."""
    path = inputs.find(str(one.file), f"ticket[{number}].file")
    inputs.add(path)
    columns = table_columns(path, told=one.columns, units=one.units)
    mass = columns.number("mass", _MASS)
    days = np.full(mass.size, np.datetime64("NaT"), dtype="datetime64[s]")
    if columns.find("day", _DAY):
        values = columns.frame[columns.require("day", _DAY)[0]]
        found = parse_days(values, name=columns.name, date_format=one.date_format)
        days = found.to_numpy().astype("datetime64[s]")
    names = columns.text("name", _NAME) if columns.find("name", _NAME) else ""
    table = _table(days, mass, names)
    notes = list(columns.notes)
    empty = table["mass"].isna()
    if empty.any():
        count = int(empty.sum())
        sentence = f"{columns.name}: {count} tickets hold no mass and are left out."
        notes.append(Note("tickets.empty", "check", sentence, count, columns.name))
        table = table[~empty]
    if (table["mass"] <= 0).any():
        row = int(np.flatnonzero(table["mass"].to_numpy() <= 0)[0]) + 1
        msg = f"{FILE}: ticket[{number}]: {columns.name}, load {row} is not above zero."
        raise InputError(msg, "give the net mass of each load: gross less empty")
    return table, notes


def _table(days, mass, names) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "day": np.asarray(pd.to_datetime(pd.Series(days)), dtype="datetime64[s]"),
            "mass": np.asarray(mass, dtype=float),
        }
    )
    table["name"] = names if isinstance(names, str) else list(names)
    table["name"] = table["name"].astype(object)
    return table
