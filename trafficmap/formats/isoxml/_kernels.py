"""Walk the records of a binary time log and fill columns straight from its bytes.

`data` are the bytes; `ints` and `words` are views of the same bytes that read a
little-endian int32 or uint16 at any byte. `runs` holds the first byte of each sound
stretch and the byte after it. `fixed` is the number of bytes of a record up to and
with the number of values.
"""

import numpy as np
from numba import njit

ENDED = 0
CUT_OFF = 1
BAD_INDEX = 2

DAY_MS = 86_400_000
# A leap second makes the longest day; all bits set in the day means not available.
_LONGEST_DAY_MS = DAY_MS + 1000
_NO_DAY = 65_535
_NO_INT32 = 0x7FFFFFFF

# What `scan` keeps in its state.
RECORDS, ROWS, VALUES, STOP, REASON, TIMELESS, STAMP = range(7)


@njit(cache=True)
def stamp_at(ints, words, at):
    """Return the milliseconds since 1980 of the record at a byte, -1 for none."""
    millisecond = np.int64(ints[at]) & 0xFFFFFFFF
    day = np.int64(words[at + 4])
    if millisecond >= _LONGEST_DAY_MS or day == _NO_DAY:
        return np.int64(-1)
    return day * DAY_MS + millisecond


@njit(cache=True)
def scan(data, ints, words, at, fixed, n_signals, limit, heard, state):
    """Walk records from byte `at` on, at most `limit`, and add them up in `state`.

    `heard` marks every index that carries a value. `state` holds records, rows (runs
    of one time stamp), values, the byte where it stopped and why, records without a
    time, and the last stamp.
    """
    size = data.size
    records, rows, values = state[RECORDS], state[ROWS], state[VALUES]
    timeless, last = state[TIMELESS], state[STAMP]
    reason = ENDED
    begin = records
    while at < size and records - begin < limit:
        if at + fixed > size:
            reason = CUT_OFF
            break
        count = np.int64(data[at + fixed - 1])
        place = at + fixed
        end = place + 5 * count
        if end > size:
            reason = CUT_OFF
            break
        while place < end:
            index = data[place]
            if index >= n_signals:
                reason = BAD_INDEX
                break
            heard[index] = True
            place += 5
        if reason == BAD_INDEX:
            break
        stamp = stamp_at(ints, words, at)
        if stamp < 0:
            timeless += 1
        elif stamp != last:
            rows += 1
            last = stamp
        at = end
        records += 1
        values += count
    state[RECORDS], state[ROWS], state[VALUES] = records, rows, values
    state[STOP], state[REASON] = at, reason
    state[TIMELESS], state[STAMP] = timeless, last


@njit(cache=True)
def resume(data, ints, words, at, fixed, n_signals, last, longest, chain):
    """Return the first byte from `at` on where sound records go on, -1 for none.

    Sound are `chain` records in a row whose indices exist and whose stamps rise, each
    at most `longest` [ms] after the one before, the first that long after `last`.
    """
    size = data.size
    while at + fixed <= size:
        place, before, found = at, last, 0
        while place + fixed <= size and found < chain:
            stamp = stamp_at(ints, words, place)
            first = found == 0 and last < 0
            if stamp < 0 or stamp < before:
                break
            if not first and stamp - before > longest:
                break
            count = np.int64(data[place + fixed - 1])
            end = place + fixed + 5 * count
            if end > size:
                break
            sound = True
            for k in range(count):
                if data[place + fixed + 5 * k] >= n_signals:
                    sound = False
                    break
            if not sound:
                break
            before = stamp
            place = end
            found += 1
        if found == chain:
            return at
        at += 1
    return -1


@njit(cache=True)
def fill_rows(
    data, ints, words, runs, fixed, offsets, constants, first_day, seconds, record,
    longitude, latitude, details,
):  # fmt: skip
    """Fill one row a time stamp: its second, last record, and last place with a fix.

    `offsets` holds the byte of each position field in a record, -1 where it is not
    written; `constants` its raw value for the whole log, NaN for none. `details` has
    up to five rows: altitude, status, PDOP, HDOP, satellites, raw, of the record that
    gave the place. A record without a time belongs to the row before; its place does
    not count.
    """
    nan = np.nan
    north_at, east_at, status_at = offsets[0], offsets[1], offsets[3]
    written = north_at >= 0 and east_at >= 0
    constant_place = np.isfinite(constants[0]) or np.isfinite(constants[1])
    placed = written or constant_place
    constant_status = -1
    if np.isfinite(constants[3]):
        constant_status = np.int64(constants[3])
    row, last, number = -1, np.int64(-1), 0
    for run in range(runs.shape[0]):
        at = runs[run, 0]
        while at < runs[run, 1]:
            number += 1
            stamp = stamp_at(ints, words, at)
            if stamp >= 0:
                if stamp != last:
                    row += 1
                    last = stamp
                    seconds[row] = stamp / 1000.0 + first_day
                    longitude[row] = nan
                    latitude[row] = nan
                    for k in range(details.shape[0]):
                        details[k, row] = nan
                north, east = nan, nan
                if written:
                    north, east = float(ints[at + north_at]), float(ints[at + east_at])
                elif constant_place:
                    north, east = constants[0], constants[1]
                    if north_at >= 0:
                        north = float(ints[at + north_at])
                    if east_at >= 0:
                        east = float(ints[at + east_at])
                status = constant_status
                if status_at >= 0:
                    status = np.int64(data[at + status_at])
                fix = (
                    placed
                    and abs(north) <= 900_000_000.0
                    and abs(east) <= 1_800_000_000.0
                    and not (north == 0.0 and east == 0.0)
                    and status != 0
                    and status != 14
                )
                if fix:
                    longitude[row] = east * 1e-7
                    latitude[row] = north * 1e-7
                    for k in range(details.shape[0]):
                        field = k + 2
                        where = offsets[field]
                        if where < 0:
                            details[k, row] = constants[field]
                        elif field == 2:
                            details[k, row] = ints[at + where]
                        elif field == 4 or field == 5:
                            details[k, row] = words[at + where]
                        else:
                            details[k, row] = data[at + where]
            record[max(row, 0)] = number
            at += fixed + 5 * np.int64(data[at + fixed - 1])


