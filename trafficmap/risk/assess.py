"""Risk of damage by depth, from visits, stress profiles and strength."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import GridMismatchError
from trafficmap.core.layers import put_layer
from trafficmap.core.notes import Note, Severity
from trafficmap.field.place import area_words
from trafficmap.risk._kernels import assess_cells
from trafficmap.risk.classes import NOT_ASSESSED, risk_class
from trafficmap.risk.inputs import (
    ln_or_none,
    reset_tables,
    strength_tables,
    stress_tables,
    swelling_of,
    visit_rows,
    windows,
)
from trafficmap.risk.spread import load_spread

if TYPE_CHECKING:
    import xarray as xr

    from trafficmap.core.grid import FieldGrid
    from trafficmap.core.settings.risk import RiskSettings
    from trafficmap.traffic.events import PassEvents, Visits

WORST_DEPTHS = (0.25, 0.35, 0.50)
"""Depths [m] whose worst class stands for the cell; 0.10 m belongs to ruts."""


def assess(
    visits: Visits,
    events: PassEvents,
    *,
    profiles: Any,
    strength: Any,
    columns: Any,
    grid: FieldGrid,
    inside: np.ndarray,
    tray: xr.Dataset,
    settings: RiskSettings,
    swelling: bool | np.ndarray | None = None,
    resets: Any = None,
) -> list[Note]:
    """Put the risk layers into `tray`; return what was found on the way.

    At each depth the chance that one axle did damage is
    Phi(ln(stress / strength) / s), s^2 the sum of what patch and propagation, the
    interval of the load (`spread.load_spread`, with its mean), the law, texture and
    the water of that hour and depth (``strength.ln_spread``) each add. Under the wheel
    the stress is the profile's own largest value where the path crosses the cell; the
    mean over the cell averages chances, never stresses, over the offsets a square
    cell shows along that heading; tracks side by side join only where they overlap.
    Passes are joined by D_max (1 + k ln N_eff),
    N_eff = sum D / D_max, cut at 1: an index on the scale of a probability.

    The rut layer starts from the class of the chance at 0.10 m under the wheel. Where
    the top layer was wetter than the lower limit of ``rut_suction`` it is likely at
    least; drier than that it is likely at most; drier than the upper limit it is
    possible at most. A choice: strength alone is nearly flat in wet topsoil.

    Parameters
    ----------
    visits : Visits
        Axles coming past cells.
    events : PassEvents
        What was run over.
    profiles : Profiles or None
        ``stress`` [Pa] (rows, offsets, depths), ``first_offset`` and ``step`` [m],
        ``row_of`` (axles, states), -1 where not known, ``wheel_load`` [N] (rows,).
    strength : Strength or None
        ``ln_strength`` (times, columns, depths), NaN where the law does not hold,
        ``ln_spread`` and ``suction`` [Pa] likewise, ``row_of(times)``.
    columns : SoilColumns or None
        ``column_of_cell`` (grid.size,), -1 where there is no soil.
    grid : FieldGrid
    inside : ndarray, shape (rows, cols)
        Share of each cell inside the boundary.
    tray : xarray.Dataset
        Takes stress, strength, probability, damaged_share, risk, risk_worst,
        undecided and rut.
    settings : RiskSettings
    swelling : bool or ndarray of bool (columns,) or None
        Swelling clay, by soil column; None takes that of `columns`.
    resets : Resets or None
        ``kind_of_cell``, ``since`` [s] (kinds, depths) and ``loosened`` (columns,
        depths): passes before tillage no longer count down to the tool's depth.

    Returns
    -------
    list of Note

    Raises
    ------
    GridMismatchError
        `inside`, `events` or `visits` belong to another grid.

    References
    ----------
    .. [1] M. Cavalieri et al. (2008), spread of precompression stress by five
       fitting methods; the law of passes is calibrated on J. H. Taylor et al. (1982),
       Trans. ASAE 25:1505 (from memory). Both spreads are choices.
    """
    _require_grid(visits, events, inside, grid)
    depths = np.asarray(COMPUTE_DEPTHS)
    n_depths, n_cells = depths.size, grid.size
    run_over = np.diff(events.cell_start) > 0
    row, when, column = visit_rows(visits, profiles, strength, columns)
    stress, first, step, heavy = stress_tables(profiles, n_depths, settings)
    ln_strength, water_spread, suction = strength_tables(strength, n_depths)
    shift, spread = load_spread(profiles, depths, settings=settings)
    if swelling is None and columns is not None:
        swelling = columns.swelling
    if strength is None:
        swelling = None  # nothing is assessed, in tables of one column
    swells = swelling_of(swelling, ln_strength.shape[1])
    out_stress = np.zeros((n_depths, n_cells))
    out_strength = np.full((n_depths, n_cells), np.nan)
    probability = np.zeros((n_depths, n_cells))
    share = np.zeros((n_depths, n_cells))
    rut = np.zeros(n_cells, dtype=np.uint8)
    shares = (np.arange(settings.mean_points) + 0.5) / settings.mean_points
    places = cell_places(settings.mean_points**2, cell=grid.cell)
    assess_cells(
        visits.cell_start,
        run_over,
        row,
        when,
        column,
        visits.offset.astype(np.float64),
        visits.heading.astype(np.float64),
        ln_or_none(stress),
        *windows(stress, grid.cell / step),
        settings.unwheeled_share * stress.max(axis=1),
        first,
        step,
        ln_strength,
        water_spread**2,
        suction,
        heavy,
        swells,
        shift,
        spread**2,
        np.where(depths <= settings.floor_depth + 1e-9, settings.floor, 0.0),
        grid.cell / 2,
        shares,
        *places,
        math.sin(2.0 * math.radians(settings.square_angle)),
        settings.pass_growth,
        np.asarray(settings.rut_suction),
        np.asarray(settings.class_limits),
        visits.time.astype(np.float64, copy=False),
        *reset_tables(resets, n_cells, n_depths, ln_strength.shape[1]),
        out_stress,
        out_strength,
        probability,
        share,
        rut,
    )
    # A path that nobody came near in `visits` but a wheel ran over has no answer.
    lost = run_over & (np.diff(visits.cell_start) == 0)
    for layer in (out_stress, probability, share):
        layer[:, lost] = np.nan
    rut[lost] = NOT_ASSESSED
    rut[rut == 0] = 1
    _put(tray, grid, inside, settings, (out_stress, out_strength, probability, share))
    covered = inside > 0
    put_layer(tray, "rut", np.where(covered, rut.reshape(grid.shape), 255))
    return _notes(tray, covered, run_over.reshape(grid.shape), grid)


def cell_places(least: int, *, cell: float) -> tuple[np.ndarray, np.ndarray]:
    """Return `least` places or a few more that fill a cell evenly [m from its middle].

    A Fibonacci lattice: seen along any heading the places lie apart from one another.
    Of its sizes those are taken that stay the same when turned by a right angle:
    g^2 = -1 modulo the size, which is odd.

    Examples
    --------
    >>> east, north = cell_places(4, cell=1.0)
    >>> east.round(1).tolist(), north.round(1).tolist()
    ([-0.4, -0.2, 0.0, 0.2, 0.4], [-0.2, 0.4, 0.0, -0.4, 0.2])
    """
    before, count = 3, 5
    while count < least or count % 2 == 0:
        before, count = before + count, before + 2 * count
    number = np.arange(count) - count // 2
    wrapped = (number * before + count / 2.0) % count - count / 2.0
    return number * cell / count, wrapped * cell / count


def worst_depth(probability: np.ndarray) -> np.ndarray:
    """Return the largest of the values at `WORST_DEPTHS`, NaN where one is NaN.

    Parameters
    ----------
    probability : ndarray, shape (depths, ...)
        At `core.constants.COMPUTE_DEPTHS`.

    Returns
    -------
    ndarray
        Without the first axis.
    """
    rows = [COMPUTE_DEPTHS.index(depth) for depth in WORST_DEPTHS]
    return probability[rows].max(axis=0)


def _put(
    tray: xr.Dataset,
    grid: FieldGrid,
    inside: np.ndarray,
    settings: RiskSettings,
    flat: tuple[np.ndarray, ...],
) -> None:
    """Put what is known at each depth, and the classes made from it."""
    covered = inside > 0
    shape = (-1, *grid.shape)
    names = ("stress", "strength", "probability", "damaged_share")
    for name, values in zip(names, flat, strict=True):
        put_layer(tray, name, np.where(covered, values.reshape(shape), np.nan))
    probability = flat[2].reshape(shape)
    risk = risk_class(probability, settings=settings)
    put_layer(tray, "risk", np.where(covered, risk, 255))
    worst = worst_depth(probability)
    low, high = settings.undecided
    risk = risk_class(worst, settings=settings)
    put_layer(tray, "risk_worst", np.where(covered, risk, 255))
    undecided = (worst >= low) & (worst <= high)
    put_layer(tray, "undecided", np.where(covered, undecided, 255))


def _require_grid(
    visits: Visits, events: PassEvents, inside: np.ndarray, grid: FieldGrid
) -> None:
    """Refuse arrays made on another grid before a kernel trusts them."""
    for name, size in (
        ("visits", visits.cell_start.size - 1),
        ("events", events.cell_start.size - 1),
        ("inside", inside.size),
    ):
        if size != grid.size:
            msg = f"{name}: got {size} cells, need the {grid.size} of the field grid."
            raise GridMismatchError(msg, "make them on the field grid first")


def _notes(
    tray: xr.Dataset, covered: np.ndarray, run_over: np.ndarray, grid: FieldGrid
) -> list[Note]:
    """Say how much ground has no answer, and how much could go either way."""
    notes = []
    worst = tray["risk_worst"].values
    # Areas are those under wheels, where the map of what was run over is there.
    wheeled = (run_over & covered).astype(float)
    if "run_over" in tray:
        wheeled = np.where(covered, np.nan_to_num(tray["run_over"].values), 0.0)
    blank = covered & (worst == NOT_ASSESSED)
    open_cells = int(np.count_nonzero(blank))
    if open_cells:
        area = float(wheeled[blank].sum()) * grid.cell_area
        share = float(wheeled[blank].sum() / max(wheeled.sum(), 1e-9))
        sentence = (
            f"{area_words(area)} that were run over "
            f"({share:.0%} of the ground run over) are not assessed: the axle load, "
            "the soil water or the time of a pass is not known, or the soil was "
            "frozen. They count neither as low nor as high."
        )
        severity: Severity = "stop" if share > 0.5 else "check"
        notes.append(Note("risk.not_assessed", severity, sentence, open_cells))
    either = tray["undecided"].values == 1
    if either.any():
        area = float(wheeled[either].sum()) * grid.cell_area
        sentence = (
            f"{area_words(area)} under wheels could go either way (about "
            "4 to 6 in 10): dig or probe there before deciding anything."
        )
        notes.append(Note("risk.undecided", "info", sentence, int(either.sum())))
    return notes
