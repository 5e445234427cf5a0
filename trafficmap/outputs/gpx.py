"""Stops as GPX, for a phone or a hand-held receiver: points and the way past them."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.sax.saxutils import escape, quoteattr

if TYPE_CHECKING:
    from collections.abc import Sequence

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<gpx version="1.1" creator="trafficmap" '
    'xmlns="http://www.topografix.com/GPX/1/1">\n'
)


def gpx(
    name: str,
    *,
    longitude: Sequence[float],
    latitude: Sequence[float],
    names: Sequence[str],
    told: Sequence[str],
) -> str:
    """Return GPX 1.1 with one waypoint a stop and one route past all of them.

    Parameters
    ----------
    name : str
        Of the route.
    longitude, latitude : sequence of float
        On WGS 84, in walking order. [deg]
    names, told : sequence of str
        What a device shows at the point, and what it says about it.

    Notes
    -----
    Elements stand in the order the schema of GPX 1.1 asks for: lat and lon as
    attributes, name before desc; waypoints before routes. No time is written: nobody
    has been there yet.
    """
    rows = list(zip(longitude, latitude, names, told, strict=True))
    lines = [_HEAD, f"<metadata><name>{escape(name)}</name></metadata>\n"]
    lines += [_point("wpt", *row) for row in rows]
    lines.append(f"<rte><name>{escape(name)}</name>\n")
    lines += [_point("rtept", *row) for row in rows]
    lines.append("</rte>\n</gpx>\n")
    return "".join(lines)


def _point(tag: str, longitude: float, latitude: float, name: str, told: str) -> str:
    place = f"lat={quoteattr(f'{latitude:.7f}')} lon={quoteattr(f'{longitude:.7f}')}"
    return (
        f"<{tag} {place}><name>{escape(name)}</name>"
        f"<desc>{escape(told)}</desc></{tag}>\n"
    )
