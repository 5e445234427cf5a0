"""What the draws say together: intervals, and what knowing each unknown would do."""

from __future__ import annotations

from typing import Any

import numpy as np


def joint_table(area: np.ndarray, depths: np.ndarray) -> list[dict[str, Any]]:
    """Return the joint interval of the field and of each zone, by depth."""
    own: list[tuple[int | None, np.ndarray]] = [(None, area.sum(axis=1))]
    own += [(zone, area[:, zone]) for zone in range(area.shape[1] - 1)]
    out = []
    for zone, values in own:
        for d, depth in enumerate(depths):
            low, middle, high = spans(values[:, d])
            out.append(
                {
                    "zone": zone,
                    "depth": float(depth),
                    "low": low,
                    "middle": middle,
                    "high": high,
                    "mean": float(values[:, d].mean()),
                }
            )
    return out


def sensitivity(
    area: np.ndarray,
    depths: np.ndarray,
    scores: list[tuple[str, str | None, np.ndarray]],
) -> list[dict[str, Any]]:
    """Return what knowing each unknown would take from the interval, largest first.

    Area is fitted to each unknown by a parabola; what the fit explains is the share
    (less what chance alone would explain), what it leaves is the interval when known.
    The depth is the one below the topsoil with the widest interval.
    """
    below = np.flatnonzero(depths >= 0.25)
    widths = [np.subtract(*np.quantile(area[:, d], (0.95, 0.05))) for d in below]
    d = int(below[int(np.argmax(widths))])
    values = area[:, d]
    low, middle, high = spans(values)
    out = []
    for name, machine, score in scores:
        share, rest = _explained(values, score)
        known_low, _, known_high = spans(middle + rest)
        if share <= 0.0:
            known_low, known_high = low, high
        out.append(
            {
                "unknown": name,
                "machine": machine,
                "depth": float(depths[d]),
                "share": share,
                "low": low,
                "high": high,
                "known_low": max(known_low, 0.0),
                "known_high": min(known_high, high) if high > middle else known_high,
            }
        )
    return sorted(out, key=lambda row: -row["share"])


def _explained(values: np.ndarray, score: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the share of the variance a parabola explains, and what it leaves."""
    centred = values - values.mean()
    whole = float(centred @ centred)
    if whole <= 0.0 or np.ptp(score) <= 0.0 or values.size < 5:
        return 0.0, centred
    plain = (score - score.mean()) / score.std()
    design = np.stack([np.ones(plain.size), plain, plain**2], axis=1)
    fit, *_ = np.linalg.lstsq(design, values, rcond=None)
    rest = values - design @ fit
    free = (values.size - 1) / (values.size - 3)
    return max(0.0, 1.0 - free * float(rest @ rest) / whole), rest


def spans(values: np.ndarray) -> tuple[float, float, float]:
    """Return what 5, 50 and 95 of 100 values stay below."""
    low, middle, high = np.quantile(values, (0.05, 0.5, 0.95))
    return float(low), float(middle), float(high)
