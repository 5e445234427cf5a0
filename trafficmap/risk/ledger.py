"""The ledger of damage by season and depth: what earlier seasons left, shown apart."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS, REPORT_DEPTHS
from trafficmap.core.layers import get_layer, put_layer
from trafficmap.core.notes import Note
from trafficmap.field.earlier import STEPS, UNKNOWN, SeasonDamage, as_steps
from trafficmap.field.place import area_words
from trafficmap.soil.tillage import tilled_cells

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.field.earlier import Earlier
    from trafficmap.field.model import Tillage

_MOST_PIECES = 5


@dataclass(frozen=True)
class Ledger:
    """Damage of every season that is known, on this run's grid, and its summary.

    Parameters
    ----------
    seasons : tuple of SeasonDamage
        Oldest first, this season last; each as its own run found it, less what was
        tilled since, not faded.
    table : list of dict
        season, depth [m], years since, share left, area likely damaged [m2].
    """

    seasons: tuple[SeasonDamage, ...]
    table: list[dict[str, Any]]


def share_left(depth: float, years: int, *, settings: RiskSettings) -> float:
    """Return the share of damage left after some seasons.

    Even steps from 1 in the first season after it: max(0, 1 - (t - 1) / T), with T 5
    in the topsoil, 10 below it, and no end below 0.40 m, where nothing was seen to
    recover, even in clay that freezes [1]_.

    Parameters
    ----------
    depth : float
        Depth. [m]
    years : int
        Seasons since, t; 1 is the season after. [1]
    settings : RiskSettings

    Returns
    -------
    float

    References
    ----------
    .. [1] I. Håkansson & R. C. Reeder (1994), Soil Till. Res. 29:277-304 (abstract).
       The even steps follow a fact sheet on the same trials (excerpt); choice.

    Examples
    --------
    >>> from trafficmap.core.settings.risk import RiskSettings
    >>> [share_left(z, 4, settings=RiskSettings()) for z in (0.10, 0.35, 0.50)]
    [0.4, 0.7, 1.0]
    """
    top, sub = settings.persistence_depths
    if depth > sub + 1e-9:
        return 1.0
    span = settings.persistence_years[0 if depth < top - 1e-9 else 1]
    return max(0.0, 1.0 - max(0, years - 1) / span) if span > 0.0 else 0.0


def carry_over(
    earlier: Earlier | None,
    *,
    tray: xr.Dataset,
    grid: FieldGrid,
    inside: np.ndarray,
    season: int,
    until: str,
    tillage: Sequence[Tillage],
    last_tillage_depth: float | None,
    settings: RiskSettings,
) -> tuple[Ledger, list[Note]]:
    """Put what earlier seasons left into `tray`, and write this season into the ledger.

    Each season fades from its own year, so a run from a run from a run gives the same
    as one from all of them. Of several seasons the worst counts at each place and
    depth, never their sum, and this season's own layers do not change. Tillage after a
    season clears it above the tool's depth, where it ran; `last_tillage_depth`, the
    last before this season's passes, clears all earlier ones.

    Parameters
    ----------
    earlier : Earlier or None
    tray : xarray.Dataset
        With probability; takes carried_over where there is an earlier season.
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
        Share of each cell inside the boundary.
    season : int
    until : str
        Day of the newest log of this season.
    tillage : sequence of Tillage
    last_tillage_depth : float or None
        None or 0 clears nothing. [m]
    settings : RiskSettings

    Returns
    -------
    Ledger
    list of Note
    """
    depths = np.asarray(COMPUTE_DEPTHS)
    covered = inside > 0
    seasons: list[SeasonDamage] = []
    notes: list[Note] = []
    left = np.zeros((depths.size, *grid.shape))
    table = []
    for one in () if earlier is None else earlier.seasons:
        damage = _on_grid(one.damage, earlier.grid, grid, covered)  # type: ignore[union-attr]
        if not (damage[:, covered] != UNKNOWN).any():
            continue
        damage = _cleared(damage, one.until, tillage, last_tillage_depth, grid)
        seasons.append(SeasonDamage(one.season, one.until, damage))
        share = [share_left(z, season - one.season, settings=settings) for z in depths]
        faded = _plain(damage) * np.array(share)[:, None, None]
        # What is not known stays so while any of it could be left.
        faded[np.array(share) == 0.0] = 0.0
        left = np.fmax(left, faded)
        left[np.isnan(faded)] = np.nan
        table += _summary(one.season, season, share, faded, grid)
    if earlier is not None and not seasons:
        sentence = (
            f"The run {earlier.name} lies elsewhere or assessed nothing here: damage "
            "of earlier seasons is not on the map. Name the run of this field."
        )
        notes.append(Note("risk.earlier_elsewhere", "check", sentence, 1, earlier.name))
    if seasons:
        put_layer(tray, "carried_over", np.where(covered, left, np.nan))
        notes.append(_left_note(left, seasons, grid, settings))
    now = get_layer(tray, "probability")
    seasons.append(
        SeasonDamage(season, until, as_steps(np.where(covered, now, np.nan)))
    )
    share = [1.0] * depths.size
    table += _summary(season, season, share, np.where(covered, now, np.nan), grid)
    return Ledger(tuple(seasons), table), notes


def newest_day(times: np.ndarray, season: int) -> str:
    """Return the day of the newest time [s since 1970 UTC], else the season's last."""
    known = times[np.isfinite(times)]
    if not known.size:
        return f"{season}-12-31"
    return dt.datetime.fromtimestamp(float(known.max()), tz=dt.UTC).date().isoformat()


