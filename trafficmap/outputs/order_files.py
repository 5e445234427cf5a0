"""The order of fields and zones from run folders: what goes in, what is written."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.core.settings import settings_from_dict
from trafficmap.core.units import from_si
from trafficmap.formats import _files
from trafficmap.outputs import order_page
from trafficmap.outputs.order_hours import read_hours, read_moves, same_hours
from trafficmap.outputs.run_folder import read_run
from trafficmap.plan.order import SECONDS, Order, OrderJob, Span, order_work

_EARTH = 6_371_000.0
_USABLE = ("fit", "test by hand")


@dataclass(frozen=True)
class OrderRun:
    """What one run folder says: the field, its jobs, where it lies, its windows.

    ``windows`` is None where the run has no forecast; ``until`` is where it ends.
    """

    out: str
    name: str
    longitude: float
    latitude: float
    time_zone: str | None
    units: str
    currency: str
    invented: bool
    assumed: bool
    plan: list[dict]
    rows: dict[int, str]
    windows: list[dict] | None
    until: pd.Timestamp | None
    settings: Any


@dataclass(frozen=True)
class OrderAnswer:
    """An order and what it was made from."""

    runs: tuple[OrderRun, ...]
    order: Order
    notes: tuple[Note, ...]

    def sentence(self) -> str:
        """Return the whole answer in a few plain sentences."""
        return order_page.summary(self)

    def text(self, kind: str) -> str:
        """Return the answer as html, csv or json text."""
        if kind == "html":
            return order_page.page(self)
        if kind == "csv":
            return _flat(self.order.table).to_csv(index=False, lineterminator="\n")
        return json.dumps(self.document(), indent=1, ensure_ascii=False) + "\n"

    def document(self) -> dict[str, Any]:
        """Return the answer as plain values."""
        rows = _flat(self.order.table).to_dict("records")
        return {
            "program": "trafficmap",
            "kind": "order",
            "sentence": self.sentence(),
            "runs": [
                {"folder": run.out, "field": run.name, "invented": run.invented}
                for run in self.runs
            ],
            "currency": self.runs[0].currency,
            "net": round(self.order.net, 2),
            "most": round(self.order.most, 2),
            "proved": self.order.proved,
            "gap": round(self.order.gap, 5),
            "hours_worked": round(self.order.worked / 3600.0, 3),
            "hours_on_the_way": round(self.order.moved / 3600.0, 3),
            "hours_there_are": round(self.order.there_is / 3600.0, 3),
            "order": [
                {
                    key: None
                    if isinstance(value, float) and math.isnan(value)
                    else value
                    for key, value in row.items()
                }
                for row in rows
            ],
            "notes": [note.as_dict() for note in self.notes],
        }

    def write(self, path: Path, *, overwrite: bool = False) -> Path:
        """Write the answer into a file; its ending says which form.

        Raises
        ------
        InputError
            The ending is not known, or the file is there and may not be replaced.
        """
        kind = file_kind(path)
        refuse_taken(path, overwrite=overwrite)
        return _files.write_text(path, self.text(kind))


def file_kind(path: Path) -> str:
    """Return html, csv or json by the ending of a name."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("html", "csv", "json"):
        msg = f"{path.name}: ends in {path.suffix!r}, need .html, .csv or .json."
        raise InputError(msg, "name the file order.html")
    return kind


def refuse_taken(path: Path, *, overwrite: bool) -> None:
    """Refuse a file that is there already."""
    if path.exists() and not overwrite:
        msg = f"{path.name}: is there already, need a new name."
        raise InputError(msg, "add --overwrite, or choose another name with -o")


