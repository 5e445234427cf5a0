"""Read the lines that candump writes: stamp, interface, identifier, bytes.

A line is `(stamp) can0 18FEEA1C#0150C3`, or `(stamp)  can0  18FEEA1C   [3]  01 50 C3`;
the stamp is seconds, a date with a time, or missing; blanks and tabs are the same.
"""

import numpy as np
from numba import njit

from trafficmap.formats._text_kernels import FAILED, read_moment, read_number

NO_STAMP, COUNT, DATE = range(3)

_FEED, _TAB, _RETURN, _BLANK = 10, 9, 13, 32
_OPEN, _CLOSE, _HASH, _BRACKET, _SHUT = 40, 41, 35, 91, 93
_POINT = 46


@njit(cache=True, nogil=True)
def parse_frames(raw, stamp, kind, ident, length, data):
    """Fill one row a line; return how many lines there are.

    `ident` is -1 where a line is no frame with data. `data` holds eight bytes a row;
    what was not sent is 255, which means not available.
    """
    row = 0
    at = 0
    while at < raw.size:
        stop = at
        while stop < raw.size and raw[stop] != _FEED:
            stop += 1
        ident[row] = -1
        stamp[row] = np.nan
        kind[row] = NO_STAMP
        length[row] = 0
        if stop > at:
            _parse_line(raw, at, stop, row, stamp, kind, ident, length, data)
            row += 1
        at = stop + 1
    return row


@njit(cache=True, nogil=True)
def _parse_line(raw, at, stop, row, stamp, kind, ident, length, data):
    at = _past_blanks(raw, at, stop)
    if at < stop and raw[at] == _OPEN:
        close = at
        while close < stop and raw[close] != _CLOSE:
            close += 1
        value, state, ahead = read_number(raw, at + 1, close, _POINT)
        if state != FAILED and ahead == close:
            stamp[row] = value
            kind[row] = COUNT
        else:
            moment, state = read_moment(raw, at + 1, close)
            if state != FAILED:
                stamp[row] = moment / 1e6
                kind[row] = DATE
        at = close + 1
    # The interface, whatever it is called.
    at = _past_blanks(raw, at, stop)
    while at < stop and raw[at] != _BLANK and raw[at] != _TAB:
        at += 1
    at = _past_blanks(raw, at, stop)
    number, digits, at = _hexadecimal(raw, at, stop)
    if digits == 0 or digits > 8 or at >= stop:
        return
    # Eight digits are an extended identifier, three a short one, which says nothing.
    found = number if digits == 8 and number < 2**29 else np.int64(-2)
    count = 0
    if raw[at] == _HASH:
        at += 1
        if at < stop and raw[at] == _HASH:  # a frame with flexible data rate
            return
        while at + 1 < stop and count < 8:
            high, low = _digit(raw[at]), _digit(raw[at + 1])
            if high < 0 or low < 0:
                break
            data[row, count] = high * 16 + low
            count += 1
            at += 2
    else:
        at = _past_blanks(raw, at, stop)
        if at >= stop or raw[at] != _BRACKET:
            return
        while at < stop and raw[at] != _SHUT:
            at += 1
        at += 1
        while count < 8:
            at = _past_blanks(raw, at, stop)
            if at + 1 >= stop:
                break
            high, low = _digit(raw[at]), _digit(raw[at + 1])
            if high < 0 or low < 0:
                break
            data[row, count] = high * 16 + low
            count += 1
            at += 2
    for k in range(count, 8):
        data[row, k] = 255
    ident[row] = found
    length[row] = count


@njit(cache=True, nogil=True)
def _past_blanks(raw, at, stop):
    while at < stop and (raw[at] == _BLANK or raw[at] == _TAB or raw[at] == _RETURN):
        at += 1
    return at


@njit(cache=True, nogil=True)
def _digit(byte):
    if 48 <= byte <= 57:
        return np.int64(byte) - 48
    lower = np.int64(byte) | 32
    if 97 <= lower <= 102:
        return lower - 87
    return np.int64(-1)


@njit(cache=True, nogil=True)
def _hexadecimal(raw, at, stop):
    number = np.int64(0)
    digits = 0
    while at < stop and digits < 9:
        digit = _digit(raw[at])
        if digit < 0:
            break
        number = number * 16 + digit
        digits += 1
        at += 1
    return number, digits, at
