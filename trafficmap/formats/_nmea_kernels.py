"""Read NMEA 0183 sentences: check the sum, take the fields apart, keep numbers.

A sentence is `$GPGGA,153015.20,4201.80,N,...*6A`; a program that logged it may have
written a stamp before it. Whatever stands before the mark is passed over.
"""

import numpy as np
from numba import njit

from trafficmap.formats._text_kernels import FAILED, days_from_civil, read_number

GGA, GNS, RMC, GLL, VTG, ZDA, GSA, HDT = range(8)
"""Kinds of sentences that are read."""

OTHER, BROKEN, UNSUMMED, NOISE = -1, -2, -3, -4
"""A sound sentence of another kind; a wrong sum; no sum; no sentence at all."""

(TOD, LATITUDE, LONGITUDE, QUALITY, SATELLITES, HDOP, ALTITUDE, SPEED, COURSE, DAY,
 UNSUMMED_KIND) = range(11)  # fmt: skip
"""Columns of the values: second of the day, degrees, number, count, 1, m, m/s,
degrees, days since 1970, kind of a sentence without a sum."""

N_VALUES = 11

_FEED, _RETURN, _COMMA, _STAR, _DOLLAR, _BANG = 10, 13, 44, 42, 36, 33
_POINT = 46
_MOST = 40
_KNOT = 1852.0 / 3600.0


@njit(cache=True, nogil=True)
def parse_sentences(raw, kind, talker, values):
    """Fill one row a line that holds anything; return how many there are."""
    row = 0
    at = 0
    start = np.empty(_MOST, dtype=np.int64)
    stop = np.empty(_MOST, dtype=np.int64)
    while at < raw.size:
        end = at
        while end < raw.size and raw[end] != _FEED:
            end += 1
        last = end
        while last > at and (raw[last - 1] == _RETURN or raw[last - 1] <= 32):
            last -= 1
        if last > at:
            values[row, :] = np.nan
            talker[row] = 0
            kind[row] = _read_line(raw, at, last, talker, row, values, start, stop)
            row += 1
        at = end + 1
    return row


@njit(cache=True, nogil=True)
def _read_line(raw, at, last, talker, row, values, start, stop):
    # The last mark counts: a sentence that was cut runs into the next one.
    begin = last - 1
    while begin >= at and raw[begin] != _DOLLAR and raw[begin] != _BANG:
        begin -= 1
    if begin < at or last - begin < 7:
        return NOISE
    begin += 1
    star = begin
    total = 0
    while star < last and raw[star] != _STAR:
        total ^= raw[star]
        star += 1
    summed = star < last
    if summed:
        if last - star < 3:
            return BROKEN
        high, low = _hex(raw[star + 1]), _hex(raw[star + 2])
        if high < 0 or low < 0 or high * 16 + low != total:
            return BROKEN
    count = _split(raw, begin, star, start, stop)
    found = _kind_of(raw, start[0], stop[0])
    talker[row] = np.int64(raw[begin]) * 256 + np.int64(raw[begin + 1])
    if found >= 0:
        _read_fields(raw, found, count, start, stop, values, row)
    if not summed:
        values[row, UNSUMMED_KIND] = found
        return UNSUMMED
    return found


@njit(cache=True, nogil=True)
def _split(raw, begin, end, start, stop):
    count = 0
    at = begin
    while count < _MOST:
        start[count] = at
        while at < end and raw[at] != _COMMA:
            at += 1
        stop[count] = at
        count += 1
        if at >= end:
            break
        at += 1
    return count


@njit(cache=True, nogil=True)
def _kind_of(raw, first, last):
    if last - first != 5 or raw[first] == 80:  # P begins a maker's own sentence
        return OTHER
    a, b, c = raw[first + 2], raw[first + 3], raw[first + 4]
    if a == 71 and b == 71 and c == 65:
        return GGA
    if a == 71 and b == 78 and c == 83:
        return GNS
    if a == 82 and b == 77 and c == 67:
        return RMC
    if a == 71 and b == 76 and c == 76:
        return GLL
    if a == 86 and b == 84 and c == 71:
        return VTG
    if a == 90 and b == 68 and c == 65:
        return ZDA
    if a == 71 and b == 83 and c == 65:
        return GSA
    if a == 72 and b == 68 and c == 84:
        return HDT
    return OTHER


