"""Shortest ways with bounded curvature between two places with given directions.

L. E. Dubins 1957, American Journal of Mathematics 79:497-516, and A. M. Shkel &
V. Lumelsky 2001, Robotics and Autonomous Systems 34:179-202 (both from memory). Six
words of three pieces each: left or right on the smallest circle, straight on.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

WORDS = 6
LEFT, STRAIGHT, RIGHT = 1.0, 0.0, -1.0


@njit(cache=True)
def dubins_words(east, north, heading, end_heading, radius, kind, length):
    """Fill the three pieces of all six words from (0, 0) to (east, north).

    Headings clockwise from north [rad]. `kind` and `length`, shape (6, 3), take the
    turn of each piece (left 1, straight 0, right -1) and its length [m]; the length of
    a word that does not exist is infinite.
    """
    bearing = math.atan2(north, east)
    d = math.hypot(east, north) / radius
    alpha = _positive(0.5 * math.pi - heading - bearing)
    beta = _positive(0.5 * math.pi - end_heading - bearing)
    sa, sb = math.sin(alpha), math.sin(beta)
    ca, cb = math.cos(alpha), math.cos(beta)
    cab = math.cos(alpha - beta)
    length[:] = np.inf
    kind[0, 0], kind[0, 1], kind[0, 2] = LEFT, STRAIGHT, LEFT
    square = 2.0 + d * d - 2.0 * cab + 2.0 * d * (sa - sb)
    if square >= -1e-9:
        angle = math.atan2(cb - ca, d + sa - sb)
        _set(length, 0, angle - alpha, math.sqrt(max(square, 0.0)), beta - angle)
    kind[1, 0], kind[1, 1], kind[1, 2] = RIGHT, STRAIGHT, RIGHT
    square = 2.0 + d * d - 2.0 * cab + 2.0 * d * (sb - sa)
    if square >= -1e-9:
        angle = math.atan2(ca - cb, d - sa + sb)
        _set(length, 1, alpha - angle, math.sqrt(max(square, 0.0)), angle - beta)
    kind[2, 0], kind[2, 1], kind[2, 2] = LEFT, STRAIGHT, RIGHT
    square = -2.0 + d * d + 2.0 * cab + 2.0 * d * (sa + sb)
    if square >= -1e-9:
        p = math.sqrt(max(square, 0.0))
        angle = math.atan2(-ca - cb, d + sa + sb) - math.atan2(-2.0, p)
        _set(length, 2, angle - alpha, p, angle - beta)
    kind[3, 0], kind[3, 1], kind[3, 2] = RIGHT, STRAIGHT, LEFT
    square = -2.0 + d * d + 2.0 * cab - 2.0 * d * (sa + sb)
    if square >= -1e-9:
        p = math.sqrt(max(square, 0.0))
        angle = math.atan2(ca + cb, d - sa - sb) - math.atan2(2.0, p)
        _set(length, 3, alpha - angle, p, beta - angle)
    kind[4, 0], kind[4, 1], kind[4, 2] = RIGHT, LEFT, RIGHT
    cosine = (6.0 - d * d + 2.0 * cab + 2.0 * d * (sa - sb)) / 8.0
    if abs(cosine) <= 1.0:
        p = _positive(2.0 * math.pi - math.acos(cosine))
        first = alpha - math.atan2(ca - cb, d - sa + sb) + 0.5 * p
        _set(length, 4, first, p, alpha - beta - first + p)
    kind[5, 0], kind[5, 1], kind[5, 2] = LEFT, RIGHT, LEFT
    cosine = (6.0 - d * d + 2.0 * cab + 2.0 * d * (sb - sa)) / 8.0
    if abs(cosine) <= 1.0:
        p = _positive(2.0 * math.pi - math.acos(cosine))
        first = -alpha + math.atan2(cb - ca, d + sa - sb) + 0.5 * p
        _set(length, 5, first, p, beta - alpha - first + p)
    length *= radius


@njit(cache=True)
def dubins_places(heading, radius, kind, length, out):
    """Fill `out`, shape (n, 2), with n places at equal steps along one word.

    The way begins at (0, 0); neither its first nor its last place is among them.
    """
    total = length[0] + length[1] + length[2]
    n = out.shape[0]
    for k in range(n):
        left = total * (k + 1) / (n + 1)
        east, north, theta = 0.0, 0.0, 0.5 * math.pi - heading
        for piece in range(3):
            way = min(left, length[piece])
            left -= way
            if kind[piece] == STRAIGHT:
                east += way * math.cos(theta)
                north += way * math.sin(theta)
            else:
                r = radius / kind[piece]
                turned = theta + way / r
                east += r * (math.sin(turned) - math.sin(theta))
                north += r * (math.cos(theta) - math.cos(turned))
                theta = turned
        out[k, 0], out[k, 1] = east, north


@njit(cache=True)
def _set(length, word, first, straight, last):
    length[word, 0] = _positive(first)
    length[word, 1] = straight
    length[word, 2] = _positive(last)


@njit(cache=True)
def _positive(angle):
    out = angle - 2.0 * math.pi * math.floor(angle / (2.0 * math.pi))
    # A full circle is no way at all; rounding makes it of a straight one.
    return 0.0 if out > 2.0 * math.pi - 1e-6 else out
