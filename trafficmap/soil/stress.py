"""Vertical stress in the soil under a loaded patch: closed forms and their inverse.

All for a half space with concentration factor nu (3 elastic, 4 to 5 firm soil, 6 soft
and wet), after Fröhlich 1934, Druckverteilung im Baugrunde, Springer, Vienna (form
from memory): nothing here knows of layers.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

from trafficmap.core.errors import ModelRangeError
from trafficmap.soil._stress import patch_sum

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_FAR = 100.0
"""Depth over radius beyond which a patch acts as a point (error below 0.02 %)."""


def nu_by_texture(sand: float, clay: float) -> float:
    """Return the concentration factor for the mean texture of the top 0.5 m.

    4 from 30 % clay, 5 for less than 20 % clay with half sand or more, else 4.5, also
    where the texture is not known. A choice between the 4 (clay) and 5 (sandy loam)
    that fitted measured displacement best [1]_; may lie between 4 and 6.

    Parameters
    ----------
    sand, clay : float
        Mass fractions; NaN for not known. [kg/kg]

    Returns
    -------
    float

    References
    ----------
    .. [1] D. Ansorge (2007), PhD thesis, Cranfield University.
    """
    if clay >= 0.30:
        return 4.0
    if clay < 0.20 and sand >= 0.50:
        return 5.0
    return 4.5


def vertical_stress_point(load, depth, *, radius, nu):
    """Vertical stress below a point load.

    Parameters
    ----------
    load : float or ndarray
        Point load, 0 or more. [N]
    depth : float or ndarray
        Depth, above 0. [m]
    radius : float or ndarray
        Distance beside the load, along the ground. [m]
    nu : float
        Concentration factor, above 2. [1]

    Returns
    -------
    float or ndarray
        Vertical stress. [Pa]
    """
    slant = radius * radius + depth * depth
    return nu * load * depth**nu / (2.0 * math.pi * slant ** (0.5 * nu + 1.0))


def vertical_stress_uniform_circle(pressure, depth, *, radius, nu):
    """Vertical stress under the centre of a uniformly loaded circle.

    Parameters
    ----------
    pressure : float or ndarray
        Pressure on the circle, 0 or more. [Pa]
    depth, radius : float or ndarray
        Depth, 0 or more; radius of the circle, above 0. [m]
    nu : float
        Concentration factor, above 2. [1]

    Returns
    -------
    float or ndarray
        Vertical stress, from 0 to `pressure`. [Pa]

    Examples
    --------
    >>> round(float(vertical_stress_uniform_circle(1.0, 1.0, radius=1.0, nu=3)), 6)
    0.646447
    """
    return pressure * _one_minus_cosine(depth, radius, nu)


def vertical_stress_parabola2(mean_pressure, depth, *, radius, nu):
    """Vertical stress under the centre of a circle with p0 (1 - (r/R)^2), p0 = 2 p_m.

    Parameters and result as in `vertical_stress_parabola4`; for soft soil.
    """
    zeta = np.asarray(depth, dtype=np.float64) / radius
    near = np.minimum(zeta, _FAR)
    inner = 2.0 / (nu - 2.0) * near**2 * _one_minus_cosine(near, 1.0, nu - 2.0)
    stress = 2.0 * mean_pressure * (1.0 - inner)
    return np.where(zeta > _FAR, _as_point(mean_pressure, depth, radius, nu), stress)


def vertical_stress_parabola4(mean_pressure, depth, *, radius, nu):
    """Vertical stress under the centre of a circle with p0 (1 - (r/R)^4), p0 = 1.5 p_m.

    The form of pressure below a tyre on firm soil after Söhne 1953 (from memory); the
    factor 1.5 follows from equilibrium.

    Parameters
    ----------
    mean_pressure : float or ndarray
        Load over area, 0 or more. [Pa]
    depth, radius : float or ndarray
        Depth, 0 or more; radius of the circle, above 0. [m]
    nu : float
        Concentration factor, above 2; 4 needs no case of its own. [1]

    Returns
    -------
    float or ndarray
        Vertical stress, from 0 to 1.5 times `mean_pressure`. [Pa]

    Examples
    --------
    >>> round(float(vertical_stress_parabola4(1.0, 1.0, radius=1.0, nu=4)) / 1.5, 6)
    0.613706
    """
    zeta = np.asarray(depth, dtype=np.float64) / radius
    near = np.minimum(zeta, _FAR)
    first = _one_minus_cosine(near, 1.0, nu)
    second = nu / (nu - 2.0) * near**2 * _one_minus_cosine(near, 1.0, nu - 2.0)
    third = nu * near**4 * _quarter_term(near, nu)
    stress = first - (third - 2.0 * near**2 * second + near**4 * first)
    stress = 1.5 * mean_pressure * np.where(near > 0.0, stress, 1.0)
    return np.where(zeta > _FAR, _as_point(mean_pressure, depth, radius, nu), stress)


def vertical_stress_strip(pressure, depth, *, width, offset=0.0, nu):
    """Vertical stress below a uniform strip without end.

    Parameters
    ----------
    pressure : float
        Pressure on the strip. [Pa]
    depth : float
        Depth, above 0. [m]
    width : float
        Width of the strip. [m]
    offset : float
        Distance of the point from the middle line of the strip. [m]
    nu : float
        Concentration factor, above 2. [1]

    Returns
    -------
    float
        Vertical stress. [Pa]
    """
    low = math.atan((offset - width / 2) / depth)
    high = math.atan((offset + width / 2) / depth)
    half = 0.5 * (high - low)
    angles = low + half * (_NODES + 1.0)
    integral = half * float(np.sum(_WEIGHTS * np.cos(angles) ** (nu - 1.0)))
    factor = math.gamma((nu + 1) / 2) / (math.sqrt(math.pi) * math.gamma(nu / 2))
    return pressure * factor * integral


def vertical_stress_rectangle_corner(pressure, depth, *, length, width, nu):
    """Vertical stress below the corner of a uniform rectangle.

    Any other point follows by adding and subtracting corners. For nu = 3 this is the
    chart of Newmark.

    Parameters
    ----------
    pressure : float
        Pressure on the rectangle. [Pa]
    depth : float
        Depth, above 0. [m]
    length, width : float
        Sides, above 0. [m]
    nu : float
        Concentration factor, above 2. [1]

    Returns
    -------
    float
        Vertical stress. [Pa]
    """
    turn = math.atan2(width, length)
    total = 0.0
    for side, angle in ((length, turn), (width, math.pi / 2 - turn)):
        u = 0.5 * angle * (_NODES + 1.0)
        reach = side / (depth * np.cos(u))
        value = -np.expm1(-0.5 * nu * np.log1p(reach * reach))
        total += 0.5 * angle * float(np.sum(_WEIGHTS * value))
    return pressure / (2.0 * math.pi) * total


def vertical_stress_rectangle(pressure, depth, *, length, width, point=(0.0, 0.0), nu):
    """Vertical stress at any point below a uniform rectangle.

    The sum of four corners, those beyond the point taken away.

    Parameters
    ----------
    pressure : float
        Pressure on the rectangle. [Pa]
    depth : float
        Depth, above 0. [m]
    length, width : float
        Sides, above 0. [m]
    point : tuple of float
        Where from the middle, along the length and across. [m]
    nu : float
        Concentration factor, above 2. [1]

    Returns
    -------
    float
        Vertical stress. [Pa]

    Examples
    --------
    >>> middle = vertical_stress_rectangle(1.0, 0.5, length=1.9, width=0.635, nu=5)
    >>> round(middle, 3)
    0.782
    """
    total = 0.0
    for along in (0.5 * length - point[0], 0.5 * length + point[0]):
        for across in (0.5 * width - point[1], 0.5 * width + point[1]):
            if along == 0.0 or across == 0.0:
                continue
            sign = math.copysign(1.0, along) * math.copysign(1.0, across)
            total += sign * vertical_stress_rectangle_corner(
                pressure, depth, length=abs(along), width=abs(across), nu=nu
            )
    return total


def vertical_stress_patch(along, across, load, *, depth, nu, point=(0.0, 0.0)):
    """Vertical stress below any patch, as the sum over its small pieces.

    Pieces should be no larger than a sixteenth of the radius of the patch and half
    the depth.

    Parameters
    ----------
    along, across : ndarray, shape (n,)
        Centres of the pieces. [m]
    load : ndarray, shape (n,)
        Load of each piece. [N]
    depth : float
        Depth, above 0. [m]
    nu : float
        Concentration factor, above 2. [1]
    point : tuple of float
        Where, along and across. [m]

    Returns
    -------
    float
        Vertical stress. [Pa]
    """
    return patch_sum(
        np.ascontiguousarray(along, dtype=np.float64),
        np.ascontiguousarray(across, dtype=np.float64),
        np.ascontiguousarray(load, dtype=np.float64),
        float(depth),
        float(nu),
        float(point[0]),
        float(point[1]),
    )


def carrying_capacity(strength, depth, *, pressure, nu, shape="parabola4"):
    """Return the largest load of one wheel whose stress stays within the strength.

    Parameters
    ----------
    strength : float
        Strength of the soil at `depth`. [Pa]
    depth : float
        Depth, above 0. [m]
    pressure : float
        Mean contact pressure, above 0. [Pa]
    nu : float
        Concentration factor, above 2. [1]
    shape : {"parabola4", "uniform"}
        How the pressure is spread over the patch.

    Returns
    -------
    float
        Load; infinite where the strength is not below the peak pressure. [N]

    Raises
    ------
    ModelRangeError
        Depth, pressure or nu out of range.
    """
    require_wheel(0.0, pressure, nu)
    if not depth > 0.0:
        msg = f"depth: got {depth:g} m, need more than 0 m, positive down."
        raise ModelRangeError(msg, "give the depth of the layer to be spared")
    if not strength > 0.0:
        return 0.0 if strength <= 0.0 else math.nan
    peak = pressure if shape == "uniform" else 1.5 * pressure
    if peak <= strength:
        return math.inf
    if shape == "uniform":
        radius = depth * math.sqrt((1.0 - strength / pressure) ** (-2.0 / nu) - 1.0)
        return pressure * math.pi * radius**2

    def excess(log_radius: float) -> float:
        radius = math.exp(log_radius)
        found = vertical_stress_parabola4(pressure, depth, radius=radius, nu=nu)
        return float(found) - strength

    low, high = math.log(depth * 1e-4), math.log(depth * 1e4)
    if excess(high) <= 0.0:
        return math.inf
    radius = math.exp(brentq(excess, low, high, xtol=1e-12))
    return pressure * math.pi * radius**2


def require_wheel(load: float, pressure: float, nu: float) -> None:
    """Refuse a wheel the equations do not hold for.

    Raises
    ------
    ModelRangeError
        A negative load, a pressure not above 0, or nu not above 2.
    """
    if not load >= 0.0:
        msg = f"wheel load: got {load:g} N, need 0 N or more."
        raise ModelRangeError(msg, "check the axle loads of that machine")
    if not pressure > 0.0:
        msg = f"pressure: got {pressure:g} Pa, need more than 0 Pa."
        raise ModelRangeError(msg, "check the tyre pressure of that machine")
    if not nu > 2.0:
        msg = f"nu: got {nu:g}, need a concentration factor above 2, usually 4 to 6."
        raise ModelRangeError(msg, "leave soil.nu out of the settings")


def _log_slope(depth, radius):
    """Return ln(1/c), c = z / sqrt(z^2 + R^2), without losing digits."""
    depth = np.maximum(np.asarray(depth, dtype=np.float64), 1e-140)
    return 0.5 * np.log1p((radius / depth) ** 2)


def _one_minus_cosine(depth, radius, power):
    """Return 1 - c^power."""
    return -np.expm1(-power * _log_slope(depth, radius))


def _quarter_term(zeta, nu):
    """Return (1 - c^(nu-4)) / (nu-4), exact through nu = 4."""
    slope = _log_slope(zeta, 1.0)
    x = np.asarray((nu - 4.0) * slope)
    small = np.abs(x) < 1e-12
    ratio = np.where(small, 1.0 - 0.5 * x, -np.expm1(-x) / np.where(small, 1.0, x))
    return slope * ratio


def _as_point(mean_pressure, depth, radius, nu):
    """Return the stress below the whole load drawn together in one point."""
    far = np.maximum(np.asarray(depth, dtype=np.float64), 1e-140)
    return 0.5 * nu * mean_pressure * (radius / far) ** 2