def order_runs(
    outs: Sequence[Path],
    *,
    hours: Path | None = None,
    hours_per_day: float | None = None,
    days: int = 14,
    start: str | None = None,
    moves: Path | None = None,
    by_hand: bool = False,
    seconds: float = SECONDS,
) -> OrderAnswer:
    """Put the zones of several finished runs in order for the hours there are.

    Parameters
    ----------
    outs : sequence of Path
        Run folders, one a field.
    hours : Path, optional
        A table of hours: ``day, from, to`` and, for fit hours of one field or zone
        alone, ``field`` and ``zone``.
    hours_per_day : float, optional
        The same hours each day from 8 in the morning, instead of a table. [h]
    days : int
        So many days with `hours_per_day`.
    start : str, optional
        First day with `hours_per_day`, as 2026-11-02; the day after the newest input.
    moves : Path, optional
        A table ``from, to, minutes`` of ways that are known better.
    by_hand : bool
        Count the hours given as fit, whatever the forecast in the runs says.
    seconds : float
        Time for the solver. [s]

    Raises
    ------
    InputError
        A run folder is unfinished, or a table cannot be read.
    """
    runs = _named_apart([_run(out) for out in outs])
    names = [run.name for run in runs]
    zone = ZoneInfo(runs[0].time_zone) if runs[0].time_zone else ZoneInfo("UTC")
    notes: list[Note] = []
    if runs[0].time_zone is None:
        sentence = "no time zone is known: hours are taken as UTC."
        notes.append(Note("order.time_zone", "check", sentence))
    fit: dict[tuple[str, int | None], list[Span]] = {}
    if hours is not None:
        spans, fit = read_hours(hours, names=names, zone=zone)
    else:
        first = start or _day_after(outs)
        spans = same_hours(first, days=days, each=hours_per_day or 0.0, zone=zone)
    spans, told = _within_forecast(spans, runs, fit, by_hand=by_hand)
    notes += told
    jobs = [
        _job(k, row, run, fit, by_hand=by_hand)
        for k, run in enumerate(runs)
        for row in run.plan
    ]
    ways, first_ways = travel(runs, read_moves(moves, names=names) if moves else {})
    order, found = order_work(
        jobs,
        fields=names,
        hours=spans,
        moves=ways,
        first=first_ways,
        seconds=seconds,
    )
    return OrderAnswer(tuple(runs), order, (*notes, *found))


def travel(
    runs: Sequence[OrderRun], known: dict[tuple[int, int], float]
) -> tuple[np.ndarray, np.ndarray]:
    """Return ways between fields and from the start to each [s].

    The straight line between the middles of two fields times the road factor, at road
    speed, and the time to fold and set up. The rig is taken to stand ready near
    whichever field comes first: only setting up is counted there.

    Parameters
    ----------
    runs : sequence of OrderRun
    known : dict
        Ways somebody knows, by positions of both fields. [s]
    """
    use = runs[0].settings.plan
    count = len(runs)
    ways = np.zeros((count, count))
    for a in range(count):
        for b in range(count):
            if a == b:
                continue
            straight = _great_circle(runs[a], runs[b])
            ways[a, b] = known.get(
                (a, b),
                known.get(
                    (b, a),
                    straight * use.road_factor / use.road_speed + use.setup_time,
                ),
            )
    # A detour somebody wrote into the table must not be dearer than the way around it.
    for middle in range(count):
        ways = np.minimum(ways, ways[:, [middle]] + ways[[middle], :])
    return ways, np.full(count, use.setup_time)


def _run(out: Path) -> OrderRun:
    """Return what the order needs of one run folder."""
    document = read_run(out)
    field, grid = document["field"], document["grid"]
    from pyproj import Transformer

    turn = Transformer.from_crs(grid["epsg"], 4326, always_xy=True)
    longitude, latitude = turn.transform(
        grid["west"] + grid["cell"] * grid["cols"] / 2,
        grid["north"] - grid["cell"] * grid["rows"] / 2,
    )
    when = document.get("when") or {}
    until = when.get("until") or ""
    settings = settings_from_dict(document["settings"])
    return OrderRun(
        out=out.name,
        name=field["name"],
        longitude=longitude,
        latitude=latitude,
        time_zone=field["time_zone"],
        units=field["units"],
        currency=document["prices"].get("currency") or "",
        invented=bool(field["invented"]),
        assumed=settings.zones.assume_confirmed is not None,
        plan=document["plan"],
        rows={zone["zone"]: zone["row"] for zone in document["zones"]},
        windows=when.get("windows") if until else None,
        until=pd.Timestamp(until) if until else None,
        settings=settings,
    )


