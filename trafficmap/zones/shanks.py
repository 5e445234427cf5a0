"""How deep shanks can go before they smear instead of lift."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trafficmap.field.model import Tool

_WING_FACTOR = 1.3  # a winged foot counts wider; the low end of 1.3 to 1.5, choice


def critical_depth(
    foot_width: float, *, winged: bool, wet: bool = False
) -> tuple[float, float]:
    """Depth [m] below which a tine smears and compacts instead of lifting.

    Five to seven times the foot width; three to four times as a guard in wet soil (a
    choice, the depth shrinks sharply there).

    Parameters
    ----------
    foot_width : float
        [m]
    winged : bool
        Counts the foot 1.3 times wider.
    wet : bool

    References
    ----------
    .. [1] Soil Management Handbook, B.C. Ministry of Agriculture and Lands, 4.3.1;
       G. Spoor & R. J. Godwin (1978), J. Agric. Eng. Res. 23:243-258 (from memory).

    Examples
    --------
    >>> [round(depth, 3) for depth in critical_depth(0.075, winged=False)]
    [0.375, 0.525]
    """
    wide = foot_width * (_WING_FACTOR if winged else 1.0)
    low, high = (3.0, 4.0) if wet else (5.0, 7.0)
    return low * wide, high * wide


def deepest_lift(tool: Tool | None, *, widths: float) -> float:
    """Return the deepest tip at which the shanks of a tool still lift [m].

    Parameters
    ----------
    tool : Tool or None
    widths : float
        In widths of the foot, ``settings.zones.critical_widths``.

    Returns
    -------
    float
        Infinite where no tool or no foot width is known: then somebody has to dig.
    """
    if tool is None or tool.foot_width is None:
        return math.inf
    return widths * tool.foot_width * (_WING_FACTOR if tool.winged else 1.0)
