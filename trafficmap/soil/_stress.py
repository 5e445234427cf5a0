"""Kernels that add up the stress of small pieces of a patch."""

import math

import numpy as np
from numba import njit, prange


@njit(cache=True)
def patch_sum(along, across, load, depth, nu, at_along, at_across):
    """Vertical stress of many point loads at one point [Pa]."""
    total = 0.0
    for k in range(load.size):
        slant = (
            (along[k] - at_along) ** 2 + (across[k] - at_across) ** 2 + depth * depth
        )
        total += load[k] * slant ** (-0.5 * nu - 1.0)
    return total * nu * depth**nu / (2.0 * math.pi)


@njit(cache=True)
def parabola4_off_axis(zeta, offset, nu, nodes, weights):
    """Stress over peak pressure of a circle of radius 1 with 1 - r^4, at an offset.

    The distance around the ring is summed by the trapezoid rule, which converges
    geometrically for a periodic function; the radius by panels that close in on the
    point, where the integrand is as narrow as the depth.
    """
    edges = np.array(
        [
            0.0,
            offset - 4.0 * zeta,
            offset - zeta,
            offset,
            offset + zeta,
            offset + 4.0 * zeta,
            1.0,
        ]
    )
    edges = np.minimum(np.maximum(edges, 0.0), 1.0)
    power = -0.5 * nu - 1.0
    total = 0.0
    for e in range(edges.size - 1):
        low = edges[e]
        half = 0.5 * (edges[e + 1] - low)
        if half <= 0.0:
            continue
        for k in range(nodes.size):
            r = low + half * (nodes[k] + 1.0)
            base = r * r + offset * offset + zeta * zeta
            swing = 2.0 * r * offset
            narrow = math.sqrt((base - swing) / max(0.5 * swing, 1e-12))
            n = int(min(400.0, max(8.0, math.ceil(14.0 / narrow))))
            ring = 0.5 * ((base - swing) ** power + (base + swing) ** power)
            for j in range(1, n):
                ring += (base - swing * math.cos(math.pi * j / n)) ** power
            ring *= 2.0 * math.pi / n
            total += half * weights[k] * (1.0 - r**4) * r * ring
    return total * nu * zeta**nu / (2.0 * math.pi)


@njit(cache=True, parallel=True)
def parabola4_table(zeta, offset_share, nu, nodes, weights, out):
    """Fill `out` (zeta, offset) with stress over peak pressure.

    Offsets are shares of sqrt(1 + zeta^2), so that the table follows the bulb.
    """
    for i in prange(zeta.size):
        scale = math.sqrt(1.0 + zeta[i] * zeta[i])
        for j in range(offset_share.size):
            out[i, j] = parabola4_off_axis(
                zeta[i], offset_share[j] * scale, nu, nodes, weights
            )


@njit(cache=True, parallel=True)
def track_table(share, piece, across, width, offsets, depths, nu, out):
    """Fill `out` (offset, depth): stress under a track of 1 N, worst along travel.

    `share` is the load share of pieces `piece` metres long; `across` and its places
    split the width evenly.
    """
    n = share.size
    for i in prange(offsets.size):
        reach = np.empty(2 * n)
        for d in range(depths.size):
            z = depths[d]
            for lag in range(2 * n):
                x = lag * piece
                total = 0.0
                for a in range(across.size):
                    y = offsets[i] - across[a]
                    total += (x * x + y * y + z * z) ** (-0.5 * nu - 1.0)
                reach[lag] = total / across.size * nu * z**nu / (2.0 * math.pi)
            worst = 0.0
            for at in range(n):
                here = 0.0
                for k in range(n):
                    here += share[k] * reach[abs(at - k)]
                worst = max(worst, here)
            out[i, d] = worst


@njit(cache=True)
def spline_basis(knots, at, out):
    """Fill the four cubic B-splines that are not 0 at a place; return the first.

    The recurrence of de Boor; beyond the ends the place is drawn to the end.
    """
    at = min(max(at, knots[3]), knots[knots.size - 4])
    span = np.searchsorted(knots[4 : knots.size - 4], at, side="right") + 3
    before = np.zeros(4)
    out[:] = 0.0
    out[0] = 1.0
    for degree in range(1, 4):
        before[:degree] = out[:degree]
        out[0] = 0.0
        for i in range(degree):
            right = knots[span + i + 1]
            left = knots[span + i + 1 - degree]
            if right == left:
                out[i + 1] = 0.0
                continue
            part = before[i] / (right - left)
            out[i] += part * (right - at)
            out[i + 1] = part * (at - left)
    return span - 3


@njit(cache=True)
def lateral_stress(
    load, axis, offsets, depths, radius, nu, zeta_knots, share_knots, coefficients,
    lowest, highest, farthest, out,
):  # fmt: skip
    """Fill `out` (offset, depth) with the stress beside one tyre.

    The stress `axis` [Pa] on the axis times a share: from the spline of its logarithm
    over ln(z/R) and the offset up to `farthest` shares of sqrt(R^2 + z^2) and below
    `highest` radii, as for a point load elsewhere.
    """
    down, beside = np.empty(4), np.empty(4)
    curve = np.empty(share_knots.size - 4)
    for d in range(depths.size):
        depth = depths[d]
        zeta = depth / radius
        if zeta <= highest:
            first = spline_basis(zeta_knots, math.log(max(zeta, lowest)), down)
            for m in range(curve.size):
                curve[m] = 0.0
                for n in range(4):
                    curve[m] += down[n] * coefficients[first + n, m]
        scale = math.hypot(radius, depth)
        for i in range(offsets.size):
            away = offsets[i]
            share = away / scale
            if share > farthest:
                slant = away * away + depth * depth
                out[i, d] = (
                    nu * load * depth**nu / (2.0 * math.pi * slant ** (0.5 * nu + 1.0))
                )
            elif zeta <= highest:
                first = spline_basis(share_knots, share, beside)
                total = 0.0
                for n in range(4):
                    total += beside[n] * curve[first + n]
                out[i, d] = axis[d] * math.exp(total)
            else:
                out[i, d] = axis[d] * (1.0 + (away / depth) ** 2) ** (-0.5 * nu - 1.0)
