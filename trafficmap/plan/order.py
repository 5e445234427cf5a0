"""The order of fields and zones for the hours there are, and what is cut and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.core.tables import ORDER, require_table
from trafficmap.plan import order_model
from trafficmap.plan.order_search import (
    Shop,
    Trial,
    can_be_done,
    clean,
    search,
    usable,
)

ROUNDS = 1_500_000
"""Lists the search tries at most, twice; some ten seconds for forty fields (choice)."""

ROUNDS_A_JOB = 20_000
"""Lists the search tries for each job; few jobs are soon tried out (choice)."""

SECONDS = 16.0
"""Time for both programmes of the solver together [s]; choice."""

CLOSE = 1e-4
"""A plan this near to what can at most be earned is the best [fraction]; choice."""

Span = tuple[pd.Timestamp, pd.Timestamp]


@dataclass(frozen=True)
class OrderJob:
    """One zone to work.

    Parameters
    ----------
    field : int
        Position of its field.
    zone : int
    job, tool : str
    depth, area : float
        [m], [m2]
    duration : float
        Machine time, ways between fields aside; NaN where no tool is known. [s]
    net_low, net, net_high : float
        [currency]
    fit : tuple of (start, end), or None
        When its ground is fit, by clock; None where nobody said.
    by_hand : tuple of (start, end)
        Parts of `fit` in which only a hand test can say.
    first : bool
        To be worked before the other zones of the field, as end rows are.
    """

    field: int
    zone: int
    job: str
    tool: str
    depth: float
    area: float
    duration: float
    net_low: float
    net: float
    net_high: float
    fit: tuple[Span, ...] | None = None
    by_hand: tuple[Span, ...] = ()
    first: bool = False


@dataclass(frozen=True)
class Order:
    """What to do in which order, and how good that is.

    Parameters
    ----------
    table : DataFrame
        Contract `ORDER`: stints by time, then what is cut.
    net, most : float
        Money of what is done, and what no order can beat. [currency]
    proved : bool
        No other order earns more.
    worked, moved, there_is : float
        Machine time in work, between fields, and there is in all. [s]
    """

    table: pd.DataFrame
    net: float
    most: float
    proved: bool
    worked: float
    moved: float
    there_is: float

    @property
    def gap(self) -> float:
        """Share by which an order unknown to us could at most be better."""
        return 0.0 if self.proved else max(0.0, 1.0 - self.net / self.most)


def order_work(
    jobs: Sequence[OrderJob],
    *,
    fields: Sequence[str],
    hours: Sequence[Span],
    moves: np.ndarray,
    first: np.ndarray,
    seconds: float = SECONDS,
    rounds: int = ROUNDS,
) -> tuple[Order, list[Note]]:
    """Choose and order the zones that bring most in the hours there are.

    One rig works one zone at a time, inside its hours and the fit hours of the ground,
    and drives from field to field inside its hours as well; it stays overnight where
    it stopped. A zone counts only when it is done whole; it may be broken off and
    finished later. A long search makes the plan, and a mixed-integer programme says
    what no plan can beat: with few fields it holds every move and the plan is proved
    the best or a better one taken; with many it holds one way through all fields
    worked, and what is left between the two is told as the gap. Where the ground of a
    zone is fit in several spells within one day, only the longest of them is used.

    Parameters
    ----------
    jobs : sequence of OrderJob
    fields : sequence of str
        Name of each field.
    hours : sequence of (start, end)
        When the rig can be out, one span a day, in time and not overlapping.
    moves : ndarray, shape (fields, fields)
        From field to field, with setting up. [s]
    first : ndarray, shape (fields,)
        To each field from where the rig stands. [s]
    seconds : float
        Time for the solver. [s]
    rounds : int
        Length of the search.

    Returns
    -------
    Order
    list of Note
    """
    able = [
        k
        for k, job in enumerate(jobs)
        if math.isfinite(job.duration) and job.duration > 0 and job.net > 0
    ]
    shop = _shop([jobs[k] for k in able], hours, moves, first)
    trial, most, proved = best_order(shop, seconds=seconds, rounds=rounds)
    trial = _end_rows_first(trial, shop, [jobs[k].first for k in able])
    rows = _stints(trial, [jobs[k] for k in able], fields, hours)
    done = {able[k] for k in trial.done}
    rows += [
        _row(job, fields, done=False, reason=_why_cut(job, k, able, shop, trial))
        for k, job in enumerate(jobs)
        if k not in done
    ]
    for place, row in enumerate(rows, start=1):
        row["place"] = place
    frame = pd.DataFrame(rows, columns=ORDER.names()) if rows else ORDER.empty()
    floats = [column.name for column in ORDER.columns if column.dtype == "float"]
    frame = require_table(frame.astype(dict.fromkeys(floats, "float64")), ORDER)
    order = Order(
        table=frame,
        net=trial.value,
        most=most,
        proved=proved,
        worked=sum(stint.end - stint.start for stint in trial.stints),
        moved=sum(stint.move for stint in trial.stints),
        there_is=float(sum(shop.lengths)),
    )
    return order, _notes(order, jobs, able, shop)


def best_order(shop: Shop, *, seconds: float, rounds: int) -> tuple[Trial, float, bool]:
    """Return the best trial, what no trial can beat, and whether that is proved.

    Parameters
    ----------
    shop : Shop
    seconds : float
        Time for the solver. [s]
    rounds : int
        Lists the search tries.
    """
    rounds = min(rounds, ROUNDS_A_JOB * len(shop.durations))
    best = search(shop, rounds=rounds)
    if len(best.done) == len(shop.durations):
        return best, best.value, True
    top = order_model.ceiling(shop, seconds=seconds / 2)
    guided = search(shop, rounds=rounds, seed=2, start=top.order)
    best = max(best, guided, key=lambda trial: trial.key)
    most = max(top.bound, best.value)
    if most - best.value <= CLOSE * max(most, 1e-9):
        return best, best.value, True
    if order_model.arcs(shop) > order_model.MOST_ARCS:
        return best, most, False
    step = CLOSE * most / 2
    answer = order_model.exact(shop, seconds=seconds / 2, beat=best.value + step)
    if answer.order:
        better = search(shop, rounds=rounds, seed=3, start=answer.order)
        best = max(best, better, key=lambda trial: trial.key)
    most = max(min(most, answer.bound), best.value)
    if most - best.value <= CLOSE * max(most, 1e-9):
        return best, best.value, True
    return best, most, False


def _end_rows_first(trial: Trial, shop: Shop, first: list[bool]) -> Trial:
    """Return the same work with end rows before the rest of their field.

    They hold most wheels and are not to be loaded on again (D9); where their own fit
    hours or the money say otherwise, the order stays.
    """
    order = list(dict.fromkeys(stint.job for stint in trial.stints))
    ahead = []
    for job in order:
        if job not in ahead:
            mates = [k for k in order if shop.fields[k] == shop.fields[job]]
            ahead += [k for k in mates if first[k] and k not in ahead]
        if job not in ahead:
            ahead.append(job)
    moved = clean(shop, ahead)
    return moved if moved.value >= trial.value - 1e-6 else trial


def _shop(
    jobs: Sequence[OrderJob],
    hours: Sequence[Span],
    moves: np.ndarray,
    first: np.ndarray,
) -> Shop:
    """Return the numbers of the search."""
    opens, closes = [], []
    for job in jobs:
        windows = [_inside(job, span) for span in hours]
        opens.append(tuple(window[0] for window in windows))
        closes.append(tuple(window[1] for window in windows))
    return Shop(
        durations=tuple(job.duration for job in jobs),
        values=tuple(job.net for job in jobs),
        fields=tuple(job.field for job in jobs),
        opens=tuple(opens),
        closes=tuple(closes),
        lengths=tuple((end - start).total_seconds() for start, end in hours),
        moves=tuple(tuple(float(way) for way in row) for row in moves),
        first=tuple(float(way) for way in first),
    )


def _inside(job: OrderJob, span: Span) -> tuple[float, float]:
    """Return the longest fit time of a job inside a span, from its start [s]."""
    start, end = span
    if job.fit is None:
        return 0.0, (end - start).total_seconds()
    best = (0.0, 0.0)
    for low, high in _merged(job.fit):
        window = (
            max(0.0, (low - start).total_seconds()),
            min((end - start).total_seconds(), (high - start).total_seconds()),
        )
        if window[1] - window[0] > best[1] - best[0]:
            best = window
    return best


def _merged(spans: Sequence[Span]) -> list[Span]:
    """Return spans with those that touch joined."""
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((start, end))
    return joined


def _stints(
    trial: Trial, jobs: list[OrderJob], fields: Sequence[str], hours: Sequence[Span]
) -> list[dict]:
    """Return the rows of what is done, end rows first within one stay at a field."""
    rows = []
    last = {}
    for stint in trial.stints:
        job = jobs[stint.job]
        base = hours[stint.block][0]
        start = base + pd.Timedelta(seconds=stint.start)
        end = base + pd.Timedelta(seconds=stint.end)
        again = stint.job in last
        by_hand = any(low < end and high > start for low, high in job.by_hand)
        reason = _why_here(job, again=again, by_hand=by_hand)
        row = _row(job, fields, done=True, reason=reason)
        row |= {
            "start": _clock(start),
            "end": _clock(end),
            "hours": (stint.end - stint.start) / 3600.0,
            "way": stint.move / 60.0,
        }
        rows.append(row)
        last[stint.job] = row
    # The money of a zone stands where it is finished, once.
    for number, row in enumerate(rows):
        if row is not last.get(trial.stints[number].job):
            row |= {"net_low": 0.0, "net": 0.0, "net_high": 0.0, "finished": False}
    return rows


def _row(job: OrderJob, fields: Sequence[str], *, done: bool, reason: str) -> dict:
    return {
        "place": 0,
        "done": done,
        "finished": done,
        "start": "",
        "end": "",
        "hours": job.duration / 3600.0,
        "way": math.nan,
        "field": fields[job.field],
        "zone": job.zone,
        "job": job.job,
        "tool": job.tool,
        "depth": job.depth,
        "area": job.area,
        "net_low": job.net_low,
        "net": job.net,
        "net_high": job.net_high,
        "reason": reason,
    }


def _why_here(job: OrderJob, *, again: bool, by_hand: bool) -> str:
    said = ["go on where it was broken off" if again else "brings most for its hours"]
    if job.fit is not None:
        said = [said[0] + " while its ground is fit"]
    if by_hand:
        said.append("roll soil by hand first, the forecast alone cannot say")
    if job.first and not again:
        said.append("end rows: most wheels, test them by themselves")
    return "; ".join(said)


def _why_cut(
    job: OrderJob, number: int, able: list[int], shop: Shop, trial: Trial
) -> str:
    """Say why a job is not done, the plainest cause first."""
    if job.job != "rip":
        return (
            "no hours are known for it: do it when the top 2 to 4 in (5 to 10 cm) "
            "are dry"
        )
    if not math.isfinite(job.duration):
        return "no tool is named for the field, so nobody knows how long it takes"
    if math.isnan(job.net):
        return "no money is known for it: yield, price or loss is missing"
    if job.net <= 0:
        return "it does not pay"
    place = able.index(number)
    blocks = range(len(shop.lengths))
    if not any(usable(shop, place, block) for block in blocks):
        return "its ground is not fit in any of the hours"
    if not can_be_done(shop, place):
        fit = sum(usable(shop, place, block) for block in blocks) / 3600.0
        return (
            f"it takes {job.duration / 3600:.2f} h, and its ground is fit for "
            f"{fit:.2f} h of the hours there are"
        )
    spent = sum(stint.end - stint.start + stint.move for stint in trial.stints)
    free = (sum(shop.lengths) - spent) / 3600.0
    rate = job.net / (job.duration / 3600.0)
    if free < job.duration / 3600.0:
        return (
            f"no hours are left: it would bring {rate:.0f} an hour, others bring more"
        )
    return (
        "hours are left, but not when its ground is fit and the rig could get there: "
        f"it would bring {rate:.0f} an hour"
    )


def _notes(
    order: Order, jobs: Sequence[OrderJob], able: list[int], shop: Shop
) -> list[Note]:
    notes = []
    if not jobs:
        notes.append(Note("order.nothing", "info", "there is nothing to rip."))
    elif not able:
        sentence = (
            "no zone can be put in order: hours or money are not known for any of them."
        )
        notes.append(Note("order.unknown", "check", sentence, len(jobs)))
    elif not any(
        usable(shop, job, block)
        for job in range(len(able))
        for block in range(len(shop.lengths))
    ):
        sentence = (
            "no hour is both free and fit: leave the ground, and ask again with a "
            "newer forecast."
        )
        notes.append(Note("order.no_hour", "check", sentence, len(able)))
    elif not order.table["done"].any():
        sentence = "no zone can be done whole in the hours there are: leave them all."
        notes.append(Note("order.too_short", "check", sentence, len(able)))
    cut = int((~order.table["done"]).sum())
    if cut and order.table["done"].any():
        sentence = (
            f"{cut} {'job is' if cut == 1 else 'jobs are'} cut; the reason stands "
            "beside each. Leave them rather than work wet or in a hurry."
        )
        notes.append(Note("order.cut", "info", sentence, cut))
    return notes


def _clock(moment: pd.Timestamp) -> str:
    return moment.round("min").isoformat(timespec="minutes")
