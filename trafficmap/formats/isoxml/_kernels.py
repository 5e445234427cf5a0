"""Walk the records of a binary time log; carry sparse values forward."""

import numpy as np
from numba import njit

ENDED = 0
CUT_OFF = 1
BAD_INDEX = 2


@njit(cache=True)
def _int32(data, at):
    value = (
        np.int64(data[at])
        | np.int64(data[at + 1]) << 8
        | np.int64(data[at + 2]) << 16
        | np.int64(data[at + 3]) << 24
    )
    return value - 4294967296 if value >= 2147483648 else value


@njit(cache=True)
def measure(data, fixed, n_signals, limit, out):
    """Count records and values; `out` gets records, values, stop byte, reason.

    `fixed` is the number of bytes of a record up to and with the number of values;
    at most `limit` records are walked.
    """
    at = 0
    records = 0
    values = 0
    reason = ENDED
    size = data.size
    while at < size and records < limit:
        if at + fixed > size:
            reason = CUT_OFF
            break
        count = np.int64(data[at + fixed - 1])
        end = at + fixed + 5 * count
        if end > size:
            reason = CUT_OFF
            break
        for k in range(count):
            if data[at + fixed + 5 * k] >= n_signals:
                reason = BAD_INDEX
        if reason == BAD_INDEX:
            break
        at = end
        records += 1
        values += count
    out[0] = records
    out[1] = values
    out[2] = at
    out[3] = reason


@njit(cache=True)
def fill(data, offsets, fixed, stamp, fields, value_record, value_index, value):
    """Fill the columns of the records that `measure` counted.

    `offsets` holds the byte of each of the nine position fields within a record, -1
    where the field is not written. `fields` has one row a position field, the clock
    of the receiver's UTC joined in row 7 [ms since 1980]. A stamp that is none is -1.
    """
    at = 0
    n = 0
    for record in range(stamp.size):
        millisecond = _int32(data, at) & 0xFFFFFFFF
        day = np.int64(data[at + 4]) | np.int64(data[at + 5]) << 8
        # A leap second makes the longest day; all bits set means not available.
        known = millisecond < 86401000 and day != 65535
        stamp[record] = day * 86400000 + millisecond if known else -1
        for k in range(3):
            if offsets[k] >= 0:
                fields[k, record] = _int32(data, at + offsets[k])
        if offsets[3] >= 0:
            fields[3, record] = data[at + offsets[3]]
        for k in range(4, 6):
            if offsets[k] >= 0:
                low = np.int64(data[at + offsets[k]])
                fields[k, record] = low | np.int64(data[at + offsets[k] + 1]) << 8
        if offsets[6] >= 0:
            fields[6, record] = data[at + offsets[6]]
        if offsets[7] >= 0 and offsets[8] >= 0:
            millisecond = _int32(data, at + offsets[7]) & 0xFFFFFFFF
            low = np.int64(data[at + offsets[8]])
            day = low | np.int64(data[at + offsets[8] + 1]) << 8
            fields[7, record] = day * 86400000 + millisecond
        count = np.int64(data[at + fixed - 1])
        for k in range(count):
            place = at + fixed + 5 * k
            value_record[n] = record
            value_index[n] = data[place]
            value[n] = _int32(data, place + 1)
            n += 1
        at += fixed + 5 * count


@njit(cache=True)
def carry(rows, values, seconds, max_age, max_gap, out):
    """Write each value to its row and the rows after it, until the next value.

    A value is dropped when it is older than `max_age` or when the log itself paused
    longer than `max_gap` [s]. `rows` rises; rows without a value become NaN.
    """
    k = 0
    last = -1
    for row in range(out.size):
        if row > 0 and seconds[row] - seconds[row - 1] > max_gap:
            last = -1
        while k < rows.size and rows[k] == row:
            last = k
            k += 1
        if last >= 0 and seconds[row] - seconds[rows[last]] <= max_age:
            out[row] = values[last]
        else:
            out[row] = np.nan
