"""Degrees as people write them: signs, letters, minutes, seconds, all run together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError

# Everything that stands for the three marks, on keyboards and in broken encodings;
# what another begins with comes after it.
_SAME = {
    "°": ("Â°", "º", "˚", "⁰", "degrees", "degree", "deg", "grad", "*"),
    '"': ("''", "’’", "′′", "‘‘", "”", "“", "″", "˝", "seconds", "second", "sec"),
    "'": ("’", "‘", "′", "`", "´", "ˊ", "minutes", "minute", "min"),
    "-": ("−", "–", "—"),
}
_SIDE = r"([NSEWO])(?:ORTH|OUTH|AST|EST|ORD|ÜD|UD|ST)?\.?"
_NUMBER = r"\d+(?:[.,]\d+)?"
_PATTERN = (
    rf"^(?:{_SIDE})?\s*([-+])?\s*({_NUMBER})\s*"
    rf"(?:[°D:_\-\s]\s*(?:({_NUMBER})\s*"
    # After seconds an S is their mark only where a letter of the side follows.
    rf"(?:['M:_\-\s]\s*(?:({_NUMBER})\s*(?:\"|S(?=\s*[NSEWO]))?\s*)?)?)?)?"
    rf"[\s_]*(?:{_SIDE})?$"
)
_LETTERS = {"north": "NS", "east": "EW"}
_LIMIT = {"north": 90.0, "east": 180.0}


@dataclass(frozen=True)
class Written:
    """Degrees read from text, NaN where nothing could be read, and how they stood.

    ``letters`` is the share of cells with a letter; ``run_together`` is True where
    degrees and minutes stand without a mark between them.
    """

    degrees: np.ndarray
    letters: float
    run_together: bool
    minutes: bool

    @property
    def how(self) -> str:
        """What was found, in words."""
        if self.run_together:
            return "degrees and minutes run together, with letters"
        marks = "degrees, minutes" if self.minutes else "degrees"
        return f"{marks} with letters" if self.letters > 0.5 else marks


def read_degrees(column: pd.Series, *, axis: str, name: str) -> Written:
    """Read a column of degrees in words and marks.

    Parameters
    ----------
    column : Series of text
    axis : {"north", "east"}
        Which of the two it is said to be.
    name : str
        File, for sentences.

    Raises
    ------
    InputError
        The letters are those of the other axis, a minus contradicts a letter, or a
        letter is O, which is east in one language and west in another.
    """
    parts = _normal(column).str.extract(_PATTERN)
    degree, minute, second = (_number(parts[k]) for k in (2, 3, 4))
    side = np.where(parts[0].notna(), parts[0], parts[5])
    side = np.where(pd.isna(side), "", side)
    lettered = side != ""
    _refuse_letters(side, column, axis, name)
    together = lettered & np.isnan(minute) & (degree > _LIMIT[axis])
    run_together = bool(lettered.any() and together[lettered].mean() > 0.5)
    if run_together:
        value = from_run_together(degree)
    else:
        whole = np.isnan(minute) | (degree == np.floor(degree))
        sound = whole & ~(minute >= 60) & ~(second >= 60)
        value = degree + np.nan_to_num(minute) / 60 + np.nan_to_num(second) / 3600
        value = np.where(sound, value, np.nan)
    minus = (parts[1] == "-").to_numpy()
    signed = apply_side(np.where(minus, -value, value), side, column, name)
    return Written(
        signed,
        float(lettered.mean()) if lettered.size else 0.0,
        run_together,
        bool(np.isfinite(minute).mean() > 0.5) if minute.size else False,
    )


def from_run_together(values: np.ndarray) -> np.ndarray:
    """Return degrees of DDMM.mmmm, NaN where the minutes are no minutes.

    Examples
    --------
    >>> float(from_run_together(np.array([-9337.2]))[0])
    -93.62
    """
    size = np.abs(values)
    degree = np.floor(size / 100)
    minute = size - 100 * degree
    good = minute < 60
    return np.where(good, np.sign(values) * (degree + minute / 60), np.nan)


def apply_side(
    values: np.ndarray, side: np.ndarray, column: pd.Series, name: str
) -> np.ndarray:
    """Return degrees with the sign of their letters; a minus must not contradict.

    A minus before W or S says the same twice and is taken once.
    """
    negative = np.isin(side, ("S", "W"))
    against = (values < 0) & np.isin(side, ("N", "E"))
    if against.any():
        row = int(np.flatnonzero(against)[0])
        cell = f"{column.iloc[row]}"
        cell = cell if str(side[row]) in cell.upper() else f"{cell} {side[row]}"
        msg = f"{name}: {cell!r} in {column.name!r} has a minus and the letter "
        msg += f"{side[row]}, which contradict each other, in {int(against.sum()):,} "
        msg += "rows."
        raise InputError(msg, "export the log with decimal degrees, minus for W and S")
    return np.where(negative, -np.abs(values), values)


def _refuse_letters(side, column: pd.Series, axis: str, name: str) -> None:
    if (side == "O").any():
        msg = f"{name}: the letter O in {column.name!r} is east in one language and "
        msg += "west in another, need E or W."
        raise InputError(msg, "replace it, or export decimal degrees")
    other = _LETTERS["east" if axis == "north" else "north"]
    wrong = np.isin(side, list(other))
    if not wrong.any():
        return
    said, seen = ("latitude", "longitude")[:: 1 if axis == "north" else -1]
    msg = f"{name}: {column.name!r} is the {said} by its name, but its letters "
    msg += f"({side[wrong][0]}) say it is the {seen}; the two are swapped."
    raise InputError(msg, f"write columns = {{{seen} = {str(column.name)!r}, ...}}")


def _normal(column: pd.Series) -> pd.Series:
    """Return text in capitals with one kind of each mark."""
    text = column.astype("str").str.strip().str.upper()
    for mark, others in _SAME.items():
        for other in others:
            text = text.str.replace(other.upper(), mark, regex=False)
    return text


def _number(text: pd.Series) -> np.ndarray:
    plain = text.str.replace(",", ".", regex=False)
    return pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64)