@njit(cache=True)
def clock_ahead(data, ints, words, runs, fixed, time_at, day_at, out):
    """Write how far each record's clock is ahead of the receiver's UTC [ms].

    NaN where either is not known.
    """
    number = 0
    for run in range(runs.shape[0]):
        at = runs[run, 0]
        while at < runs[run, 1]:
            stamp = stamp_at(ints, words, at)
            millisecond = np.int64(ints[at + time_at]) & 0xFFFFFFFF
            day = np.int64(words[at + day_at])
            good = millisecond < _LONGEST_DAY_MS and 0 < day < _NO_DAY
            if stamp >= 0 and good:
                out[number] = stamp - (day * DAY_MS + millisecond)
            else:
                out[number] = np.nan
            number += 1
            at += fixed + 5 * np.int64(data[at + fixed - 1])


@njit(cache=True)
def carry_values(
    data, ints, words, runs, fixed, slots, factor, lowest, max_age, max_gap, out,
    known, sent, first, latest,
):  # fmt: skip
    """Write the value of each wanted signal that holds at each row.

    `slots` gives the slot of an index, -1 for not wanted. A slot below the rows of
    `out` is written there times its `factor`; `known` counts its rows with a value.
    Every slot counts what was `sent` and keeps the `first` and the `latest` raw value.
    A value holds until the next one, but no longer than `max_age`, and not across a
    pause of the log longer than `max_gap` [s]. A raw value below `lowest`, and the
    one that means not available, is NaN.
    """
    nan = np.nan
    n_out = out.shape[0]
    value = np.full(slots.size, nan)
    # Stamps in milliseconds: when each value was sent.
    moment = np.zeros(slots.size, dtype=np.int64)
    shortest = np.inf
    lasting = True
    for k in range(n_out):
        shortest = min(shortest, max_gap[k])
        lasting = lasting and max_age[k] == np.inf
    row, last = 0, np.int64(-1)
    for run in range(runs.shape[0]):
        at = runs[run, 0]
        while at < runs[run, 1]:
            stamp = stamp_at(ints, words, at)
            if stamp >= 0 and stamp != last:
                if last >= 0:
                    for k in range(n_out):
                        now = value[k]
                        if not lasting and (last - moment[k]) / 1000.0 > max_age[k]:
                            now = nan
                        out[k, row] = now
                        known[k] += now == now
                    row += 1
                    pause = (stamp - last) / 1000.0
                    if pause > shortest:
                        for k in range(n_out):
                            if pause > max_gap[k]:
                                value[k] = nan
                last = stamp
                if row == 0:
                    # Values sent before the first known time count from it.
                    moment[:] = stamp
            place = at + fixed
            end = place + 5 * np.int64(data[place - 1])
            while place < end:
                slot = slots[data[place]]
                if slot >= 0:
                    raw = ints[place + 1]
                    if sent[slot] == 0:
                        first[slot] = raw
                    sent[slot] += 1
                    latest[slot] = raw
                    if slot < n_out:
                        good = raw >= lowest[slot] and raw != _NO_INT32
                        value[slot] = raw * factor[slot] if good else nan
                        moment[slot] = last
                place += 5
            at = end
    if last >= 0:
        for k in range(n_out):
            now = value[k]
            if not lasting and (last - moment[k]) / 1000.0 > max_age[k]:
                now = nan
            out[k, row] = now
            known[k] += now == now


@njit(cache=True)
def list_values(data, ints, words, runs, fixed, value_row, value_index, value):
    """List every value as sent: its row, the index of its signal, the raw number."""
    row, last, n = -1, np.int64(-1), 0
    for run in range(runs.shape[0]):
        at = runs[run, 0]
        while at < runs[run, 1]:
            stamp = stamp_at(ints, words, at)
            if stamp >= 0 and stamp != last:
                row += 1
                last = stamp
            count = np.int64(data[at + fixed - 1])
            for k in range(count):
                place = at + fixed + 5 * k
                value_row[n] = max(row, 0)
                value_index[n] = data[place]
                value[n] = ints[place + 1]
                n += 1
            at += fixed + 5 * count
