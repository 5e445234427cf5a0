"""Stamps coarser than the log: several rows in one second, told apart again."""

from __future__ import annotations

import numpy as np

from trafficmap.core.notes import Note

# Stamps repeat in this share of the steps before a log counts as finer than its clock,
# and in this share of them the place moved on, or the rows are plain repeats; choices.
_REPEATED = 0.3
_MOVED = 0.2
_STEPS = (1.0, 60.0)


def spread_stamps(
    seconds: np.ndarray,
    *,
    longitude: np.ndarray,
    latitude: np.ndarray,
    name: str,
    milliseconds: np.ndarray | None = None,
    counter: np.ndarray | None = None,
) -> tuple[np.ndarray, Note | None]:
    """Return stamps that tell the rows of one second (or one minute) apart.

    A column of milliseconds is added. Else a counter of the rows places each row in
    its second. Else the rows of a second are spread evenly over it, in their order;
    the first and the last second of a stretch, which may be cut, keep the usual step.

    Parameters
    ----------
    seconds : ndarray, shape (n,)
        As logged, in file order. [s]
    longitude, latitude : ndarray, shape (n,)
        [deg]
    name : str
        File, for the sentence.
    milliseconds, counter : ndarray, shape (n,), optional

    Returns
    -------
    seconds : ndarray
        The same array where nothing had to be done. [s]
    note : Note or None
    """
    known = np.isfinite(seconds)
    if known.sum() < 3:
        return seconds, None
    stamp = seconds[known]
    step = _coarseness(stamp)
    if not step:
        return seconds, None
    if milliseconds is not None and _is_fraction(milliseconds[known]):
        out = seconds + np.nan_to_num(milliseconds) / 1000.0
        sentence = f"{name}: its clock counts whole seconds; the column of "
        sentence += "milliseconds was added."
        return out, Note("log.whole_seconds", "info", sentence, where=name)
    same = np.diff(stamp) == 0
    moved = (np.diff(longitude[known]) != 0) | (np.diff(latitude[known]) != 0)
    if same.mean() < _REPEATED or moved[same].mean() < _MOVED:
        return seconds, None
    unit = "second" if step == 1.0 else "minute"
    spread = None
    if counter is not None:
        spread = _by_counter(stamp, counter[known], step)
    how = "by the counter of the rows"
    if spread is None:
        spread, how = _evenly(stamp, step), "evenly"
    out = seconds.copy()
    out[known] = spread
    rate = stamp.size / max(np.unique(stamp).size, 1)
    sentence = (
        f"{name}: its clock counts whole {unit}s but it holds about {rate:.0f} rows a "
        f"{unit}; they were spread {how} inside each {unit}."
    )
    return out, Note("log.whole_seconds", "info", sentence, int(same.sum()), name)


def _coarseness(stamp: np.ndarray) -> float:
    """Return 60 or 1 where all stamps are whole minutes or seconds, else 0."""
    if (stamp != np.floor(stamp)).any():
        return 0.0
    step = np.diff(stamp)
    if not (step == 0).any():
        return 0.0
    return 60.0 if (stamp % 60 == stamp[0] % 60).all() and (step > 0).any() else 1.0


def _is_fraction(milliseconds: np.ndarray) -> bool:
    good = (milliseconds >= 0) & (milliseconds < 1000)
    return bool(good.all() and np.ptp(milliseconds) > 0)


def _evenly(stamp: np.ndarray, step: float) -> np.ndarray:
    edge = np.flatnonzero(np.diff(stamp) != 0) + 1
    start = np.concatenate(([0], edge))
    size = np.diff(np.concatenate((start, [stamp.size])))
    usual = float(np.median(size[size > 1])) if (size > 1).any() else 1.0
    first = np.ones(start.size, dtype=bool)
    first[1:] = stamp[start[1:]] - stamp[start[:-1]] != step
    last = np.append(first[1:], True)
    # A whole second is shared by its rows; a cut one keeps the usual step.
    share = np.where((first | last) & (size < usual), usual, size)
    index = np.arange(stamp.size) - np.repeat(start, size)
    # The first second of a stretch begins somewhere inside it and ends with it.
    late = np.where(first & ~last & (size < usual), usual - size, 0.0)
    place = (index + np.repeat(late, size)) / np.repeat(share, size)
    return stamp + step * place


def _by_counter(
    stamp: np.ndarray, counter: np.ndarray, step: float
) -> np.ndarray | None:
    """Return the line through counter and stamps that stays in every second."""
    rise = np.diff(counter)
    if not (np.isfinite(counter).all() and (rise > 0).all()):
        return None
    counted, passed = counter[-1] - counter[0], stamp[-1] - stamp[0]
    if passed <= step or counted <= 0:
        return None
    rate = passed / counted
    # The rate is known to a second in the whole; the rows hold it closer.
    for slope in rate * (1 + np.linspace(-1, 1, 41) * step / passed):
        low = float((stamp - slope * counter).max())
        high = float((stamp + step - slope * counter).min())
        if low <= high:
            return slope * counter + (low + high) / 2
    return None
