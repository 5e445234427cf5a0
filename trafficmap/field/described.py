"""Hold what a machine says of itself in its logs against its table in field.toml.

What a person wrote is never overruled; where the two differ, both are shown with the
line to write.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from trafficmap.core.notes import Note
from trafficmap.formats.rawlog import Described

if TYPE_CHECKING:
    from trafficmap.field.logs import NamedLog
    from trafficmap.machines.model import Machine

ANTENNA_APART = 0.25
"""Antennas further apart than this are two places [m] (choice)."""

HITCH_APART = 0.30
"""Hitches further apart than this are two places [m] (choice)."""

WIDTH_APART = 0.05
"""Working widths that differ by more than this share are two widths (choice)."""

ANTENNA_REACH = (15.0, 5.0)
"""An antenna further ahead or aside than this is a slip in the log [m] (choice)."""

_HEIGHT = (0.0, 8.0)


def described_notes(
    machine: Machine, *, name: str, logs: Sequence[NamedLog]
) -> list[Note]:
    """Return notes where a machine's own description differs from its table.

    Parameters
    ----------
    machine : Machine
        As field.toml and its class make it.
    name : str
        Its name in field.toml.
    logs : sequence of NamedLog
        All logs; those of this machine count.
    """
    found = _one_description(name, logs)
    if found is None:
        return []
    notes = [
        _antenna_note(machine, found, name),
        _width_note(machine, found, name),
        _hitch_note(machine, found, name),
    ]
    return [note for note in notes if note is not None]


def antenna_height(
    up: float, *, name: str, logs: Sequence[NamedLog]
) -> dict[str, float]:
    """Return the height of the antenna above the ground as a key, or nothing [m].

    The description counts from the reference point, whose own height it may tell.
    """
    found = _one_description(name, logs)
    if found is None or math.isnan(found.reference_height):
        return {}
    height = found.reference_height + up
    return {"z": round(height, 3)} if _HEIGHT[0] < height <= _HEIGHT[1] else {}


def _one_description(name: str, logs: Sequence[NamedLog]) -> Described | None:
    """Return the description all logs of a machine agree on, None for none."""
    said = [
        log.raw.described
        for log in logs
        if log.keys.machine == name and log.raw.described is not None
    ]
    # Compared as text, since an unknown width is not equal to itself.
    return said[0] if len({str(one) for one in said}) == 1 else None


def _antenna_note(machine: Machine, found: Described, name: str) -> Note | None:
    if found.antenna is None or machine.bodies[0].coupling is not None:
        # The table of a trailed machine alone has no antenna; its tractor has.
        return None
    forward, right, _ = found.antenna
    if abs(forward) > ANTENNA_REACH[0] or abs(right) > ANTENNA_REACH[1]:
        sentence = (
            f"{name}: its log says that the antenna of {found.device} sits "
            f"{forward:.2f} m ahead and {right:.2f} m right of the reference axle, "
            "which is on no machine; the table was used."
        )
        return Note("machine.antenna_impossible", "check", sentence, where=name)
    antenna = machine.antenna
    apart = math.hypot(forward - antenna.x, right - antenna.y)
    if apart <= ANTENNA_APART:
        return None
    sentence = (
        f"{name}: its log says that the antenna of {found.device} sits {forward:.2f} m "
        f"ahead and {right:.2f} m right of the reference axle, its table puts it "
        f"{antenna.x:.2f} m ahead and {antenna.y:.2f} m right. The table was used. "
        f"To follow the log write antenna = {{ x = {forward:.2f}, y = {right:.2f} }} "
        f"in [machine.{name}]."
    )
    return Note("machine.antenna_differs", "check", sentence, where=name)


def _width_note(machine: Machine, found: Described, name: str) -> Note | None:
    if machine.width is None or not found.width > 0:
        return None
    if abs(found.width - machine.width) <= WIDTH_APART * machine.width:
        return None
    sentence = (
        f"{name}: its log describes a working width of {found.width:.2f} m, its table "
        f"says {machine.width:.2f} m. Where the log tells the width as it drives, that "
        "counts; else the table. Look which is right."
    )
    return Note("machine.width_differs", "check", sentence, where=name)


def _hitch_note(machine: Machine, found: Described, name: str) -> Note | None:
    if found.hitch is None or not machine.hitches:
        return None
    if machine.hitches[0].kind == "pivot":
        # The halves of an articulated tractor; the description knows only the whole.
        return None
    ahead, used = found.hitch[0], machine.hitches[0].x
    if abs(ahead - used) <= HITCH_APART:
        return None
    kind = f" ({found.hitch_kind.replace('_', '-')})" if found.hitch_kind else ""
    sentence = (
        f"{name}: its log says that the hitch of {found.device}{kind} is "
        f"{ahead:.2f} m from the reference axle (behind is minus), its table has "
        f"{used:.2f} m. The table was used; wheels behind the hitch move with it. "
        f"Measure it and write x = {ahead:.2f} at the hitch if the log is right."
    )
    return Note("machine.hitch_differs", "check", sentence, where=name)
