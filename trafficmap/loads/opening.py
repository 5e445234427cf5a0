"""Open the account of every rig: its clock, and what it took up or gave away itself."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from trafficmap.core.limits import RATE_GAP_SECONDS
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.tables import shared_text
from trafficmap.loads._columns import epoch_seconds, log_spans
from trafficmap.loads.account import ROLE, Account, Fill
from trafficmap.loads.fill import wet_mass
from trafficmap.loads.lag import flow_lag
from trafficmap.machines.model import Machine

_LOG_SPACE = 1e6
"""Between logs whose clocks are not known to fit, so that no ledger runs across [s]."""

_SIGNAL_SHARE = 0.5
"""A logged mass counts when at least this share of the fixes has one; choice."""


def build_accounts(
    fixes: pd.DataFrame,
    *,
    machines: dict[str, Machine],
    density: float,
    yield_cut: float | None,
    moisture_std: float | None,
    liquid: pd.DataFrame,
    settings: LoadSettings,
) -> dict[str, Account]:
    """Return the account of every rig that carries something and has fixes."""
    logs: dict[str, list[tuple[int, int]]] = {}
    for name, first, last in log_spans(fixes):
        logs.setdefault(name, []).append((first, last))
    columns = {
        name: fixes[name].to_numpy(dtype=float)
        for name in (
            "easting",
            "northing",
            "seconds",
            "width",
            "work_state",
            "mass_flow",
            "tank_mass",
            "application_rate",
            "moisture",
        )
    }
    columns["time"] = epoch_seconds(fixes["time"])
    state = shared_text(fixes["state"])
    out = {}
    for name, spans in logs.items():
        machine = machines.get(name)
        if machine is None or machine.payload_kind == "none":
            continue
        out[name] = _account(
            machine,
            spans,
            columns,
            state,
            density,
            (yield_cut, moisture_std),
            liquid,
            settings,
        )
    return out


def _account(
    machine, spans, columns, state, density, crop_yield, liquid, settings
) -> Account:
    """Build one account: clock, what it took up or gave away, and from what."""
    trusted = all(np.isfinite(columns["time"][a:b]).all() for a, b in spans)
    if trusted:
        spans = sorted(spans, key=lambda span: columns["time"][span[0]])
    clocks, shift = [], 0.0
    for a, b in spans:
        own = columns["time" if trusted else "seconds"][a:b]
        clocks.append(own if trusted else own - own[0] + shift)
        shift = clocks[-1][-1] + _LOG_SPACE
    rows = np.concatenate([np.arange(a, b) for a, b in spans])
    # Two logs of one machine that overlap in time are put behind each other.
    clock = np.maximum.accumulate(np.concatenate(clocks))
    words = state[rows]
    account = Account(
        machine=machine,
        capacity=machine.capacity(density),
        density=density,
        fill=Fill.ASSUMED,
        rows=rows,
        clock=clock,
        trusted=trusted,
        standing=(words == "idle") | (words == "loading"),
        away=words == "road",
        easting=columns["easting"][rows],
        northing=columns["northing"][rows],
        flow=np.zeros(rows.size),
        heap=settings.heap,
    )
    _choose_fill(account, columns, words, crop_yield, liquid, settings)
    return account


def _choose_fill(
    account: Account, columns, words, crop_yield, liquid, settings
) -> None:
    """Set where the load is known from, and the machine's own running flow."""
    machine, rows = account.machine, account.rows
    body = machine.payload_body
    if body is None:
        return
    wish = body.payload.fill
    role = ROLE.get(body.kind, "receive")
    tank = columns["tank_mass"][rows]
    told = np.isfinite(tank)
    if wish in ("auto", "signal") and told.mean() >= _SIGNAL_SHARE:
        account.fill = Fill.SIGNAL
        account.signal = np.maximum(
            np.interp(account.clock, account.clock[told], tank[told]), 0.0
        )
        account.over_full = max(
            0.0, float(account.signal.max()) - account.capacity * (1 + settings.heap)
        )
        account.unknown = _far_from(account.clock, told)
        return
    step, dt = _steps(columns, rows, account.clock)
    working = words == "working"
    width = columns["width"][rows]
    if machine.width:
        width = np.where(np.isfinite(width), width, machine.width)
    if role == "harvest":
        _harvest(account, columns, working, width, step, dt, wish, crop_yield, settings)
    elif role == "spread":
        rate, wide = _liquid_of(machine.id, liquid)
        put = columns["application_rate"][rows]
        put = np.where(np.isfinite(put), put, rate)
        width = np.where(np.isfinite(width), width, wide)
        on = working & (columns["work_state"][rows] != 0.0)
        if np.isfinite(width[on]).any():
            account.area = np.cumsum(np.where(on, np.nan_to_num(width), 0.0) * step)
        if np.isfinite(put[on] * width[on]).any():
            account.fill = Fill.SPREAD
            given = np.where(on, np.nan_to_num(put * width), 0.0) * step
            account.flow = -np.cumsum(given) * body.payload.density(account.density)
            account.start = account.capacity
        account.missing = "give its rate and width under [[liquid]]"
        account.doubt = "check the rate, the width and the tank's size"
    else:
        account.missing = "log its load, or what fills it, on a true clock"
        account.doubt = "check the capacities and the logs"


