"""What a table must hold: names, types, units, and which may be unknown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.errors import TableError


@dataclass(frozen=True)
class Column:
    """One column: its type, unit, whether it may be empty, and its meaning.

    ``dtype`` is one of float, int, bool, text, utc (zone-aware time) or day.
    """

    name: str
    dtype: str
    unit: str
    nullable: bool
    meaning: str


@dataclass(frozen=True)
class TableContract:
    """A named table: the columns it must have; more columns are allowed.

    ``optional`` columns may be left out, but keep their type where they are there.
    """

    name: str
    columns: tuple[Column, ...]
    optional: tuple[Column, ...] = ()

    def names(self) -> list[str]:
        """Return the column names in order."""
        return [column.name for column in self.columns]

    def empty(self) -> pd.DataFrame:
        """Return a table with no rows that keeps the contract."""
        return pd.DataFrame(
            {c.name: pd.Series([], dtype=_EMPTY[c.dtype]) for c in self.columns}
        )


_EMPTY = {
    "float": "float64",
    "int": "int64",
    "bool": "bool",
    "text": "object",
    "utc": "datetime64[ms, UTC]",
    "day": "datetime64[s]",
}


def require_table(frame: pd.DataFrame, contract: TableContract) -> pd.DataFrame:
    """Return `frame` unchanged when it keeps `contract`, else refuse it.

    Raises
    ------
    TableError
        A column is missing, has the wrong type, or holds gaps it may not have.
    """
    for column in (*contract.columns, *contract.optional):
        if column.name not in frame.columns:
            if column in contract.optional:
                continue
            msg = (
                f"{contract.name}: column {column.name!r} is missing, "
                f"need {column.meaning.rstrip('.')} [{column.unit}]."
            )
            raise TableError(msg, "add the column")
        series = frame[column.name]
        if not _fits(series, column.dtype):
            msg = (
                f"{contract.name}: column {column.name!r} holds {series.dtype}, "
                f"need {column.dtype}."
            )
            raise TableError(msg, "convert the column at the door it came in by")
        if not column.nullable and series.isna().any():
            msg = (
                f"{contract.name}: column {column.name!r} is empty in "
                f"{int(series.isna().sum())} of {len(series)} rows, need every row."
            )
            raise TableError(msg, "drop those rows or fill them")
    return frame


def shared_text(column: pd.Series) -> np.ndarray:
    """Return a column of text as an array of objects, equal words being one object.

    A million fixes name a dozen machines; a string of its own for each of them would
    take 60 MB and longer than the comparison it is made for.
    """
    code, words = pd.factorize(column)
    return np.asarray([*map(str, words), None], dtype=object)[code]


def _fits(series: pd.Series, dtype: str) -> bool:
    kind = series.dtype
    if dtype == "float":
        return pd.api.types.is_float_dtype(kind)
    if dtype == "int":
        return pd.api.types.is_integer_dtype(kind)
    if dtype == "bool":
        return pd.api.types.is_bool_dtype(kind)
    if dtype == "utc":
        return isinstance(kind, pd.DatetimeTZDtype) and str(kind.tz) == "UTC"
    if dtype == "day":
        return isinstance(kind, np.dtype) and np.issubdtype(kind, np.datetime64)
    return (
        pd.api.types.is_string_dtype(kind)
        or pd.api.types.is_object_dtype(kind)
        or isinstance(kind, pd.CategoricalDtype)
    )


def columns(*rows: tuple[str, str, str, bool, str]) -> tuple[Column, ...]:
    """Return columns from rows of name, dtype, unit, nullable and meaning."""
    return tuple(Column(*row) for row in rows)
