"""Read numbers and ISO 8601 moments straight from the bytes of a table.

`raw` are the bytes of whole lines. A quote opens only at the begin of a cell, so that
5" in a name stays a name. Nothing here allocates a text.
"""

import numpy as np
from numba import njit

NUMBER, MOMENT, WRITTEN = 1, 2, 3
"""What a column is read as; written: dates with day and month in either order."""
FAILED, FRACTIONS, NAIVE, ZONED, EMPTY = range(5)
"""What `parse_cells` counts in each column."""

NO_MOMENT = np.iinfo(np.int64).min
"""The same as "not a time" in datetime64."""

_FEED, _RETURN, _QUOTE, _BLANK, _TAB = 10, 13, 34, 32, 9
_PLUS, _MINUS, _POINT, _COMMA, _COLON, _SLASH = 43, 45, 46, 44, 58, 47
_ZERO, _NINE, _SMALL_E, _BIG_E, _BIG_T, _BIG_Z, _SMALL_Z = 48, 57, 101, 69, 84, 90, 122
_DAY_US = 86_400_000_000
# Every whole number up to here is a float; beyond, ids would change.
_EXACT = 2**53
# With one digit more an integer may overflow.
_FULL = 10**17
# Powers of ten up to here are exact, so one division rounds once (Clinger 1990, Proc.
# PLDI: 92-101).
_POWER = 22
_TENS = np.array([10.0**k for k in range(_POWER + 1)])


@njit(cache=True, nogil=True, error_model="numpy")
def find_lines(raw, delimiter, start, end, marks):
    """Fill begin, end and number of delimiters of each line; return lines and rest.

    A carriage return before the line feed belongs to the line end. The rest begins
    after the last line feed outside quotes.
    """
    count = 0
    begin = 0
    seen = 0
    quoted = False
    fresh = True
    for k in range(raw.size):
        byte = raw[k]
        if quoted:
            quoted = byte != _QUOTE
        elif byte == _FEED:
            start[count] = begin
            last = k
            if last > begin and raw[last - 1] == _RETURN:
                last -= 1
            end[count] = last
            marks[count] = seen
            count += 1
            begin = k + 1
            seen = 0
            fresh = True
        elif byte == delimiter:
            seen += 1
            fresh = True
        elif byte == _QUOTE:
            # After a closing quote a second one is a letter; it opens again.
            quoted = fresh or (k > 0 and raw[k - 1] == _QUOTE)
            fresh = False
        elif byte != _BLANK:
            fresh = False
    return count, begin


@njit(cache=True, nogil=True, error_model="numpy")
def parse_cells(
    raw, start, end, delimiter, decimal, kinds, slots, missing, numbers, moments, counts
):
    """Fill numbers [rows of `numbers`] and moments [us since 1970] of whole lines.

    `kinds` says for each column what to read, `slots` into which row. `missing` holds
    a word a row, the length first. `counts` adds up what happened in each column.
    """
    n_columns = kinds.size
    for row in range(start.size):
        at = start[row]
        stop = end[row]
        for column in range(n_columns):
            kind = kinds[column]
            if kind == NUMBER:
                # Most cells are bare numbers that end at the delimiter.
                value, state, ahead = read_number(raw, at, stop, decimal)
                if state != FAILED and (ahead >= stop or raw[ahead] == delimiter):
                    if state == FRACTIONS:
                        counts[column, FRACTIONS] += 1
                    numbers[slots[column], row] = value
                    at = ahead + 1
                    continue
            first = at
            quoted = False
            fresh = True
            while at < stop and raw[at] > _COMMA and raw[at] != delimiter:
                fresh = False  # digits and letters: neither quote nor blank
                at += 1
            while at < stop:
                byte = raw[at]
                if quoted:
                    quoted = byte != _QUOTE
                elif byte == delimiter:
                    break
                elif byte == _QUOTE:
                    quoted = fresh or raw[at - 1] == _QUOTE
                    fresh = False
                elif byte != _BLANK:
                    fresh = False
                at += 1
            last = at
            at += 1
            if kind == 0:
                continue
            first, last = _trimmed(raw, first, last)
            slot = slots[column]
            if kind == NUMBER:
                value, state, ahead = read_number(raw, first, last, decimal)
                if ahead != last:
                    state = FAILED
                if state == FAILED:
                    value = np.nan
                    if _is_missing(raw, first, last, missing):
                        counts[column, EMPTY] += 1
                    else:
                        counts[column, FAILED] += 1
                elif state == FRACTIONS:
                    counts[column, FRACTIONS] += 1
                numbers[slot, row] = value
            else:
                if kind == MOMENT:
                    moment, state = read_moment(raw, first, last)
                else:
                    moment, state = read_written(raw, first, last)
                if state == FAILED and _is_missing(raw, first, last, missing):
                    state = EMPTY
                counts[column, state] += 1
                moments[slot, row] = moment


