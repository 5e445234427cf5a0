"""How good the order of 40 fields over 14 days is, and how long it takes.

Run ``python tests/benchmarks/bench_order.py``. Three invented farms; the baseline is
what people do by hand: down the list by money an hour, the next field the nearest.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd

from trafficmap.plan.order import OrderJob, order_work
from trafficmap.plan.order_search import clean

HOUR = 3600.0
FIELDS, DAYS, HOURS = 40, 14, 10.0


def farm(seed: int, *, fit_share: float):
    """Forty fields in 12 by 12 km with two zones each, fit in spells of days."""
    chance = np.random.default_rng(seed)
    place = chance.uniform(0, 12_000, (FIELDS, 2))
    ways = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    ways = ways * 1.3 / (25 / 3.6) + 900.0
    np.fill_diagonal(ways, 0.0)
    first_day = pd.Timestamp("2026-11-02 08:00", tz="UTC")
    hours = [
        (
            first_day + pd.Timedelta(days=day),
            first_day + pd.Timedelta(days=day, hours=HOURS),
        )
        for day in range(DAYS)
    ]
    jobs = []
    for field in range(FIELDS):
        dries = chance.integers(0, 4)
        wet = chance.random(DAYS) > fit_share
        for zone in (1, 2):
            took = chance.uniform(0.8, 6.0) * HOUR
            net = took / HOUR * chance.uniform(20, 120)
            fit = tuple(
                (low + pd.Timedelta(hours=2 * (zone - 1)), high)
                for day, (low, high) in enumerate(hours)
                if day >= dries and not wet[day]
            )
            jobs.append(
                OrderJob(
                    field, zone, "rip", "ripper", 0.33, 1e4, took, net / 2, net,
                    net * 2, fit=fit,
                )
            )  # fmt: skip
    return jobs, hours, ways


def by_hand(jobs, hours, ways) -> float:
    """Money of the list by money an hour, worked down as it stands."""
    from trafficmap.plan.order import _shop

    shop = _shop(jobs, hours, ways, np.full(FIELDS, 900.0))
    order = sorted(range(len(jobs)), key=lambda k: -jobs[k].net / jobs[k].duration)
    return clean(shop, order).value


def main() -> None:
    """Print money, bound, gap, time and what the list by hand would earn."""
    print("farm  fit   jobs  done  net     at most  gap %  by hand  seconds")
    for seed, share in ((1, 1.0), (2, 0.8), (3, 0.6)):
        jobs, hours, ways = farm(seed, fit_share=share)
        names = [f"field {k}" for k in range(FIELDS)]
        start = time.perf_counter()
        order, _ = order_work(
            jobs, fields=names, hours=hours, moves=ways, first=np.full(FIELDS, 900.0)
        )
        took = time.perf_counter() - start
        hand = by_hand(jobs, hours, ways)
        done = int((order.table["done"] & order.table["finished"]).sum())
        print(
            f"{seed:4d}  {share:.1f}  {len(jobs):5d}  {done:4d}  {order.net:7.0f} "
            f"{order.most:8.0f}  {100 * order.gap:5.2f}  {hand:7.0f}  {took:7.1f}"
        )


if __name__ == "__main__":
    main()