@njit(cache=True, nogil=True)
def _read_fields(raw, found, count, start, stop, values, row):
    if found == GGA and count >= 10:
        values[row, TOD] = _second(raw, 1, start, stop)
        _place(raw, 2, start, stop, values, row)
        values[row, QUALITY] = _number(raw, 6, start, stop)
        values[row, SATELLITES] = _number(raw, 7, start, stop)
        values[row, HDOP] = _number(raw, 8, start, stop)
        values[row, ALTITUDE] = _number(raw, 9, start, stop)
    elif found == GNS and count >= 10:
        values[row, TOD] = _second(raw, 1, start, stop)
        _place(raw, 2, start, stop, values, row)
        values[row, QUALITY] = _best_mode(raw, start[6], stop[6])
        values[row, SATELLITES] = _number(raw, 7, start, stop)
        values[row, HDOP] = _number(raw, 8, start, stop)
        values[row, ALTITUDE] = _number(raw, 9, start, stop)
    elif found == RMC and count >= 10:
        values[row, TOD] = _second(raw, 1, start, stop)
        _place(raw, 3, start, stop, values, row)
        values[row, SPEED] = _KNOT * _number(raw, 7, start, stop)
        values[row, COURSE] = _number(raw, 8, start, stop)
        values[row, DAY] = _day(raw, start[9], stop[9])
        values[row, QUALITY] = _status(raw, 2, 12, count, start, stop)
    elif found == GLL and count >= 7:
        _place(raw, 1, start, stop, values, row)
        values[row, TOD] = _second(raw, 5, start, stop)
        values[row, QUALITY] = _status(raw, 6, 7, count, start, stop)
    elif found == VTG and count >= 5:
        # Old makes leave the letters between the numbers out.
        lettered = stop[2] - start[2] == 1 and raw[start[2]] == 84
        values[row, COURSE] = _number(raw, 1, start, stop)
        knots = 5 if lettered else 3
        hourly = 7 if lettered else 4
        if count > knots:
            values[row, SPEED] = _KNOT * _number(raw, knots, start, stop)
        if count > hourly and np.isnan(values[row, SPEED]):
            values[row, SPEED] = _number(raw, hourly, start, stop) / 3.6
    elif found == ZDA and count >= 5:
        values[row, TOD] = _second(raw, 1, start, stop)
        day = _number(raw, 2, start, stop)
        month = _number(raw, 3, start, stop)
        year = _number(raw, 4, start, stop)
        values[row, DAY] = _civil(year, month, day)
    elif found == GSA and count >= 18:
        values[row, HDOP] = _number(raw, 16, start, stop)
        values[row, QUALITY] = _number(raw, 2, start, stop)
    elif found == HDT and count >= 2:
        values[row, COURSE] = _number(raw, 1, start, stop)


@njit(cache=True, nogil=True)
def _number(raw, field, start, stop):
    first, last = start[field], stop[field]
    if first >= last:
        return np.nan
    value, state, ahead = read_number(raw, first, last, _POINT)
    if state == FAILED or ahead != last:
        return np.nan
    return value


@njit(cache=True, nogil=True)
def _second(raw, field, start, stop):
    """Return the second of the day of hhmmss.ss, NaN where it is none."""
    value = _number(raw, field, start, stop)
    if not 0.0 <= value < 240_000.0 or stop[field] - start[field] < 6:
        return np.nan
    hour = np.floor(value / 10_000.0)
    minute = np.floor((value - 10_000.0 * hour) / 100.0)
    second = value - 10_000.0 * hour - 100.0 * minute
    if minute > 59.0 or second >= 61.0:
        return np.nan
    # Sentences carry at most four decimals; the split above leaves a trace of error.
    return 3600.0 * hour + 60.0 * minute + np.round(second * 1e4) / 1e4