@njit(cache=True, nogil=True, error_model="numpy")
def _trimmed(raw, first, last):
    """Return a cell without blanks and without the quotes around it."""
    for _ in range(2):
        while first < last and (raw[first] == _BLANK or raw[first] == _TAB):
            first += 1
        while last > first and (
            raw[last - 1] == _BLANK or raw[last - 1] == _TAB or raw[last - 1] == _RETURN
        ):
            last -= 1
        if last - first >= 2 and raw[first] == _QUOTE and raw[last - 1] == _QUOTE:
            first += 1
            last -= 1
    return first, last


@njit(cache=True, nogil=True, error_model="numpy")
def _is_missing(raw, first, last, missing):
    length = last - first
    for word in range(missing.shape[0]):
        if missing[word, 0] != length:
            continue
        same = True
        for k in range(length):
            if missing[word, k + 1] != raw[first + k]:
                same = False
                break
        if same:
            return True
    return False


@njit(cache=True, nogil=True, error_model="numpy")
def read_number(raw, first, last, decimal):
    """Return the number some bytes begin with, what it is, and the byte after it.

    It is FAILED, FRACTIONS, or -1 for a whole number. Correctly rounded up to 15
    digits, within two units of the last place beyond.
    """
    at = first
    negative = False
    if at < last and (raw[at] == _MINUS or raw[at] == _PLUS):
        negative = raw[at] == _MINUS
        at += 1
    whole = np.int64(0)
    begin = at
    while at < last and _ZERO <= raw[at] <= _NINE:
        if whole < _FULL:
            whole = whole * 10 + np.int64(raw[at] - _ZERO)
        at += 1
    digits = at - begin
    power = 0
    fraction = at < last and raw[at] == decimal
    if fraction:
        at += 1
        after = at
        while at < last and _ZERO <= raw[at] <= _NINE:
            if whole < _FULL:
                whole = whole * 10 + np.int64(raw[at] - _ZERO)
            at += 1
        power = after - at
        digits += at - after
    if digits > 18:  # too long for an integer: once more, with care
        whole, power = _long_digits(raw, begin, at)
    if digits == 0:
        return _infinite(raw, at, last, negative)
    if not fraction and (whole > _EXACT or power > 0):
        return np.nan, FAILED, at
    if at < last and (raw[at] == _SMALL_E or raw[at] == _BIG_E):
        at += 1
        below = False
        if at < last and (raw[at] == _MINUS or raw[at] == _PLUS):
            below = raw[at] == _MINUS
            at += 1
        start = at
        exponent = np.int64(0)
        while at < last and _ZERO <= raw[at] <= _NINE:
            if exponent < 1000:
                exponent = exponent * 10 + np.int64(raw[at] - _ZERO)
            at += 1
        if at == start:
            return np.nan, FAILED, at
        power += int(-exponent if below else exponent)
        fraction = True
    value = _scaled(np.float64(whole), power)
    return (-value if negative else value), (FRACTIONS if fraction else -1), at


@njit(cache=True, nogil=True, error_model="numpy")
def _long_digits(raw, begin, end):
    """Return the first 18 digits that count and the power of ten they stand at."""
    whole = np.int64(0)
    digits = 0
    power = 0
    fraction = False
    for k in range(begin, end):
        if not (_ZERO <= raw[k] <= _NINE):
            fraction = True
        elif digits < 18:
            whole = whole * 10 + np.int64(raw[k] - _ZERO)
            digits += 1 if whole > 0 else 0
            power -= 1 if fraction else 0
        elif not fraction:
            power += 1
    return whole, power


@njit(cache=True, nogil=True, error_model="numpy")
def _scaled(value, power):
    while power > _POWER and 0.0 < value < np.inf:
        value *= 1e22
        power -= _POWER
    while power < -_POWER and value > 0.0:
        value /= 1e22
        power += _POWER
    if power > 0:
        return value * _TENS[min(power, _POWER)]
    if power < 0:
        return value / _TENS[min(-power, _POWER)]
    return value


@njit(cache=True, nogil=True, error_model="numpy")
def _infinite(raw, at, last, negative):
    """Read "inf" in any case."""
    if last - at == 3:
        one, two, three = raw[at] | 32, raw[at + 1] | 32, raw[at + 2] | 32
        if one == 105 and two == 110 and three == 102:
            return (-np.inf if negative else np.inf), FRACTIONS, last
    return np.nan, FAILED, at


