"""A few cells that stand for a column, where looking at every text would be slow."""

from __future__ import annotations

import numpy as np
import pandas as pd

SIZE = 1000


def sample(column: pd.Series) -> pd.Series:
    """Return up to `SIZE` filled cells of a column, evenly spaced."""
    filled = column.dropna()
    if len(filled) <= SIZE:
        return filled
    return filled.iloc[np.linspace(0, len(filled) - 1, SIZE).astype(np.int64)]


def is_mostly_numbers(column: pd.Series) -> bool:
    """Tell whether most cells are numbers, whatever the column is stored as."""
    if pd.api.types.is_numeric_dtype(column.dtype):
        return bool(column.notna().any())
    some = sample(column)
    return bool(len(some) and pd.to_numeric(some, errors="coerce").notna().mean() > 0.5)
