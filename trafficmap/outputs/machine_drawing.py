"""A machine seen from above, drawn to scale, so that a wrong wheel place shows."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Any

from trafficmap.formats._files import write_text
from trafficmap.machines.describe import load_words
from trafficmap.machines.model import Machine
from trafficmap.machines.statics import empty_cg, payload_cg
from trafficmap.machines.validate import DENSITY_MAIZE, axle_report
from trafficmap.machines.wheels import wheel_spots
from trafficmap.outputs.inks import LIGHT

SCALE = 44.0
"""Dots on paper a metre."""

FIVE_FEET = 1.524
_EDGE = 1.4
_HEAD = 74.0
_LEAST_WIDE = 600.0
_FOOT = 64.0
_HEADER_WIDE = 3.0
"""Width drawn for an attachment that does not tell its own [m]."""

_FONT = "system-ui, sans-serif"


@dataclass
class _Sheet:
    """The drawing as it grows: places ahead and right [m] become dots on paper."""

    ahead_low: float
    right_low: float
    parts: list[str] = field(default_factory=list)

    def at(self, ahead: float, right: float) -> tuple[float, float]:
        """Return dots from the left and from the top; the front is to the right."""
        return (
            (ahead - self.ahead_low) * SCALE,
            _HEAD + (right - self.right_low) * SCALE,
        )

    def line(self, a, b, *, ink="text", width=1.0, dash="") -> None:
        (x1, y1), (x2, y2) = self.at(*a), self.at(*b)
        style = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" '
            f'stroke="{LIGHT[ink]}" stroke-width="{width:g}"{style}/>'
        )

    def ring(self, place, radius: float, *, fill="none") -> None:
        x, y = self.at(*place)
        self.parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" fill="{fill}" '
            f'stroke="{LIGHT["text"]}" stroke-width="1.5"/>'
        )

    def words(self, place, text: str, *, size=13, anchor="middle", shift=0.0) -> None:
        x, y = self.at(*place)
        self.raw_words(x, y + shift, text, size=size, anchor=anchor)

    def raw_words(self, x, y, text, *, size=13, anchor="middle", ink="text") -> None:
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-family="{_FONT}" font-size="{size}" '
            f'text-anchor="{anchor}" fill="{LIGHT[ink]}" paint-order="stroke" '
            f'stroke="{LIGHT["paper"]}" stroke-width="3">{escape(text)}</text>'
        )


def machine_svg(machine: Machine, *, units: str = "metric") -> str:
    """Return a drawing of a machine from above, to scale, as SVG text.

    Wheels and tracks have their nominal width and diameter or length on the ground;
    each is a ``<rect class="wheel">`` with ``data-ahead`` and ``data-right``, its place
    from the first body's reference axle [m]. Under each axle stands what it carries
    empty and full, header on and tools lifted.

    Parameters
    ----------
    machine : Machine
    units : str
        metric or us.
    """
    origins = _origins(machine)
    spots = wheel_spots(machine)
    low, high, half = _box(machine, origins)
    sheet = _Sheet(low, -half)
    width, height = (high - low) * SCALE, _HEAD + 2 * half * SCALE + _FOOT
    _paper(sheet, (low, high), half, step=_step(units))
    for body, origin in zip(machine.bodies, origins, strict=True):
        _frame(sheet, body, origin)
        for item in body.attachments:
            wide = 0.5 * (item.width_m or _HEADER_WIDE)
            place = origin + item.cg_x
            dash = "" if item.width_m else "6 4"
            sheet.line((place, -wide), (place, wide), width=5, ink="fact-2", dash=dash)
            sheet.words((place, wide), item.name, shift=16)
    for spot in spots:
        _wheel(sheet, spot, origins[spot.body])
    _marks(sheet, machine, origins)
    _axle_words(sheet, machine, origins, half, units)
    sheet.raw_words(8, 22, machine.label or machine.id, size=17, anchor="start")
    sheet.raw_words(width - 8, 22, "front this way \N{RIGHTWARDS ARROW}", anchor="end")
    _scale_bar(sheet, units)
    inside = "\n".join(sheet.parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} '
        f'{height:.0f}" width="{width:.0f}" height="{height:.0f}" role="img">\n'
        f"<title>{escape(machine.label or machine.id)}, from above</title>\n"
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="{LIGHT["paper"]}"/>\n'
        f"{inside}\n</svg>\n"
    )


def write_drawings(
    machines: dict[str, Machine], folder: Path, *, units: str = "metric"
) -> list[Path]:
    """Write one drawing a machine into a folder and return their paths.

    Raises
    ------
    OutputError
        The disk is full, read-only, or the place is not permitted.
    """
    out = []
    for name, machine in machines.items():
        safe = "".join(c if c.isalnum() or c in "-_" else "_" for c in name)
        path = Path(folder) / f"machine_{safe}.svg"
        out.append(write_text(path, machine_svg(machine, units=units)))
    return out


def _origins(machine: Machine) -> list[float]:
    """Return the origin of each body ahead of the first one's, all in line [m]."""
    out = [0.0]
    for hitch, body in zip(machine.hitches, machine.bodies[1:], strict=True):
        arm = body.coupling.x if body.coupling else 0.0
        out.append(out[-1] + hitch.x - arm)
    return out