@njit(cache=True, nogil=True, error_model="numpy")
def _two(raw, at, last):
    """Return the number of one or two digits at a byte and where it ends, -1 none."""
    value = -1
    stop = min(at + 2, last)
    while at < stop and _ZERO <= raw[at] <= _NINE:
        value = (0 if value < 0 else value * 10) + int(raw[at]) - _ZERO
        at += 1
    return value, at


@njit(cache=True, nogil=True, error_model="numpy")
def days_from_civil(year, month, day):
    """Return days since 1970-01-01 of a Gregorian day.

    Counted from 1 March, so that the leap day ends the year.
    """
    shifted = year - (1 if month <= 2 else 0)
    era = shifted // 400
    of_era = shifted - era * 400
    of_year = (153 * (month + (-3 if month > 2 else 9)) + 2) // 5 + day - 1
    return (
        era * 146_097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719_468
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _is_day(year, month, day):
    if month < 1 or month > 12 or day < 1:
        return False
    if month == 2:
        leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
        return day <= (29 if leap else 28)
    long_month = (month % 2 == 1) == (month <= 7)
    return day <= (31 if long_month else 30)


@njit(cache=True, nogil=True, error_model="numpy")
def read_moment(raw, first, last):
    """Return microseconds since 1970 and NAIVE, ZONED or FAILED.

    Year first, then month and day with - or /, then T or blanks, the time to the
    minute or finer, then Z, +hh:mm or nothing. A 60th second is a leap second.
    """
    failed = np.int64(NO_MOMENT), FAILED
    if last - first < 8:
        return failed
    if last - first >= 19 and raw[first + 16] == _COLON:
        moment = _full_moment(raw, first)
        if moment != NO_MOMENT:
            return _with_fraction(raw, first + 19, last, moment)
    year = np.int64(0)
    for k in range(first, first + 4):
        if not (_ZERO <= raw[k] <= _NINE):
            return failed
        year = year * 10 + np.int64(raw[k] - _ZERO)
    mark = raw[first + 4]
    if mark != _MINUS and mark != _SLASH:
        return failed
    month, at = _two(raw, first + 5, last)
    if month < 0 or at >= last or raw[at] != mark:
        return failed
    day, at = _two(raw, at + 1, last)
    if day < 0 or not _is_day(year, month, day):
        return failed
    moment = days_from_civil(year, month, day) * np.int64(_DAY_US)
    if at == last:
        return moment, NAIVE
    if raw[at] != _BIG_T and raw[at] != _BLANK:
        return failed
    at += 1
    while at < last and raw[at] == _BLANK:
        at += 1
    hour, at = _two(raw, at, last)
    if hour < 0 or hour > 23 or at >= last or raw[at] != _COLON:
        return failed
    minute, at = _two(raw, at + 1, last)
    if minute < 0 or minute > 59:
        return failed
    moment += (hour * 3600 + minute * 60) * np.int64(1_000_000)
    if at < last and raw[at] == _COLON:
        second, at = _two(raw, at + 1, last)
        if second < 0 or second > 60:
            return failed
        moment += second * np.int64(1_000_000)
        return _with_fraction(raw, at, last, moment)
    return _with_zone(raw, at, last, moment)


@njit(cache=True, nogil=True, error_model="numpy")
def _full_moment(raw, first):
    """Return the moment of 19 bytes as 2026-10-20T15:30:00, else NO_MOMENT."""
    century, year = _pair(raw, first), _pair(raw, first + 2)
    month, day = _pair(raw, first + 5), _pair(raw, first + 8)
    hour, minute = _pair(raw, first + 11), _pair(raw, first + 14)
    second = _pair(raw, first + 17)
    # A minus one in any of them leaves its sign in all together.
    if century | year | month | day | hour | minute | second < 0:
        return np.int64(NO_MOMENT)
    mark, blank = raw[first + 4], raw[first + 10]
    if (mark != _MINUS and mark != _SLASH) or raw[first + 7] != mark:
        return np.int64(NO_MOMENT)
    if (blank != _BIG_T and blank != _BLANK) or raw[first + 13] != _COLON:
        return np.int64(NO_MOMENT)
    year += century * 100
    if not _is_day(year, month, day) or hour > 23 or minute > 59 or second > 60:
        return np.int64(NO_MOMENT)
    seconds = (hour * 60 + minute) * 60 + second
    days = days_from_civil(year, month, day)
    return days * np.int64(_DAY_US) + seconds * np.int64(1_000_000)


@njit(cache=True, nogil=True, error_model="numpy")
def _pair(raw, at):
    """Return the number of two digits, -1 where one is no digit."""
    tens = np.int64(raw[at]) - _ZERO
    ones = np.int64(raw[at + 1]) - _ZERO
    if tens < 0 or tens > 9 or ones < 0 or ones > 9:
        return np.int64(-1)
    return tens * 10 + ones


@njit(cache=True, nogil=True, error_model="numpy")
def _with_fraction(raw, at, last, moment):
    """Add the fraction of the second, finer than a microsecond cut off."""
    if at < last and (raw[at] == _POINT or raw[at] == _COMMA):
        at += 1
        unit = np.int64(100_000)
        while at < last and _ZERO <= raw[at] <= _NINE:
            moment += unit * np.int64(raw[at] - _ZERO)
            unit //= 10
            at += 1
    return _with_zone(raw, at, last, moment)


@njit(cache=True, nogil=True, error_model="numpy")
def _with_zone(raw, at, last, moment):
    while at < last and raw[at] == _BLANK:
        at += 1
    if at == last:
        return moment, NAIVE
    if (raw[at] == _BIG_Z or raw[at] == _SMALL_Z) and at + 1 == last:
        return moment, ZONED
    if raw[at] != _PLUS and raw[at] != _MINUS:
        return np.int64(NO_MOMENT), FAILED
    sign = np.int64(1) if raw[at] == _PLUS else np.int64(-1)
    hours, at = _two(raw, at + 1, last)
    minutes = 0
    if at < last and raw[at] == _COLON:
        at += 1
    if at < last:
        minutes, at = _two(raw, at, last)
    if hours < 0 or hours > 18 or minutes < 0 or minutes > 59 or at != last:
        return np.int64(NO_MOMENT), FAILED
    return moment - sign * (hours * 60 + minutes) * np.int64(60_000_000), ZONED


@njit(cache=True, nogil=True, error_model="numpy")
def read_written(raw, first, last):
    """Return a date as 10/20/2026 or 20.10.26 with or without a time, packed.

    Packed is ((year 100 + first number) 100 + second number) days, and microseconds
    of the day; the state is NAIVE for slashes and dashes and ZONED for dots.
    """
    failed = np.int64(NO_MOMENT), FAILED
    one, at = _two(raw, first, last)
    if one < 0 or at >= last:
        return failed
    mark = raw[at]
    if mark != _POINT and mark != _SLASH and mark != _MINUS:
        return failed
    two, at = _two(raw, at + 1, last)
    if two < 0 or at >= last or raw[at] != mark:
        return failed
    at += 1
    year = np.int64(0)
    begin = at
    while at < last and at < begin + 4 and _ZERO <= raw[at] <= _NINE:
        year = year * 10 + np.int64(raw[at] - _ZERO)
        at += 1
    if at - begin == 2:
        year += 2000
    elif at - begin != 4:
        return failed
    day = (year * 100 + one) * 100 + two
    state = ZONED if mark == _POINT else NAIVE
    begin = at
    while at < last and (raw[at] == _BLANK or raw[at] == _COMMA or raw[at] == _BIG_T):
        at += 1
    if at == last:
        return day * np.int64(_DAY_US), state
    clock = _clock_of_day(raw, at, last) if at > begin else np.int64(-1)
    if clock < 0:
        return failed
    return day * np.int64(_DAY_US) + clock, state


@njit(cache=True, nogil=True, error_model="numpy")
def _clock_of_day(raw, at, last):
    """Return microseconds since midnight of 15:30, 15:30:15.2, 3:30:15 PM; -1 none."""
    hour, at = _two(raw, at, last)
    if hour < 0 or at >= last or raw[at] != _COLON:
        return np.int64(-1)
    minute, at = _two(raw, at + 1, last)
    if minute < 0 or minute > 59:
        return np.int64(-1)
    clock = minute * np.int64(60_000_000)
    if at < last and raw[at] == _COLON:
        second, at = _two(raw, at + 1, last)
        if second < 0 or second > 60:
            return np.int64(-1)
        clock += second * np.int64(1_000_000)
        if at < last and (raw[at] == _POINT or raw[at] == _COMMA):
            at += 1
            unit = np.int64(100_000)
            while at < last and _ZERO <= raw[at] <= _NINE:
                clock += unit * np.int64(raw[at] - _ZERO)
                unit //= 10
                at += 1
    while at < last and raw[at] == _BLANK:
        at += 1
    if at + 1 < last and (raw[at + 1] | 32) == 109:  # AM or PM
        half = raw[at] | 32
        if (half != 97 and half != 112) or at + 2 != last or hour > 12 or hour < 1:
            return np.int64(-1)
        hour = hour % 12 + (12 if half == 112 else 0)
        at += 2
    if at != last or hour > 23:
        return np.int64(-1)
    return clock + hour * np.int64(3_600_000_000)
