"""Laws of the readers that hold for any input."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trafficmap.core.errors import InputError
from trafficmap.formats.isoxml.timelog import read_time_log
from trafficmap.formats.logs import read_logs
from trafficmap.formats.sniff import sniff_bytes

HEAD = b"""<TIM A="" D="4"><PTN A="" B="" D=""/><DLV A="0043" B="" C="D"/>
<DLV A="008D" B="" C="D"/></TIM>"""
INT32 = st.integers(-(2**31), 2**31 - 1)
RECORD = st.tuples(
    st.integers(0, 86_399_999),
    st.integers(-900_000_000, 900_000_000),
    st.integers(-1_800_000_000, 1_800_000_000),
    st.lists(st.tuples(st.integers(0, 1), INT32), max_size=4),
)


def pack(records):
    out = []
    for ms, north, east, values in records:
        out.append(struct.pack("<IHiiBB", ms, 16_000, north, east, 4, len(values)))
        out += [struct.pack("<Bi", *pair) for pair in values]
    return b"".join(out)


def read_or_refused(data, sentence):
    """Return a log and its notes, or nothing when it is refused in such words."""
    try:
        return read_time_log(HEAD, data, name="T")
    except InputError:
        with pytest.raises(InputError, match=sentence):
            read_time_log(HEAD, data, name="T")
        return None, []


@given(st.lists(RECORD, max_size=12))
@settings(max_examples=60, deadline=None)
def test_what_was_packed_is_read(records):
    log, notes = read_time_log(HEAD, pack(records), name="T")
    assert notes == []
    assert log.n_records == len(records)
    sent = [value for record in records for _, value in record[3]]
    assert log.value.tolist() == sent
    # Records of one stamp in a row are one row.
    stamps = [record[0] for record in records]
    rows = sum(1 for k, ms in enumerate(stamps) if k == 0 or ms != stamps[k - 1])
    assert log.seconds.size == rows


@given(st.lists(RECORD, min_size=6, max_size=12), st.integers(1, 12))
@settings(max_examples=60, deadline=None)
def test_a_cut_never_changes_what_came_before(records, cut):
    whole = pack(records)
    log, notes = read_or_refused(whole[:-cut], r"nothing is readable\.$")
    if log is None:
        return
    assert log.n_records < len(records)
    full, _ = read_time_log(HEAD, whole, name="T")
    count = log.value.size
    assert log.value.tolist() == full.value[:count].tolist()
    assert len(notes) == 1 or whole[:-cut] == pack(records[: log.n_records])


@given(st.binary(max_size=400))
@settings(max_examples=150, deadline=None)
def test_any_bytes_are_read_or_refused_in_words(data):
    log, _ = read_or_refused(data, r"\.$")
    if log is None:
        return
    assert log.n_records <= len(data) // 16
    assert np.all(np.abs(log.latitude[np.isfinite(log.latitude)]) <= 90)


@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_bytes_have_a_kind(data):
    assert isinstance(sniff_bytes(data), str)


@given(
    st.lists(st.integers(0, 30), min_size=1, max_size=20),
    st.floats(0, 50),
    st.floats(0.5, 50),
)
@settings(max_examples=60, deadline=None)
def test_carried_values_are_never_older_than_allowed(gaps, age, pause):
    stamps = np.cumsum(gaps).tolist()
    # Every third record tells the second it is of, and so when it was sent.
    records = [
        (1000 * s, 1, 1, [(0, s)] if k % 3 == 0 else []) for k, s in enumerate(stamps)
    ]
    log, _ = read_time_log(HEAD, pack(records), name="T")
    seconds = log.seconds - log.seconds[0] + stamps[0]
    out = log.carried(0, max_age=age, max_gap=pause)
    known = np.isfinite(out)
    assert np.all(seconds[known] - out[known] <= age)
    assert np.isfinite(out[np.isin(seconds, stamps[::3])]).all()
    # Across a pause nothing is carried: what is known was sent after the last one.
    after = np.concatenate(
        [[-np.inf], np.where(np.diff(seconds) > pause, seconds[1:], -np.inf)]
    )
    assert np.all(out[known] >= np.maximum.accumulate(after)[known])


@given(
    st.lists(RECORD, min_size=12, max_size=20),
    st.integers(1, 40),
    st.binary(min_size=1, max_size=60),
)
@settings(max_examples=60, deadline=None)
def test_junk_between_records_never_changes_the_head(records, after, junk):
    after = min(after, len(records))
    head, whole = pack(records[:after]), pack(records)
    log, _ = read_or_refused(head + junk + whole[len(head) :], r"\.$")
    if log is None:
        return
    full, _ = read_time_log(HEAD, head, name="T")
    sent = full.value.size
    assert log.n_records >= full.n_records
    assert log.value[:sent].tolist() == full.value.tolist()


@given(st.permutations(["lon", "lat", "time", "speed (mph)"]), st.sampled_from(",;\t|"))
@settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_order_of_columns_and_delimiter_do_not_matter(tmp_path, names, mark):
    values = {
        "lon": [-93.62, -93.61],
        "lat": [42.03, 42.04],
        "time": ["2026-10-20T12:00:00Z", "2026-10-20T12:00:01Z"],
        "speed (mph)": [3.0, 4.0],
    }
    path = Path(tmp_path) / "log.csv"
    pd.DataFrame(values)[names].to_csv(path, sep=mark, index=False)
    (log,) = read_logs(path)
    assert log.table["longitude"].tolist() == values["lon"]
    assert log.table["latitude"].tolist() == values["lat"]
    np.testing.assert_allclose(log.table["speed"], np.array([3.0, 4.0]) * 0.44704)
    assert log.clock == "utc"
