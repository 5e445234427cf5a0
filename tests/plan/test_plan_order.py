"""The order of work: small schedules solved by hand, and what every plan must keep."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pandas as pd
import pytest

from trafficmap.core.tables import ORDER
from trafficmap.plan.order import OrderJob, best_order, order_work
from trafficmap.plan.order_model import ceiling, exact
from trafficmap.plan.order_search import Shop, clean, search

HOUR = 3600.0
NEVER = (0.0, 0.0)


def shop(durations, values, *, fields=None, fit=None, lengths=(10,), ways=None,
         first=None) -> Shop:  # fmt: skip
    """Everything in hours; `fit` holds (opens, closes) of each job in each block."""
    fields = fields or tuple(range(len(durations)))
    count = max(fields) + 1
    ways = ways or [[0.0] * count for _ in range(count)]
    whole = [[(0, length) for length in lengths] for _ in durations]
    fit = fit or whole
    return Shop(
        durations=tuple(d * HOUR for d in durations),
        values=tuple(float(v) for v in values),
        fields=tuple(fields),
        opens=tuple(tuple(o * HOUR for o, _ in row) for row in fit),
        closes=tuple(tuple(c * HOUR for _, c in row) for row in fit),
        lengths=tuple(length * HOUR for length in lengths),
        moves=tuple(tuple(way * HOUR for way in row) for row in ways),
        first=tuple(way * HOUR for way in (first or [0.0] * count)),
    )


def check_drivable(made: Shop, trial) -> None:
    """One rig, inside hours and fit hours, with every way driven; whole jobs only."""
    here, block, clock = -1, -1, 0.0
    worked = dict.fromkeys(range(len(made.durations)), 0.0)
    for stint in trial.stints:
        if stint.block != block:
            assert stint.block > block
            block, clock = stint.block, 0.0
        place = made.fields[stint.job]
        need = 0.0
        if place != here:
            need = made.first[place] if here < 0 else made.moves[here][place]
        assert stint.move == pytest.approx(need)
        assert stint.start >= clock + need - 1e-6
        assert stint.start >= made.opens[stint.job][block] - 1e-6
        assert stint.end <= made.closes[stint.job][block] + 1e-6
        assert stint.end <= made.lengths[block] + 1e-6
        worked[stint.job] += stint.end - stint.start
        here, clock = place, stint.end
    for job, time in worked.items():
        assert time == pytest.approx(made.durations[job] if job in trial.done else 0.0)
    assert trial.value == pytest.approx(sum(made.values[job] for job in trial.done))


def solved(made: Shop, **options):
    trial, most, proved = best_order(made, seconds=10.0, rounds=5000)
    check_drivable(made, trial)
    assert trial.value <= most + 1e-6
    return trial, most, proved


def test_all_that_fits_is_done_and_that_is_proved():
    trial, most, proved = solved(shop([3, 4], [50, 60]))
    assert trial.done == {0, 1}
    assert (most, proved) == (110.0, True)


def test_ten_hours_take_what_brings_most_together_not_the_best_by_the_hour():
    # By the hour the first brings most (11); it leaves no room for both others (100).
    trial, most, proved = solved(shop([6, 5, 5], [66, 50, 50]))
    assert trial.done == {1, 2}
    assert most == pytest.approx(100.0)
    assert proved


def test_ways_are_counted():
    # Two fields at 4 h each and 2 h apart: 10 h hold both, 9.5 h hold one.
    ways = [[0, 2], [2, 0]]
    both, _, _ = solved(shop([4, 4], [10, 11], ways=ways))
    assert both.done == {0, 1}
    one, most, proved = solved(shop([4, 4], [10, 11], ways=ways, lengths=(9.5,)))
    assert one.done == {1}
    assert (most, proved) == (pytest.approx(11.0), True)


def test_the_near_field_is_taken_where_the_far_one_eats_its_gain_in_ways():
    ways = [[0, 0.5, 4], [0.5, 0, 4], [4, 4, 0]]
    trial, _, proved = solved(
        shop([4, 4, 4], [40, 30, 60], ways=ways, lengths=(9,), first=[0, 0, 0])
    )
    assert trial.done == {0, 1}
    assert proved


def test_the_rig_stays_overnight_where_it_stopped():
    # 12 h of work in two days of 6.5 h, and one way in of half an hour.
    trial, _, proved = solved(shop([12], [10], lengths=(6.5, 6.5), first=[0.5]))
    assert [(s.block, s.start / HOUR, s.end / HOUR) for s in trial.stints] == [
        (0, 0.5, 6.5),
        (1, 0.0, 6.0),
    ]
    assert proved


def test_fit_windows_decide_who_is_first():
    # The better one is fit in the afternoon only.
    fit = [[(5, 10)], [(0, 10)]]
    trial, _, _ = solved(shop([5, 5], [90, 10], fit=fit))
    assert [stint.job for stint in trial.stints] == [1, 0]
    assert trial.done == {0, 1}


def test_the_rig_waits_for_a_window_rather_than_leave_the_money():
    trial, _, _ = solved(shop([3], [10], fit=[[(6, 10)]]))
    assert (trial.stints[0].start, trial.stints[0].end) == (6 * HOUR, 9 * HOUR)


def test_ground_that_is_never_fit_is_never_worked():
    trial, _, proved = solved(shop([1, 1], [99, 1], fit=[[NEVER], [(0, 10)]]))
    assert trial.done == {1}
    assert proved


def test_a_zone_counts_only_when_it_is_done_whole():
    trial, _, proved = solved(shop([11, 3], [100, 5]))
    assert trial.done == {1}
    assert proved
    assert {stint.job for stint in trial.stints} == {1}


def random_shop(seed: int, *, jobs=5, blocks=2) -> Shop:
    chance = np.random.default_rng(seed)
    place = chance.uniform(0, 4, (jobs, 2))
    ways = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1)) * 0.25
    opens = chance.uniform(0, 3, (jobs, blocks))
    closes = opens + chance.uniform(0, 8, (jobs, blocks))
    fit = [
        [(float(a), float(min(b, 8))) for a, b in zip(low, high, strict=True)]
        for low, high in zip(opens, closes, strict=True)
    ]
    return shop(
        chance.uniform(1, 5, jobs), chance.uniform(10, 100, jobs).round(2), fit=fit,
        lengths=(8,) * blocks, ways=ways.tolist(),
        first=chance.uniform(0, 1, jobs).tolist(),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_no_list_of_priorities_beats_the_answer(seed):
    made = random_shop(seed)
    trial, most, _ = solved(made)
    tried = max(
        clean(made, order).value
        for count in range(1, 6)
        for order in permutations(range(5), count)
    )
    assert trial.value >= tried - 1e-6
    assert most >= tried - 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_both_programmes_lie_above_every_plan(seed):
    made = random_shop(seed)
    best = search(made, rounds=3000).value
    top = ceiling(made, seconds=5.0)
    assert top.bound >= best - 1e-6
    answer = exact(made, seconds=5.0, beat=0.0)
    assert answer.bound >= best - 1e-6
    assert answer.bound <= top.bound + 1e-6


def test_the_ceiling_knows_that_near_fields_must_be_reached_from_afar():
    # Three hours to either, minutes between them: seven hours of work do not fit.
    made = shop([3.5, 3.5], [10, 10], ways=[[0, 0.1], [0.1, 0]], first=[3, 3])
    top = ceiling(made, seconds=5.0)
    assert top.bound == pytest.approx(10.0)


def test_rounds_that_hang_on_nothing_are_cut_off():
    # Two pairs of near fields four hours apart; to go in circles would be cheap.
    ways = [[0, 0.1, 4, 4], [0.1, 0, 4, 4], [4, 4, 0, 0.1], [4, 4, 0.1, 0]]
    made = shop([2, 2, 2, 2], [10, 10, 10, 10], ways=ways, first=[0, 0, 4, 4],
                lengths=(11,))  # fmt: skip
    top = ceiling(made, seconds=5.0)
    trial, _, _ = solved(made)
    assert trial.value == 30.0
    assert top.bound == pytest.approx(30.0)


DAY = pd.Timestamp("2026-11-02 08:00", tz="America/Chicago")


def span(start=0.0, length=10.0, day=0):
    begin = DAY + pd.Timedelta(days=day, hours=start)
    return begin, begin + pd.Timedelta(hours=length)


def job(field=0, zone=1, hours=3.0, net=100.0, **changes) -> OrderJob:
    plain = {
        "field": field, "zone": zone, "job": "rip", "tool": "ripper", "depth": 0.33,
        "area": 10_000.0, "duration": hours * HOUR, "net_low": net / 2, "net": net,
        "net_high": net * 2,
    }  # fmt: skip
    return OrderJob(**(plain | changes))


def put_in_order(jobs, *, hours=None, count=2, way=0.5):
    hours = [span()] if hours is None else hours
    ways = np.full((count, count), way * HOUR)
    np.fill_diagonal(ways, 0.0)
    return order_work(
        jobs, fields=["North", "South"][:count], hours=list(hours), moves=ways,
        first=np.full(count, 0.25 * HOUR), seconds=5.0, rounds=2000,
    )  # fmt: skip


def test_the_table_keeps_its_contract_and_its_clock():
    order, notes = put_in_order([job(), job(field=1, zone=7, net=50.0)])
    assert list(order.table.columns) == ORDER.names()
    assert order.table["place"].tolist() == [1, 2]
    assert order.table["start"].tolist() == [
        "2026-11-02T08:15-06:00", "2026-11-02T11:45-06:00"
    ]  # fmt: skip
    assert order.table["way"].tolist() == pytest.approx([15.0, 30.0])
    assert order.net == 150.0
    assert order.proved
    assert order.gap == 0.0
    assert notes == []


def test_money_of_a_zone_in_two_stints_stands_once():
    order, _ = put_in_order([job(hours=14.0)], hours=[span(), span(day=1)])
    assert order.table["net"].tolist() == [0.0, 100.0]
    assert order.table["finished"].tolist() == [False, True]
    assert order.table["hours"].sum() == pytest.approx(14.0)
    assert "go on where it was broken off" in order.table["reason"].iloc[1]


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"fit": (span(start=12.0, length=5.0),)}, "not fit in any of the hours"),
        ({"fit": (span(length=2.0),)}, "its ground is fit for 2.00 h of the hours"),
        ({"hours": 9.0, "net": 20.0}, "no hours are left"),
        ({"duration": math.nan}, "no tool is named"),
        ({"net": math.nan}, "no money is known for it"),
        ({"net": -5.0}, "it does not pay"),
        ({"job": "level ruts", "duration": math.nan}, "top 2 to 4 in"),
    ],
)
def test_what_is_cut_says_why(changes, reason):
    hours = changes.pop("hours", 3.0)
    order, notes = put_in_order([job(), job(zone=2, hours=hours, **changes)])
    cut = order.table[~order.table["done"]]
    assert cut["zone"].tolist() == [2]
    assert reason in cut["reason"].iloc[0]
    assert cut["start"].tolist() == [""]
    assert [note.code for note in notes] == ["order.cut"]


def test_hours_left_at_the_wrong_time_are_not_called_missing():
    late = job(field=1, zone=3, hours=3.0, net=60.0, fit=(span(length=3.1),))
    order, _ = put_in_order([job(fit=(span(length=3.3),)), late])
    reason = order.table[~order.table["done"]]["reason"].iloc[0]
    assert reason.startswith("hours are left, but not when its ground is fit")


@pytest.mark.parametrize(
    ("jobs", "hours", "code"),
    [
        ([], [span()], "order.nothing"),
        ([job(fit=())], [span()], "order.no_hour"),
        ([job()], [], "order.no_hour"),
        ([job(hours=30.0)], [span()], "order.too_short"),
        ([job(duration=math.nan)], [span()], "order.unknown"),
    ],
)
def test_nothing_to_work_is_one_sentence(jobs, hours, code):
    order, notes = put_in_order(jobs, hours=hours)
    assert not order.table["done"].any()
    assert code in [note.code for note in notes]


def test_end_rows_go_first_where_it_costs_nothing():
    body, ends = job(net=300.0), job(zone=2, net=100.0, first=True)
    order, _ = put_in_order([body, ends])
    assert order.table["zone"].tolist() == [2, 1]
    assert "end rows" in order.table["reason"].iloc[0]
    late = job(zone=2, net=100.0, first=True, fit=(span(start=5.0, length=5.0),))
    order, _ = put_in_order([body, late])
    assert order.table["zone"].tolist() == [1, 2]


def test_hours_by_hand_alone_ask_for_the_hand_test():
    windows = (span(),)
    order, _ = put_in_order([job(fit=windows, by_hand=windows)])
    assert "roll soil by hand first" in order.table["reason"].iloc[0]
    order, _ = put_in_order([job(fit=windows)])
    assert "by hand" not in order.table["reason"].iloc[0]


def test_windows_that_touch_are_one():
    parts = (span(length=2.0), span(start=2.0, length=2.0))
    order, _ = put_in_order([job(hours=3.5, fit=parts)])
    assert order.table["done"].tolist() == [True]
    assert len(order.table) == 1