@njit(cache=True, nogil=True)
def _place(raw, field, start, stop, values, row):
    """Put latitude and longitude of ddmm.mm with their letters."""
    north = _degrees(raw, field, start, stop, 90.0, 78, 83)
    east = _degrees(raw, field + 2, start, stop, 180.0, 69, 87)
    values[row, LATITUDE] = north
    values[row, LONGITUDE] = east


@njit(cache=True, nogil=True)
def _degrees(raw, field, start, stop, most, plus, minus):
    value = _number(raw, field, start, stop)
    if not value >= 0.0 or stop[field + 1] - start[field + 1] != 1:
        return np.nan
    whole = np.floor(value / 100.0)
    minutes = value - 100.0 * whole
    degrees = whole + minutes / 60.0
    if minutes >= 60.0 or degrees > most:
        return np.nan
    letter = raw[start[field + 1]] & 0xDF
    if letter == plus:
        return degrees
    if letter == minus:
        return -degrees
    return np.nan


@njit(cache=True, nogil=True)
def _status(raw, field, mode, count, start, stop):
    """Return the quality of a fix told by A or V and, in newer makes, a mode."""
    if stop[field] - start[field] != 1 or raw[start[field]] != 65:
        return 0.0
    if count > mode and stop[mode] - start[mode] == 1:
        return _quality(raw[start[mode]])
    return 1.0


@njit(cache=True, nogil=True)
def _best_mode(raw, first, last):
    """Return the quality of a fix from one letter a satellite system."""
    best = 0.0
    rank = -1
    order = np.array([0.0, 8.0, 7.0, 6.0, 1.0, 3.0, 2.0, 5.0, 4.0])
    for at in range(first, last):
        quality = _quality(raw[at])
        for k in range(order.size):
            if order[k] == quality and k > rank:
                best, rank = quality, k
    return best


@njit(cache=True, nogil=True)
def _quality(letter):
    """Return the number GGA has for a mode letter."""
    if letter == 65:  # autonomous
        return 1.0
    if letter == 68:  # differential
        return 2.0
    if letter == 80:  # precise
        return 3.0
    if letter == 82:  # fixed RTK
        return 4.0
    if letter == 70:  # float RTK
        return 5.0
    if letter == 69:  # estimated
        return 6.0
    if letter == 77:  # typed in
        return 7.0
    if letter == 83:  # simulated
        return 8.0
    return 0.0


@njit(cache=True, nogil=True)
def _day(raw, first, last):
    """Return days since 1970 of ddmmyy; years from 80 on are of the last century."""
    if last - first != 6:
        return np.nan
    value, state, ahead = read_number(raw, first, last, _POINT)
    if state == FAILED or ahead != last:
        return np.nan
    day = np.floor(value / 10_000.0)
    month = np.floor((value - 10_000.0 * day) / 100.0)
    year = value - 10_000.0 * day - 100.0 * month
    return _civil(year + (1900.0 if year >= 80.0 else 2000.0), month, day)


@njit(cache=True, nogil=True)
def _civil(year, month, day):
    if not (1.0 <= day <= 31.0 and 1.0 <= month <= 12.0 and 1970.0 <= year < 2200.0):
        return np.nan
    found = days_from_civil(np.int64(year), np.int64(month), np.int64(day))
    # A day that the month does not have runs over into the next.
    if month < 12.0:
        after = days_from_civil(np.int64(year), np.int64(month) + 1, np.int64(1))
    else:
        after = days_from_civil(np.int64(year) + 1, np.int64(1), np.int64(1))
    return np.float64(found) if found < after else np.nan


@njit(cache=True, nogil=True)
def _hex(byte):
    if 48 <= byte <= 57:
        return np.int64(byte) - 48
    lower = np.int64(byte) | 32
    if 97 <= lower <= 102:
        return lower - 87
    return np.int64(-1)
