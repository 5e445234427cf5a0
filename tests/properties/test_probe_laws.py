"""Laws of probing: records keep their readings, plans keep their promises."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.core.tables import DUG
from trafficmap.field.around import join_dug
from trafficmap.zones.probe_value import Odds, Stake, updated, value_of_probing
from trafficmap.zones.probe_walk import walking_order

SETTINGS = ZoneSettings()
places = st.lists(
    st.tuples(st.floats(0, 500), st.floats(0, 500)), min_size=0, max_size=14
)


def table(rows) -> pd.DataFrame:
    frame = pd.DataFrame(
        [
            (f"p{k}", east, north, pd.NaT, "probe", 1.0, 0.1 * k, 2e6, "")
            for k, (east, north) in enumerate(rows)
        ],
        columns=DUG.names(),
    )
    return frame.astype({"date": "datetime64[s]"}) if len(frame) else DUG.empty()


@given(one=places, two=places)
def test_joined_records_hold_every_reading_once(one, two):
    first, second = table(one), table(two)
    whole = join_dug(first, second)
    assert join_dug(whole, second).equals(whole)
    assert join_dug(whole, first).equals(whole)
    assert max(len(first), len(second)) <= len(whole) <= len(first) + len(second)


@given(rows=places)
def test_the_walk_visits_every_stop_once_and_never_lengthens(rows):
    place = np.array(rows).reshape(-1, 2)
    order = walking_order(place, start=np.zeros(2))
    assert sorted(order) == list(range(len(place)))
    # Never longer than always to the nearest next.
    assert _length(place, order) <= _length(place, _nearest(place)) + 1e-6


@given(
    prior=st.floats(0.01, 0.99),
    found=st.integers(0, 12),
    more=st.integers(0, 12),
    right=st.floats(0.51, 0.99),
)
def test_a_find_raises_the_chance_and_a_miss_lowers_it(prior, found, more, right):
    odds = Odds(right, right)
    stops = found + more
    here = updated(prior, found=found, stops=stops, odds=odds)
    assert 0.0 <= here <= 1.0
    assert updated(prior, found=found + 1, stops=stops + 1, odds=odds) >= here - 1e-12
    assert updated(prior, found=found, stops=stops + 1, odds=odds) <= here + 1e-12


@given(prior=st.floats(0.0, 1.0), stops=st.integers(0, 10))
def test_the_chances_after_average_to_the_chance_before(prior, stops):
    """What is expected to be believed is what is believed."""
    from scipy.stats import binom

    odds = Odds(0.72, 0.66)
    mean = 0.0
    for count in range(stops + 1):
        seen = prior * binom.pmf(count, stops, odds.found)
        seen += (1 - prior) * binom.pmf(count, stops, 1 - odds.clear)
        mean += seen * updated(prior, found=count, stops=stops, odds=odds)
    assert abs(mean - prior) < 1e-9


@given(
    prior=st.floats(0.0, 1.0),
    gain=st.floats(-100.0, 500.0),
    waste=st.floats(0.0, 500.0),
    found=st.floats(0.0, 1.0),
    clear=st.floats(0.0, 1.0),
)
def test_a_probe_is_worth_something_between_nothing_and_knowing(
    prior, gain, waste, found, clear
):
    value = value_of_probing(Stake(prior, gain, waste), odds=Odds(found, clear))
    assert 0.0 <= value <= prior * max(gain, 0.0) + 1e-9


def _length(place: np.ndarray, order) -> float:
    way = np.vstack((np.zeros(2), place[list(order)]))
    return float(np.hypot(*np.diff(way, axis=0).T).sum())


def _nearest(place: np.ndarray) -> list[int]:
    left, order, here = list(range(len(place))), [], np.zeros(2)
    while left:
        following = min(left, key=lambda k: (np.hypot(*(place[k] - here)), k))
        left.remove(following)
        order.append(following)
        here = place[following]
    return order
