"""Scale tickets: what was truly hauled off closes what the logs add up to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.loads.account import Account, Fill

_WARN = 0.10
"""A yield log further than this from the tickets is worth looking at; choice."""

_DAYS_AFTER = 14
"""Tickets dated later than this after the last cut do not seem to be of it; choice."""

_LEAST_GONE = 0.2
"""With less than this share unloaded the tickets cannot close the sum; choice."""

_HOLE, _NIGHT = 60.0, 7200.0
"""Holes between these lengths count as work that was not logged [s]; choice."""


class Tickets:
    """All tickets of the field and the harvesters whose sums they close.

    Parameters
    ----------
    table : DataFrame or None
        Contract `TICKETS`: day and mass.
    accounts : dict of str to Account
    """

    def __init__(
        self, table: pd.DataFrame | None, accounts: dict[str, Account]
    ) -> None:
        self.table = table
        self.total = 0.0 if table is None else float(table["mass"].sum())
        self.makers = {
            name: account
            for name, account in accounts.items()
            if account.role == "harvest"
            and account.signal is None
            and (account.fill is Fill.HARVEST or account.area is not None)
        }
        self.guessed = [
            name for name, a in self.makers.items() if a.fill is Fill.ASSUMED
        ]
        self.raw = {name: account.flow for name, account in self.makers.items()}
        self.factor = 1.0
        self.yield_cut = np.nan
        self.log_sum = 0.0
        self.unclear = False

    def scale(self) -> bool:
        """Scale every harvest so that it adds up to the tickets; False without any.

        Where no harvester knows its yield, tickets over area give one.
        """
        if self.total <= 0.0 or not self.makers:
            return False
        known = [n for n in self.makers if n not in self.guessed]
        if not known:
            areas = {n: a.area for n, a in self.makers.items() if a.area is not None}
            worked = sum(float(area[-1]) for area in areas.values())
            if worked <= 0.0:
                return False
            self.yield_cut = self.total / worked
            for name, area in areas.items():
                self.makers[name].fill = Fill.HARVEST
                self.raw[name] = self.yield_cut * area
        elif self.guessed:
            # Part of what the tickets weigh was cut by a machine nobody knows.
            return False
        self.log_sum = sum(
            float(self.raw[name][-1]) + _in_holes(account, self.raw[name])
            for name, account in self.makers.items()
        )
        if self.log_sum <= 0.0:
            return False
        self.set_factor(self.total / self.log_sum)
        return True

    def close(self) -> bool:
        """Count what is left in the tanks; True when that changed the factor.

        k S = tickets + k left, with S and left as logged.
        """
        left = sum(float(a.level()[-1]) for a in self.makers.values()) / self.factor
        gone = self.log_sum - left
        if gone < _LEAST_GONE * self.log_sum:
            self.unclear = True
            self.set_factor(1.0)
            return True
        factor = self.total / gone
        if abs(factor / self.factor - 1.0) < 0.002:
            return False
        self.set_factor(factor)
        return True

    def set_factor(self, factor: float) -> None:
        """Scale the harvests by a factor."""
        self.factor = factor
        for name, account in self.makers.items():
            account.flow = self.raw[name] * factor

    def notes(self, scaled: bool) -> list[Note]:
        """Say how logs and tickets agree."""
        if self.total <= 0.0:
            return []
        names = ", ".join(self.makers) or "no harvester"
        if not scaled or self.unclear:
            which = ", ".join(self.guessed)
            why = (
                f"what {which} cut is not known, so part of them is its"
                if self.guessed
                else "nearly all that was cut still seems to be on board"
                if self.unclear
                else "no log shows what was cut"
            )
            sentence = (
                f"The tickets add up to {self.total / 1000:.1f} t, but {why}; they are "
                "not used."
            )
            return [Note("loads.tickets_unused", "check", sentence)]
        out = []
        if np.isfinite(self.yield_cut):
            sentence = (
                f"{names}: nothing tells the yield; tickets of "
                f"{self.total / 1000:.1f} t over the ground worked make "
                f"{self.yield_cut * 10:.1f} t/ha everywhere, and loads follow from it."
            )
            out.append(Note("loads.tickets_yield", "check", sentence, 1, names))
        else:
            off = self.factor - 1.0
            far = abs(off) > _WARN
            sentence = (
                f"{names}: cut {self.log_sum / 1000:.1f} t by its log, but "
                f"{self.total / 1000:.1f} t by the tickets; every load is taken "
                f"{abs(off):.1%} {'larger' if off > 0 else 'smaller'}."
            )
            if far:
                sentence += (
                    " That is much: look whether tickets of another field are among "
                    "them or some are missing, and calibrate the yield monitor."
                )
            severity = "check" if far else "info"
            out.append(Note("loads.tickets", severity, sentence, 1, names))  # type: ignore[arg-type]
        return out + self._late()

    def _late(self) -> list[Note]:
        """Say which tickets are dated outside the harvest."""
        if self.table is None or not self.makers:
            return []
        clocks = [a.clock for a in self.makers.values() if a.trusted]
        days = self.table["day"].dropna()
        if not clocks or days.empty:
            return []
        first = pd.Timestamp(min(c[0] for c in clocks), unit="s").normalize()
        last = pd.Timestamp(max(c[-1] for c in clocks), unit="s").normalize()
        bad = days[
            (days < first - pd.Timedelta(days=1))
            | (days > last + pd.Timedelta(days=_DAYS_AFTER))
        ]
        if bad.empty:
            return []
        sentence = (
            f"{len(bad)} of {len(days)} tickets are dated outside the harvest, the "
            f"first {bad.iloc[0]:%Y-%m-%d}; they are counted all the same. Take out "
            "what is of another field."
        )
        return [Note("loads.tickets_date", "check", sentence, len(bad))]


def _in_holes(account: Account, flow: np.ndarray) -> float:
    """Return what was likely cut in holes of the log: usual rate x time [kg].

    Only for the sum; the fill in a hole stays unknown.
    """
    logged = np.diff(account.clock)
    busy = float(logged[logged <= _HOLE].sum())
    rate = float(flow[-1]) / max(busy, 1.0)
    holes = logged[(logged > _HOLE) & (logged < _NIGHT)]
    return rate * float(holes.sum())