def _harvest(
    account: Account,
    columns,
    working: np.ndarray,
    width: np.ndarray,
    step: np.ndarray,
    dt: np.ndarray,
    wish: str,
    crop_yield,
    settings: LoadSettings,
) -> None:
    """Set what a harvester took up: by its mass flow, else yield x width x way."""
    rows, body = account.rows, account.machine.payload_body
    yield_cut, standard = crop_yield
    standard = (body.payload.moisture_std if body else None) or standard
    swath = np.where(working, np.nan_to_num(width), 0.0) * step
    if np.isfinite(width[working]).any():
        account.area = np.cumsum(_as_cut(swath, columns["moisture"][rows], standard))
    flow = columns["mass_flow"][rows]
    logged = np.isfinite(flow).sum() > 1
    account.doubt = "check the calibration of the yield monitor"
    if wish in ("auto", "yield_log") and logged:
        account.fill = Fill.HARVEST
        account.lag = settings.flow_lag
        if account.lag is None:
            found = flow_lag(account.clock, columns["work_state"][rows], flow)
            account.lag_found = found
            account.lag = found if math.isfinite(found) else 0.0
        gain = np.maximum(np.nan_to_num(flow), 0.0)
        added = np.zeros(rows.size)
        added[1:] = 0.5 * (gain[1:] + gain[:-1]) * dt[1:]
        account.flow = _on_board(account.clock, np.cumsum(added), account.lag)
        away = float(added[account.away].sum())
        account.cut_away = away / max(float(added.sum()), 1e-9)
    elif wish in ("auto", "swath_x_yield") and yield_cut and account.area is not None:
        account.fill = Fill.HARVEST
        account.flow, account.by_yield = yield_cut * account.area, True
        wet = columns["moisture"][rows][working]
        if standard and np.isfinite(wet).sum() > 1:
            low, high = np.nanquantile(wet, [0.05, 0.95])
            account.moistures = float(low), float(high)
    account.missing = _hint(wish, yield_cut, account.area is not None)


def _hint(wish: str, yield_cut: float | None, width: bool) -> str:
    """Return what would tell the fill of a harvester, given how it was asked for."""
    if wish == "none":
        return 'fill = "none" in its [payload] says so; leave it out to change that'
    if wish == "signal":
        return (
            'fill = "signal" in its [payload] asks for the mass in its tank, which its '
            'log does not hold; write fill = "auto"'
        )
    need = []
    if not yield_cut:
        need.append("harvested_yield_t_ha under [crop]")
    if not width:
        need.append("the width of its head")
    both = " and ".join(need)
    if wish == "yield_log":
        also = f" and give {both}" if both else ""
        return (
            'fill = "yield_log" in its [payload] asks for a mass flow, which its log '
            f'does not hold; write fill = "auto"{also}'
        )
    if wish == "swath_x_yield":
        return f"give {both}"
    return f"log its mass flow, or give {both}"


def _as_cut(mass: np.ndarray, moisture: np.ndarray, standard: float | None):
    """Return standard mass as wet as it was logged; unchanged where not told."""
    if not standard:
        return mass
    known = np.isfinite(moisture) & (moisture < 0.9)
    wet = np.where(known, moisture, standard)
    return wet_mass(mass, wet, standard_moisture=standard)


def _steps(columns, rows: np.ndarray, clock: np.ndarray):
    """Return distance and time since the fix before, 0 over a gap [m], [s]."""
    dt = np.diff(clock, prepend=clock[:1])
    step = np.zeros(rows.size)
    step[1:] = np.hypot(
        np.diff(columns["easting"][rows]), np.diff(columns["northing"][rows])
    )
    far = dt > RATE_GAP_SECONDS
    return np.where(far, 0.0, step), np.where(far, 0.0, dt)


def _on_board(clock, total, lag: float) -> np.ndarray:
    """Return the running harvest with the grain still on its way to the sensor."""
    if lag <= 0.0:
        return total
    return np.interp(clock + lag, clock, total) - float(
        np.interp(clock[0] + lag, clock, total)
    )


def _far_from(clock: np.ndarray, told: np.ndarray) -> list[tuple[float, float]]:
    """Return stretches without a reading for longer than rates are carried."""
    known = clock[told]
    edges = np.concatenate([[clock[0]], known, [clock[-1]]])
    gap = np.flatnonzero(np.diff(edges) > RATE_GAP_SECONDS)
    return [(float(edges[k]), float(edges[k + 1])) for k in gap]


def _liquid_of(machine_id: str, liquid: pd.DataFrame) -> tuple[float, float]:
    """Return rate [m] and width [m] of a spreader, NaN where not told."""
    mine = liquid[liquid["machine_id"] == machine_id]
    if mine.empty:
        return math.nan, math.nan
    return float(mine["rate"].iloc[0]), float(mine["width"].iloc[0])
