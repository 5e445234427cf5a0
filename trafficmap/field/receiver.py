"""Which correction a receiver had, where nobody says it: what its log speaks for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.notes import Note, Severity
from trafficmap.formats.gpx import KIND as GPX_TRACK
from trafficmap.formats.kml import KIND as KML_TRACK
from trafficmap.formats.nmea import KIND as NMEA_LOG
from trafficmap.machines.model import SIGMAS

if TYPE_CHECKING:
    from trafficmap.field.logs import NamedLog
    from trafficmap.formats.rawlog import RawLog

_ORDER = ("rtk", "submetre", "sbas", "phone")
"""From the best to the worst."""

_NEARLY_ALL = 0.9
_HALF = 0.5


def guess_correction(raws: Sequence[RawLog]) -> tuple[str, str] | None:
    """Return the correction that the logs of a machine speak for, and why.

    Tracks of GPX and KML come from phones and hand-held receivers; a receiver's own
    sentences say the quality of each fix. Of several logs the worst counts; None where
    no log speaks for any.
    """
    found = [guess for raw in raws if (guess := _of_log(raw)) is not None]
    return max(found, key=lambda guess: _ORDER.index(guess[0])) if found else None


def with_correction(
    table: dict, *, name: str, logs: Sequence[NamedLog]
) -> tuple[dict, list[Note]]:
    """Return a machine table with its receiver's correction as its logs speak for it.

    What the table says counts first, then what all [[log]] of the machine say alike.

    Parameters
    ----------
    table : dict
        Of field.toml.
    name : str
    logs : sequence of NamedLog
        Of all machines.
    """
    mine = [log for log in logs if log.keys.machine == name]
    antenna = table.get("antenna")
    told = "correction" in table or "file" in table
    told |= isinstance(antenna, dict) and "correction" in antenna
    if told or not mine:
        return table, []
    said = {log.keys.correction for log in mine}
    if len(said) == 1 and (only := said.pop()) is not None:
        return {**table, "correction": only}, []
    guess = guess_correction([log.raw for log in mine if log.keys.correction is None])
    if guess is None:
        return table, []
    correction, why = guess
    severity: Severity = "check" if correction == "phone" else "info"
    sentence = (
        f"{name}: nobody says which correction its receiver had. Taken as "
        f"{correction}, since {why}: its places may be {SIGMAS[correction][1]:g} m off "
        "from one run to the next. If that is wrong, write correction = ... (rtk, ppp, "
        f"submetre, sbas or phone) in [machine.{name}]."
    )
    note = Note("machine.correction", severity, sentence, 1, name)
    return {**table, "correction": correction}, [note]


def _of_log(raw: RawLog) -> tuple[str, str] | None:
    if raw.kind not in (GPX_TRACK, KML_TRACK, NMEA_LOG):
        return None
    quality = raw.table["fix_quality"].to_numpy(dtype=float)
    quality = quality[np.isfinite(quality) & (quality > 0)]
    if quality.size:
        fixed = float((quality == 4).mean())
        real = float(np.isin(quality, (4, 5)).mean())
        better = float(np.isin(quality, (2, 3, 4, 5)).mean())
        if fixed >= _NEARLY_ALL:
            return "rtk", f"{fixed:.0%} of its places say fixed RTK"
        if real >= _NEARLY_ALL:
            return "submetre", f"{real:.0%} of its places say fixed or float RTK"
        if better >= _HALF:
            return "sbas", f"{better:.0%} of its places say that they were corrected"
        if raw.kind == NMEA_LOG:
            return "phone", "its receiver had no correction"
    if raw.kind == NMEA_LOG:
        return None
    return (
        "phone",
        f"its log is a {raw.kind}, as phones and hand-held receivers write them",
    )