def _plain(steps: np.ndarray) -> np.ndarray:
    return np.where(steps == UNKNOWN, np.nan, steps / STEPS)


def _on_grid(
    damage: np.ndarray, source: FieldGrid, grid: FieldGrid, covered: np.ndarray
) -> np.ndarray:
    """Return damage on another grid: the worst of the places a cell shows."""
    if source == grid:
        return np.where(covered, damage, np.uint8(UNKNOWN))
    easting, northing = grid.centres()
    rows, cols = np.nonzero(covered)
    out = np.full((len(damage), *grid.shape), UNKNOWN, dtype=np.uint8)
    worst = np.zeros((len(damage), rows.size), dtype=np.uint8)
    pieces = max(1, min(_MOST_PIECES, math.ceil(grid.cell / source.cell)))
    side = ((np.arange(pieces) + 0.5) / pieces - 0.5) * grid.cell
    move = None
    if source.epsg != grid.epsg:
        from pyproj import Transformer

        move = Transformer.from_crs(grid.epsg, source.epsg, always_xy=True)
    flat = damage.reshape(len(damage), -1)
    for east in side:
        for north in side:
            place = easting[cols] + east, northing[rows] + north
            place = place if move is None else move.transform(*place)
            cell = source.cell_index(*place)
            found = np.where(cell >= 0, flat[:, cell], np.uint8(UNKNOWN))
            # The mark for not known is the largest number, so it wins.
            worst = np.maximum(worst, found)
    out[:, rows, cols] = worst
    return out


def _cleared(
    damage: np.ndarray,
    until: str,
    tillage: Sequence[Tillage],
    last_tillage_depth: float | None,
    grid: FieldGrid,
) -> np.ndarray:
    """Return damage without what tillage after `until` reached."""
    depths = np.asarray(COMPUTE_DEPTHS)
    out = damage.copy()
    everywhere = np.ones(grid.shape, dtype=np.bool_)
    done = [
        (entry.depth, tilled_cells(entry, grid))
        for entry in tillage
        if entry.date > until
    ]
    if last_tillage_depth is not None and last_tillage_depth > 0.0:
        done.append((last_tillage_depth, everywhere))
    for depth, where in done:
        for d in np.flatnonzero(depths < depth - 1e-9):
            out[d][where & (out[d] != UNKNOWN)] = 0
            # Loosened ground has no damage left, whether or not anybody knew of it.
            out[d][where & (damage[d] == UNKNOWN)] = 0
    return out


def _summary(
    season: int, now: int, share: list[float], damage: np.ndarray, grid: FieldGrid
) -> list[dict[str, Any]]:
    return [
        {
            "season": season,
            "depth": depth,
            "years": now - season,
            "share_left": float(part),
            "likely_area": float(np.count_nonzero(layer >= 0.5) * grid.cell_area),
            "not_known_area": float(np.count_nonzero(np.isnan(layer)) * grid.cell_area),
        }
        for depth, part, layer in zip(COMPUTE_DEPTHS, share, damage, strict=True)
    ]


def _left_note(
    left: np.ndarray,
    seasons: list[SeasonDamage],
    grid: FieldGrid,
    settings: RiskSettings,
) -> Note:
    told = []
    for depth in REPORT_DEPTHS[1:]:
        layer = left[COMPUTE_DEPTHS.index(depth)]
        cells = int(np.count_nonzero(layer >= settings.class_limits[1]))
        told.append(
            f"{area_words(cells * grid.cell_area)} at {100 * depth:.0f} cm "
            f"({depth / 0.0254:.0f} in)"
        )
    years = ", ".join(str(one.season) for one in seasons)
    sentence = (
        f"Damage of {years} still counts as likely on {', '.join(told)}. It is shown "
        "apart and not added to this season's: driving over it again does not make "
        "two of it."
    )
    return Note("risk.carried_over", "info", sentence, len(seasons))
