"""Kernels of cleaning: clock order, jumps, smoothing, standing."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True)
def longest_in_order(seconds, keep):
    """Mark the most fixes whose clock never runs backward."""
    n = seconds.size
    tail = np.empty(n, dtype=np.int64)  # last fix of the best run of each length
    before = np.empty(n, dtype=np.int64)
    length = 0
    for k in range(n):
        low, high = 0, length
        while low < high:
            middle = (low + high) // 2
            if seconds[tail[middle]] <= seconds[k]:
                low = middle + 1
            else:
                high = middle
        before[k] = tail[low - 1] if low > 0 else -1
        tail[low] = k
        length = max(length, low + 1)
    keep[:] = False
    k = tail[length - 1] if length > 0 else -1
    while k >= 0:
        keep[k] = True
        k = before[k]


@njit(cache=True)
def drop_jumps(seconds, easting, northing, limit, slack, longest, keep):
    """Unmark stretches that jump away from what is before and after them.

    The log is cut at every step faster than `limit`. Of the stretches between, the
    set with the most fixes is kept in which each can be reached from the one before;
    two that both last longer than `longest` may stand side by side all the same: a
    receiver that shifts for good is a cut, not dirt.
    """
    n = seconds.size
    edge = np.empty(n + 1, dtype=np.int64)
    m = 0
    for k in range(n):
        if k == 0 or not _linked(seconds, easting, northing, k - 1, k, limit, slack):
            edge[m] = k
            m += 1
    edge[m] = n
    if m < 2:
        return
    best = np.empty(m, dtype=np.int64)
    before = np.full(m, -1, dtype=np.int64)
    lasts = np.empty(m, dtype=np.bool_)
    last_long = -1
    for j in range(m):
        a, b = edge[j], edge[j + 1]
        lasts[j] = seconds[b - 1] - seconds[a] > longest
        best[j] = b - a
        # Most dirt is a fix or two; a longer look back would not be linear.
        for i in range(j - 1, max(-1, j - 33), -1):
            if best[i] + b - a > best[j] and (
                (lasts[i] and lasts[j])
                or _linked(seconds, easting, northing, edge[i + 1] - 1, a, limit, slack)
            ):
                best[j], before[j] = best[i] + b - a, i
        if lasts[j]:
            if last_long >= 0 and best[last_long] + b - a > best[j]:
                best[j], before[j] = best[last_long] + b - a, last_long
            last_long = j
    keep[:] = False
    j = int(np.argmax(best))
    while j >= 0:
        keep[edge[j] : edge[j + 1]] = True
        j = before[j]


@njit(cache=True)
def _linked(seconds, easting, northing, a, b, limit, slack):
    step = math.hypot(easting[b] - easting[a], northing[b] - northing[a])
    return step <= limit * (seconds[b] - seconds[a]) + slack


@njit(cache=True)
def drop_held_places(seconds, easting, northing, slowest, longest, keep):
    """Unmark fixes that repeat the place before although the machine moves.

    A receiver that misses a beat sends the last place again; the fix after it then
    makes up the way. Repeats that last longer than `longest` are standing.
    """
    n = seconds.size
    k = 1
    while k < n:
        if easting[k] != easting[k - 1] or northing[k] != northing[k - 1]:
            k += 1
            continue
        first = k
        while (
            k < n
            and easting[k] == easting[first - 1]
            and northing[k] == northing[first - 1]
        ):
            k += 1
        if k == n or seconds[k] - seconds[first - 1] > longest:
            continue
        way = math.hypot(
            easting[k] - easting[first - 1], northing[k] - northing[first - 1]
        )
        if way > slowest * (seconds[k] - seconds[first - 1]):
            for i in range(first, k):
                keep[i] = False


@njit(cache=True)
def smooth_track(seconds, starts, sigma, density, place, out):
    """Smooth one coordinate pair by a constant-velocity filter, there and back.

    State: place and speed along each axis, driven by white acceleration of spectral
    density `density` [m2/s3]; `sigma` [m] is the error of a fix. Nothing passes over
    a start. Rauch, Tung & Striebel 1965, AIAA Journal 3:1445-1450 (from memory).
    """
    n = seconds.size
    speed = np.empty((n, 2))
    ahead = np.empty((n, 5))  # predicted place, place, p00, p01, p11
    ahead_speed = np.empty((n, 2))
    p = np.empty((n, 3))  # filtered p00, p01, p11
    r = sigma * sigma
    for k in range(n):
        if starts[k]:
            for axis in range(2):
                out[k, axis] = place[k, axis]
                speed[k, axis] = 0.0
            p[k, 0], p[k, 1], p[k, 2] = r, 0.0, 1e4  # 100 m/s: speed not known
            continue
        dt = seconds[k] - seconds[k - 1]
        q = density * dt
        p00 = p[k - 1, 0] + dt * (2.0 * p[k - 1, 1] + dt * p[k - 1, 2])
        p00 += q * dt * dt / 3.0
        p01 = p[k - 1, 1] + dt * p[k - 1, 2] + q * dt / 2.0
        p11 = p[k - 1, 2] + q
        ahead[k, 2], ahead[k, 3], ahead[k, 4] = p00, p01, p11
        gain = p00 / (p00 + r)
        gain_speed = p01 / (p00 + r)
        for axis in range(2):
            guess = out[k - 1, axis] + dt * speed[k - 1, axis]
            miss = place[k, axis] - guess
            ahead[k, axis] = guess
            ahead_speed[k, axis] = speed[k - 1, axis]
            out[k, axis] = guess + gain * miss
            speed[k, axis] = speed[k - 1, axis] + gain_speed * miss
        p[k, 0] = (1.0 - gain) * p00
        p[k, 1] = (1.0 - gain) * p01
        p[k, 2] = p11 - gain_speed * p01
    for k in range(n - 2, -1, -1):
        if starts[k + 1]:
            continue
        dt = seconds[k + 1] - seconds[k]
        a00, a01, a11 = ahead[k + 1, 2], ahead[k + 1, 3], ahead[k + 1, 4]
        det = a00 * a11 - a01 * a01
        if det <= 0.0:
            continue
        # P F' of the filtered state, times the inverse of the predicted spread.
        b00, b01 = p[k, 0] + dt * p[k, 1], p[k, 1]
        b10, b11 = p[k, 1] + dt * p[k, 2], p[k, 2]
        c00 = (b00 * a11 - b01 * a01) / det
        c01 = (b01 * a00 - b00 * a01) / det
        c10 = (b10 * a11 - b11 * a01) / det
        c11 = (b11 * a00 - b10 * a01) / det
        for axis in range(2):
            miss = out[k + 1, axis] - ahead[k + 1, axis]
            miss_speed = speed[k + 1, axis] - ahead_speed[k + 1, axis]
            out[k, axis] += c00 * miss + c01 * miss_speed
            speed[k, axis] += c10 * miss + c11 * miss_speed


@njit(cache=True)
def find_still(seconds, starts, place, window, slowest, smallest, still):
    """Mark fixes of windows throughout which the machine stays in one spot.

    A window reaches `window` before and after a fix, and at least to its neighbours;
    all its fixes lie within `slowest` times half its span of their mean, or within
    `smallest`. A machine that turns back on itself leaves the spot and is not still.
    `still` comes cleared.

    How far a window reaches is asked in eight directions (an octagon about the
    circle, 8 % wider at its corners): the farthest fix each way is kept in a queue
    while the window slides, so a fix costs the same however many lie in a window.
    """
    n = seconds.size
    total = np.zeros((n + 1, 2))
    for k in range(n):
        for axis in range(2):
            total[k + 1, axis] = total[k, axis] + place[k, axis] - place[0, axis]
    # Queues of fixes by direction, farthest first; all share the window's two ends.
    queue = np.empty((8, n), dtype=np.int64)
    head = np.zeros(8, dtype=np.int64)
    tail = np.zeros(8, dtype=np.int64)
    east, north = np.empty(8), np.empty(8)
    for d in range(8):
        east[d], north[d] = math.sin(d * math.pi / 4), math.cos(d * math.pi / 4)
    piece_first, piece_end = 0, 0
    low, high, queued, marked = 0, 0, 0, 0
    for k in range(n):
        if k == piece_end:
            piece_first = k
            piece_end = k + 1
            while piece_end < n and not starts[piece_end]:
                piece_end += 1
            low, high, queued = k, k, k
            head[:], tail[:] = 0, 0
        while seconds[k] - seconds[low] > window:
            low += 1
        high = max(high, k)
        while high + 1 < piece_end and seconds[high + 1] - seconds[k] <= window:
            high += 1
        a = max(piece_first, min(low, k - 1))
        b = min(piece_end - 1, max(high, k + 1))
        size = b - a + 1
        span = max(window, 0.5 * (seconds[b] - seconds[a]))
        reach = max(smallest, slowest * span)
        mx = place[0, 0] + (total[b + 1, 0] - total[a, 0]) / size
        my = place[0, 1] + (total[b + 1, 1] - total[a, 1]) / size
        inside = True
        for d in range(8):
            for j in range(queued, b + 1):
                far = east[d] * place[j, 0] + north[d] * place[j, 1]
                while tail[d] > head[d]:
                    i = queue[d, tail[d] - 1]
                    if east[d] * place[i, 0] + north[d] * place[i, 1] > far:
                        break
                    tail[d] -= 1
                queue[d, tail[d]] = j
                tail[d] += 1
            while queue[d, head[d]] < a:
                head[d] += 1
            i = queue[d, head[d]]
            if east[d] * (place[i, 0] - mx) + north[d] * (place[i, 1] - my) > reach:
                inside = False
        queued = max(queued, b + 1)
        if inside:
            # What an earlier window marked stays so; each fix is written once.
            for j in range(max(a, marked), b + 1):
                still[j] = True
            marked = b + 1


@njit(cache=True)
def hold_still(seconds, starts, shortest, place, still):
    """Put all fixes of a stay on their mean; unmark stays shorter than `shortest`."""
    n = seconds.size
    k = 0
    while k < n:
        if not still[k]:
            k += 1
            continue
        end = k + 1
        while end < n and still[end] and not starts[end]:
            end += 1
        if seconds[end - 1] - seconds[k] < shortest:
            still[k:end] = False
        else:
            for axis in range(2):
                mean = place[k:end, axis].mean()
                place[k:end, axis] = mean
        k = end