def _named_apart(runs: list[OrderRun]) -> list[OrderRun]:
    """Refuse what cannot be one order: the same field twice, two currencies."""
    names = [run.name for run in runs]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        msg = f"{twice[0]}: is the field of two run folders, need each field once."
        raise InputError(msg, "leave one folder out, or name the fields apart")
    money = sorted({run.currency for run in runs})
    if len(money) > 1:
        named = ", ".join(word or "none" for word in money)
        msg = f"order: the runs count in {named}, need one currency."
        raise InputError(msg, "set price.currency alike and run the fields again")
    return runs


def _job(
    position: int,
    row: dict,
    run: OrderRun,
    fit: dict[tuple[str, int | None], list[Span]],
    *,
    by_hand: bool,
) -> OrderJob:
    """Return one job of a run with its fit hours."""
    number = int(row["zone"])
    own = fit.get((run.name, number)) or fit.get((run.name, None))
    spans: tuple[Span, ...] | None = None if own is None else tuple(own)
    unsure: tuple[Span, ...] = ()
    if own is None and run.windows is not None and not by_hand:
        told = [
            (window["verdict"], _moment(window["start"]), _moment(window["end"]))
            for window in run.windows
            if int(window["zone"]) == number and window["verdict"] in _USABLE
        ]
        spans = tuple((start, end) for _, start, end in told)
        unsure = tuple((start, end) for word, start, end in told if word != "fit")

    def of(name: str) -> float:
        value = row.get(name)
        return math.nan if value is None else float(value)

    return OrderJob(
        field=position,
        zone=number,
        job=row["job"],
        tool=row["tool"],
        depth=of("depth"),
        area=of("area"),
        duration=of("duration"),
        net_low=of("net_low"),
        net=of("net"),
        net_high=of("net_high"),
        fit=spans,
        by_hand=unsure,
        first=run.rows.get(number) == "D9",
    )


def _within_forecast(
    spans: list[Span],
    runs: Sequence[OrderRun],
    fit: dict[tuple[str, int | None], list[Span]],
    *,
    by_hand: bool,
) -> tuple[list[Span], list[Note]]:
    """Say how far the forecast of the runs reaches, and what is taken on trust."""
    said = {name for name, _ in fit}
    open_fields = [
        run.name
        for run in runs
        if run.name not in said and (by_hand or run.windows is None) and run.plan
    ]
    notes = []
    if open_fields:
        what = (
            "hours were given by hand"
            if by_hand
            else "the run has no forecast, so every hour counts as fit"
        )
        sentence = (
            f"{', '.join(open_fields)}: {what}. Roll the soil of each zone by hand "
            "before it is worked."
        )
        notes.append(Note("order.unforecast", "check", sentence, len(open_fields)))
    ends = [
        run.until
        for run in runs
        if run.until is not None and run.name not in said and not by_hand
    ]
    if ends and spans and max(ends) < spans[-1][1]:
        sentence = (
            f"the forecast of the runs ends on {max(ends):%Y-%m-%d}: nobody can say "
            "whether later hours are fit, so they are not used for these fields."
        )
        notes.append(Note("order.forecast_ends", "check", sentence))
    return spans, notes


def _day_after(outs: Sequence[Path]) -> str:
    newest = max(read_run(out)["newest_input"] for out in outs)
    return str((pd.Timestamp(newest) + pd.Timedelta(days=1)).date())


def _flat(table: pd.DataFrame) -> pd.DataFrame:
    """Return the order as files hold it: units in the names, numbers rounded."""
    out = table.rename(columns={"way": "way_min", "depth": "depth_mm"})
    out["depth_mm"] = (table["depth"] * 1000.0).round(0)
    out["way_min"] = table["way"].round(1)
    out["hours"] = table["hours"].round(3)
    out["area"] = from_si(table["area"], "ha").round(3)
    at = list(out.columns).index("area")
    out.insert(at + 1, "area_ac", from_si(table["area"], "ac").round(2))
    for name in ("net_low", "net", "net_high"):
        out[name] = table[name].round(2)
    return out.rename(columns={"area": "area_ha"})


def _moment(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def _great_circle(one: OrderRun, other: OrderRun) -> float:
    """Return the distance of two fields on a sphere [m]."""
    a, b = math.radians(one.latitude), math.radians(other.latitude)
    turn = math.radians(other.longitude - one.longitude)
    part = (
        math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(turn / 2) ** 2
    )
    return 2 * _EARTH * math.asin(math.sqrt(part))