def _box(machine: Machine, origins: list[float]) -> tuple[float, float, float]:
    """Return rearmost, foremost and half width of the drawing [m]."""
    ahead, right = [], []
    for spot in wheel_spots(machine):
        contact = spot.axle.contacts[spot.contact]
        half = 0.5 * _long(contact)
        ahead += [origins[spot.body] + spot.axle.x + side * half for side in (-1, 1)]
        right.append(abs(spot.right) + 0.5 * contact.section_width)
    for body, origin in zip(machine.bodies, origins, strict=True):
        ahead += [origin + hitch.x for hitch in body.hitches]
        ahead += [origin + item.cg_x for item in body.attachments]
        right += [0.5 * (item.width_m or _HEADER_WIDE) for item in body.attachments]
        ahead += [origin + body.coupling.x] if body.coupling else []
    ahead.append(machine.antenna.x)
    low, high = min(ahead) - _EDGE, max(ahead) + _EDGE
    more = max(0.0, 0.5 * (_LEAST_WIDE / SCALE - (high - low)))
    return low - more, high + more, max(right) + 0.5 * _EDGE


def _long(contact) -> float:
    """Length of a wheel or track seen from above [m]."""
    if contact.kind == "track":
        return contact.contact_length or 0.0
    return contact.overall_diameter


def _step(units: str) -> float:
    """Distance between the lines of the paper [m]."""
    return FIVE_FEET if units == "us" else 1.0


def _paper(sheet: _Sheet, span: tuple[float, float], half: float, *, step) -> None:
    """Draw lines along and across, counted from the origin, and the centre line."""
    low, high = span
    for k in range(math.ceil(low / step), math.floor(high / step) + 1):
        sheet.line((k * step, -half), (k * step, half), ink="rule", width=0.6)
    for k in range(math.ceil(-half / step), math.floor(half / step) + 1):
        sheet.line((low, k * step), (high, k * step), ink="rule", width=0.6)
    sheet.line((low, 0.0), (high, 0.0), ink="secondary", width=0.8, dash="12 4 2 4")


def _frame(sheet: _Sheet, body, origin: float) -> None:
    """Draw axles as bars and what joins them, the coupling and the hitches."""
    places = [axle.x for axle in body.axles] + [hitch.x for hitch in body.hitches]
    places += [body.coupling.x] if body.coupling else []
    ends = origin + min(places), origin + max(places)
    sheet.line((ends[0], 0.0), (ends[1], 0.0), ink="secondary", width=3)
    for axle in body.axles:
        side = max(0.5 * axle.track_width + c.lateral_offset for c in axle.contacts)
        place = origin + axle.x
        sheet.line((place, -side), (place, side), ink="secondary", width=3)
    for hitch in body.hitches:
        sheet.ring((origin + hitch.x, 0.0), 5, fill=LIGHT["paper"])
    if body.coupling:
        sheet.ring((origin + body.coupling.x, 0.0), 8)


