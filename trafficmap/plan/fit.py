"""Whether the soil of each unit shatters down to its shank tip: asks the soil room."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note, worst_first
from trafficmap.soil.columns import LAYER_EDGES
from trafficmap.soil.fitness import FitState, fit
from trafficmap.zones.depths import tip_depth

if TYPE_CHECKING:
    from trafficmap.core.settings import Settings
    from trafficmap.core.settings.soil import SoilSettings
    from trafficmap.field.model import Field
    from trafficmap.soil.columns import SoilColumns
    from trafficmap.soil.water import SoilSeries
    from trafficmap.zones.units import Units

USUAL_TIP = 0.3556  # 14 in, for ground where nobody knows how deep to go
_CARRIES = ("does not carry", "may rut", "unknown", "carries")
_PAN = (0.20, 0.40)  # where texture decides about ripping


def fit_states(
    units: Units,
    *,
    series: SoilSeries | None,
    field: Field,
    settings: Settings,
    columns: SoilColumns | None = None,
    day: dt.date | str | None = None,
) -> tuple[pd.DataFrame, list[Note]]:
    """Return, a unit, whether its soil shatters and carries on a day, and its texture.

    Hand rolls of the unit are fed back into the water of the model while they hold
    (``settings.soil.hand_roll_days``). Where no layer is known the answer is for 14 in.
    End rows whose soil nobody has rolled are judged by the wettest of today and the
    ``settings.soil.packed_days`` days before: packed ground stays wet longer.

    Parameters
    ----------
    units : Units
        From `zones.confirm`.
    series : SoilSeries or None
        None where there is no weather.
    field : Field
    settings : Settings
    columns : SoilColumns, optional
        Those of `series` if not given.
    day : date, optional
        The last day with weather, or a later day on which soil was rolled by hand:
        rain that fell after a hand roll counts.

    Returns
    -------
    DataFrame
        One row a unit: unit, day, word (shatters, test by hand, too wet, too hard,
        unknown), p_fit, fresh (hand rolls still hold), carries, frozen [m], tip_frozen
        (ice where the shank tip would go), ground (not frozen, frozen crust, thawed
        over frozen, unknown), sand, clay and organic (matter) between 0.20 and
        0.40 m [fraction].
    list of Note
    """
    if columns is None and series is not None:
        columns = series.columns
    use = settings.soil
    day = _day(units, series, day)
    rows = []
    notes: list[Note] = []
    for row in units.table.to_dict("records"):
        column = int(row["column"])
        fresh = _fresh(row["rolled_on"], day, use)
        out = {
            "unit": row["unit"],
            "day": day,
            "word": "unknown",
            "p_fit": math.nan,
            "fresh": fresh,
            "carries": "unknown",
            "frozen": math.nan,
            "tip_frozen": False,
            "ground": "unknown",
            "sand": _mean(columns, "sand", column),
            "clay": _mean(columns, "clay", column),
            "organic": _mean(columns, "organic_matter", column),
        }
        if series is not None and column >= 0 and day is not None:
            tip = tip_depth(row["layer_bottom"], units=field.units)
            rolls = _readable(row["rolls"]) if fresh else None
            state = _state(
                series,
                column=column,
                day=day,
                tip_depth=USUAL_TIP if math.isnan(tip) else min(tip, 1.0),
                hand_rolls=rolls,
                packed=row.get("kind") == "end_rows" and not rolls,
                settings=use,
            )
            notes += state.notes
            out |= {
                "word": state.word,
                "p_fit": state.probability,
                "carries": state.carries,
                "frozen": state.frozen,
                "tip_frozen": state.tip_frozen,
                "ground": state.ground,
            }
        rows.append(out)
    frame = pd.DataFrame(rows)
    stale = int((~frame["fresh"] & (units.table["rolls"].map(len) > 0)).sum())
    if stale:
        sentence = (
            f"hand rolls in {stale} zones are older than {use.hand_roll_days} days "
            "and no longer count: roll the soil again."
        )
        notes.append(Note("plan.rolls_stale", "check", sentence, stale))
    return frame, worst_first(notes)


def _state(
    series: SoilSeries,
    *,
    day: pd.Timestamp,
    packed: bool,
    settings: SoilSettings,
    **asked: Any,
) -> FitState:
    """Return how fit the ground is; packed ground as on the wettest of its last days.

    Wheels close the wide pores through which ground drains and dries, so that packed
    end rows stay wet longer than the field they belong to. How much longer nobody has
    measured here; a hand roll of their own soil settles it. What is frozen is frozen
    today.
    """
    today = fit(series, day=day, settings=settings, **asked)
    if not packed or math.isnan(today.probability):
        return today
    earlier = [
        fit(series, day=day - pd.Timedelta(days=back), settings=settings, **asked)
        for back in range(1, settings.packed_days + 1)
    ]
    known = [state for state in earlier if not math.isnan(state.probability)]
    worst = min([today, *known], key=lambda state: state.probability)
    # A day that shatters worst need not be the one that carries worst.
    softest = min([today, *known], key=lambda state: _CARRIES.index(state.carries))
    return replace(
        worst,
        date=today.date,
        frozen=today.frozen,
        thawed=today.thawed,
        ground=today.ground,
        carries=today.carries if today.frozen > 0.0 else softest.carries,
    )


def _day(units: Units, series: SoilSeries | None, day: object) -> pd.Timestamp | None:
    """Return the day asked for, else the newest of hand rolls and weather."""
    if day is not None:
        return pd.Timestamp(day)  # type: ignore[arg-type]
    rolled = pd.to_datetime(units.table["rolled_on"]).dropna()
    days = [rolled.max()] if len(rolled) else []
    if series is not None and len(series.dates):
        days.append(series.dates[-1])
    return max(days, default=None)


def _fresh(rolled_on: object, day: pd.Timestamp | None, settings: SoilSettings) -> bool:
    """Return whether hand rolls of a day still hold; without any day they do."""
    if day is None or pd.isna(rolled_on):  # type: ignore[call-overload]
        return True
    age = (day.normalize() - pd.Timestamp(rolled_on).normalize()).days  # type: ignore[arg-type]
    return 0 <= age <= settings.hand_roll_days


def _readable(rolls: tuple[tuple[float, str], ...]) -> list[tuple[float, str]]:
    """Return the rolls whose finding the soil room understands."""
    known = ("rolls", "cracks", "crumbles")
    return [(depth, word) for depth, word in rolls if word in known]


def texture_of(columns: SoilColumns | None, column: int) -> tuple[float, float]:
    """Return sand and clay of a soil column where a pan lies, NaN if not known.

    Parameters
    ----------
    columns : SoilColumns or None
    column : int
        -1 for none.
    """
    return _mean(columns, "sand", column), _mean(columns, "clay", column)


def _mean(columns: SoilColumns | None, name: str, column: int) -> float:
    """Return the mean of a texture share in the layers a pan lies in."""
    if columns is None or column < 0:
        return math.nan
    within = (LAYER_EDGES[:-1] >= _PAN[0] - 1e-9) & (LAYER_EDGES[1:] <= _PAN[1] + 1e-9)
    return float(np.mean(getattr(columns, name)[column, within]))