def _wheel(sheet: _Sheet, spot, origin: float) -> None:
    contact = spot.axle.contacts[spot.contact]
    long, wide = _long(contact), contact.section_width
    ahead = origin + spot.axle.x
    x, y = sheet.at(ahead - 0.5 * long, spot.right - 0.5 * wide)
    corner = 10 if contact.kind == "tyre" else 2
    ink = LIGHT["fact-2"] if spot.axle.steered else LIGHT["fact-3"]
    sheet.parts.append(
        f'<rect class="wheel" data-ahead="{ahead:.4f}" data-right="{spot.right:.4f}" '
        f'data-kind="{contact.kind}" x="{x:.1f}" y="{y:.1f}" '
        f'width="{long * SCALE:.1f}" height="{wide * SCALE:.1f}" rx="{corner}" '
        f'fill="{ink}" stroke="{LIGHT["text"]}" stroke-width="1"/>'
    )
    for k in range(contact.rollers if contact.kind == "track" else 0):
        place = ahead - 0.5 * long + (k + 0.5) * long / contact.rollers
        across = (place, spot.right - 0.4 * wide), (place, spot.right + 0.4 * wide)
        sheet.line(*across, ink="paper", width=2)


def _marks(sheet: _Sheet, machine: Machine, origins: list[float]) -> None:
    """Mark the antenna, the centres of mass, and where a load comes in."""
    if machine.bodies[0].coupling is None:
        antenna = machine.antenna
        a, r = antenna.x, antenna.y
        sheet.line((a - 0.22, r), (a + 0.22, r), width=2)
        sheet.line((a, r - 0.22), (a, r + 0.22), width=2)
        sheet.words((a, r), "antenna", shift=-14)
    for body, origin in zip(machine.bodies, origins, strict=True):
        empty = origin + empty_cg(body)
        sheet.ring((empty, 0.0), 4, fill=LIGHT["text"])
        full = body.payload.capacity(DENSITY_MAIZE)
        if body.payload.kind == "none" or not full > 0.0:
            continue
        load = origin + float(payload_cg(body, full, capacity=full))
        sheet.ring((load, 0.0), 6, fill=LIGHT["fact-1"])


def _axle_words(sheet, machine: Machine, origins, half: float, units: str) -> None:
    """Write name and load of each axle under it, every other one a line lower."""
    rows = axle_report(machine)
    places = [
        (origins[b] + axle.x, axle)
        for b, body in enumerate(machine.bodies)
        for axle in body.axles
    ]
    for k, ((place, axle), row) in enumerate(zip(places, rows, strict=True)):
        name = f"{axle.name}, steered" if axle.steered else axle.name
        drop = 15 + 30 * (k % 2)
        sheet.words((place, half), name, shift=drop - 2)
        sheet.words(
            (place, half),
            load_words(row.lightest, row.heaviest, units=units),
            shift=drop + 12,
        )


def _scale_bar(sheet: _Sheet, units: str) -> None:
    """Draw a bar of 1 m or 5 ft and say what the marks are."""
    long = _step(units)
    word = "5 ft" if units == "us" else "1 m"
    y = 40.0
    sheet.parts.append(
        f'<path d="M8 {y - 5:.0f} V{y:.0f} H{8 + long * SCALE:.1f} V{y - 5:.0f}" '
        f'fill="none" stroke="{LIGHT["text"]}" stroke-width="1.5"/>'
    )
    quiet: dict[str, Any] = {"size": 12, "anchor": "start", "ink": "secondary"}
    text = f"{word}, as are the lines apart; pale wheels steer"
    sheet.raw_words(16 + long * SCALE, y, text, **quiet)
    text = "black dot: centre of the empty mass; grey dot: of a full load; rings: hitch"
    sheet.raw_words(8, y + 18, text, **quiet)
