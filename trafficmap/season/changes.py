"""The file of changes: what would be other next year, each under its own name."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
from msgspec import Meta

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.core.units import to_si

if TYPE_CHECKING:
    from trafficmap.machines.model import Machine

TOGETHER = "all together"
AS_IT_WAS = "as it was"

_MOST = 12
"""Each change is one more run of the whole line; choice."""

_MAX_BYTES = 2**18

_Pressures = dict[str, Annotated[float, Meta(gt=0)]]


class Change(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One change of the season, as its table in the file says it.

    Machines go by their name in field.toml; one body of a rig is named as
    ``"cart/grain_cart"``.
    """

    name: str = ""
    say: Annotated[str, Meta(description="what is other, in your words")] = ""
    pressure_kpa: Annotated[
        _Pressures, Meta(description="tire pressure by machine [kPa]")
    ] = {}
    pressure_psi: Annotated[
        _Pressures, Meta(description="tire pressure by machine [psi]")
    ] = {}
    pressure_times: Annotated[
        dict[str, Annotated[float, Meta(ge=0.2, le=3)]],
        Meta(description="tire pressure as so many times what it was"),
    ] = {}
    fill: Annotated[
        dict[str, Annotated[float, Meta(ge=0.1, le=1)]],
        Meta(description="a cart or tanker filled to this share of what it holds"),
    ] = {}
    unload_at_ends: Annotated[
        bool, Meta(description="the combine unloads in the end rows only")
    ] = False
    carts_on_combine_tracks: Annotated[
        bool, Meta(description="carts drive on tracks the combine has made")
    ] = False
    lanes_every_m: (
        Annotated[float, Meta(gt=1, le=60, description="lanes, so far apart [m]")]
        | None
    ) = None
    lanes_every_ft: (
        Annotated[float, Meta(gt=3, le=200, description="lanes, so far apart [ft]")]
        | None
    ) = None
    lanes_heading_deg: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=360,
                description="direction of the lanes from north [deg]; else the rows'",
            ),
        ]
        | None
    ) = None
    lanes_through: (
        Annotated[
            tuple[float, float],
            Meta(description="[longitude, latitude] of a place on a lane [deg]"),
        ]
        | None
    ) = None
    instead: Annotated[
        dict[str, str],
        Meta(description="a machine class of the catalogue in place of a machine"),
    ] = {}
    days_later: Annotated[
        int,
        Meta(
            ge=-60, le=60, description="every pass so many days later (minus: before)"
        ),
    ] = 0
    days_later_from: (
        Annotated[dt.date, Meta(description="only passes from this day on")] | None
    ) = None
    yearly_cost: Annotated[
        float, Meta(ge=0, description="what the change costs a year [currency]")
    ] = 0.0
    hour_cost: Annotated[
        float, Meta(ge=0, description="cost of an hour of added driving [currency]")
    ] = 0.0

    @property
    def lane_spacing(self) -> float | None:
        """Spacing of the lanes [m], None where no lanes are asked for."""
        if self.lanes_every_ft is not None:
            return float(to_si(self.lanes_every_ft, "ft"))
        return self.lanes_every_m

    @property
    def words(self) -> str:
        """What is other, in words."""
        return self.say or "; ".join(_words(self))

    @property
    def moves_tracks(self) -> bool:
        """Whether anything is driven elsewhere or with another load."""
        return bool(
            self.fill
            or self.unload_at_ends
            or self.carts_on_combine_tracks
            or self.lane_spacing
        )


def read_changes(path: Path, *, machines: dict[str, Machine]) -> list[Change]:
    """Return the changes a file names, in its order.

    Parameters
    ----------
    path : Path
        TOML; every table is a change and its name is that of the table.
    machines : dict of str to Machine
        Those of the field.

    Returns
    -------
    list of Change

    Raises
    ------
    InputError
        There is no such file, or it is no TOML.
    SettingsError
        A key, a machine or a class is not known, a value is out of range, or a table
        changes nothing.
    """
    path = Path(path)
    tables = _tables(path)
    if not tables:
        msg = f"{path.name}: names no change, need at least one table."
        raise SettingsError(msg, "write [half_cart] and below it fill = { cart = 0.5 }")
    if len(tables) > _MOST:
        msg = f"{path.name}: names {len(tables)} changes, need at most {_MOST}."
        raise SettingsError(msg, "each is a whole run; split the file")
    changes = []
    for name, table in tables.items():
        change = _change(name, table, path.name)
        _check_machines(change, machines, path.name)
        changes.append(change)
    return changes


def together(changes: list[Change]) -> tuple[Change | None, str]:
    """Return all changes as one, or None and the sentence why they cannot be.

    Two that say different things of one machine or of the lanes cannot stand together.
    """
    merged: dict[str, Any] = {"name": TOGETHER}
    said: dict[tuple[str, str], tuple[Any, str]] = {}
    for change in changes:
        for field in msgspec.structs.fields(Change):
            if field.name in ("name", "say"):
                continue
            value = getattr(change, field.name)
            if value == field.default or (isinstance(value, dict) and not value):
                continue
            topic = _TOPIC.get(field.name, field.name)
            parts = value.items() if isinstance(value, dict) else [("", value)]
            for key, part in parts:
                before = said.get((topic, key))
                if field.name == "yearly_cost":
                    merged["yearly_cost"] = merged.get("yearly_cost", 0.0) + value
                    continue
                if field.name == "hour_cost":
                    merged["hour_cost"] = max(merged.get("hour_cost", 0.0), value)
                    continue
                if before is not None and before[0] != (field.name, part):
                    return None, (
                        f"{before[1]} and {change.name} say different things of "
                        f"{key or topic}, so they are not driven together."
                    )
                said[topic, key] = ((field.name, part), change.name)
                if isinstance(value, dict):
                    merged.setdefault(field.name, {})[key] = part
                else:
                    merged[field.name] = value
    merged["say"] = "everything above in one season"
    return Change(**merged), ""


_TOPIC = {
    "pressure_kpa": "pressure",
    "pressure_psi": "pressure",
    "pressure_times": "pressure",
    "lanes_every_m": "lanes",
    "lanes_every_ft": "lanes",
}
"""Keys that say the same thing in different ways."""


def _tables(path: Path) -> dict[str, Any]:
    if not path.is_file():
        msg = f"{path.name}: there is no such file, need a file of changes."
        raise InputError(msg, "look for a typing error in the name")
    if path.stat().st_size > _MAX_BYTES:
        msg = f"{path.name}: is too large for a file of changes."
        raise InputError(msg, "give the file of changes, not a log")
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        msg = f"{path.name}: cannot be read as TOML ({error})."
        raise InputError(msg, "mend that line") from None


def _change(name: str, table: Any, file: str) -> Change:
    if not isinstance(table, dict):
        msg = f"{file}: {name} stands outside a table, need it under a change."
        raise SettingsError(msg, f"write [my_change] above {name} = ...")
    if name in (TOGETHER, AS_IT_WAS) or "name" in table:
        msg = f"{file}: [{name}] cannot be named so, need a name of its own."
        raise SettingsError(msg, "the name of a change is that of its table")
    known = [f.name for f in msgspec.structs.fields(Change) if f.name != "name"]
    for key in table:
        if key not in known:
            msg = f"{file}: {name}.{key} is not a known key."
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
            hint = f"write {near[0]}" if near else f"use one of {', '.join(known)}"
            raise SettingsError(msg, hint)
    try:
        change = msgspec.convert({**table, "name": name}, Change)
    except msgspec.ValidationError as error:
        what, _, where = str(error).partition(" - at `$")
        where = re.sub(r"\[\.\.\.\]$", "", where.strip("`")).strip(".")
        what = what.replace("Expected ", "need ").replace("`", "")
        msg = f"{file}: {name}.{where}: {what}."
        raise SettingsError(msg, f"mend {where} in [{name}]") from None
    if not _words(change):
        msg = f"{file}: [{name}] changes nothing, need one key that does."
        raise SettingsError(msg, f"use one of {', '.join(known)}")
    if change.lanes_every_m is not None and change.lanes_every_ft is not None:
        msg = f"{file}: {name} gives the spacing of its lanes twice."
        raise SettingsError(msg, "keep lanes_every_ft or lanes_every_m")
    if change.lane_spacing is None and (
        change.lanes_heading_deg is not None or change.lanes_through is not None
    ):
        msg = f"{file}: {name} says where lanes lie but not how far apart."
        raise SettingsError(msg, "add lanes_every_ft or lanes_every_m")
    if change.days_later_from is not None and not change.days_later:
        msg = f"{file}: {name}.days_later_from needs days_later beside it."
        raise SettingsError(msg, "add days_later = 7")
    for key in (*change.pressure_kpa, *change.pressure_psi, *change.pressure_times):
        told = sum(
            key in given
            for given in (
                change.pressure_kpa,
                change.pressure_psi,
                change.pressure_times,
            )
        )
        if told > 1:
            msg = f"{file}: {name} gives the pressure of {key} twice."
            raise SettingsError(msg, "keep one of them")
    for key, value in _in_pascal(change).items():
        if not 10e3 < value <= 1000e3:
            msg = f"{file}: {name}: {value / 1e3:.0f} kPa in {key}, need 10 to 1000."
            raise SettingsError(msg, "psi goes under pressure_psi, kPa under the other")
    return change


def _in_pascal(change: Change) -> dict[str, float]:
    """Return the pressures a change sets, by machine [Pa]."""
    psi = {
        key: float(to_si(value, "psi")) for key, value in change.pressure_psi.items()
    }
    kpa = {
        key: float(to_si(value, "kPa")) for key, value in change.pressure_kpa.items()
    }
    return {**psi, **kpa}


def pressures_set(change: Change) -> dict[str, float]:
    """Return the pressures a change sets, by machine or machine/body [Pa]."""
    return _in_pascal(change)


def _check_machines(change: Change, machines: dict[str, Machine], file: str) -> None:
    named = [
        *change.pressure_kpa,
        *change.pressure_psi,
        *change.pressure_times,
        *change.fill,
        *change.instead,
    ]
    for key in named:
        machine, _, body = key.partition("/")
        if machine not in machines:
            msg = (
                f"{file}: {change.name} names {machine!r}, need a machine of the field."
            )
            near = difflib.get_close_matches(machine, machines, n=1, cutoff=0.4)
            hint = f"write {near[0]}" if near else f"one of {', '.join(machines)}"
            raise SettingsError(msg, hint)
        bodies = [b.id for b in machines[machine].bodies]
        if body and body not in bodies:
            msg = f"{file}: {change.name} names {key!r}, but {machine} has no {body!r}."
            raise SettingsError(msg, f"use one of {', '.join(bodies)}")
    for key in change.fill:
        if "/" in key or not machines[key].capacity(720.0) > 0.0:
            msg = f"{file}: {change.name}.fill: {key} carries nothing that is known."
            raise SettingsError(msg, "name a cart or a tanker that carries a load")
        if machines[key].bodies[0].kind == "combine":
            msg = f"{file}: {change.name}.fill: {key} is a combine, need a cart."
            raise SettingsError(msg, "for the combine use unload_at_ends = true")


def _words(change: Change) -> list[str]:
    """Return what a change does, one phrase a key."""
    out = [f"{key} at {value:g} psi" for key, value in change.pressure_psi.items()]
    out += [f"{key} at {value:g} kPa" for key, value in change.pressure_kpa.items()]
    out += [
        f"{key} at {100 * value:.0f} % of its tire pressure"
        for key, value in change.pressure_times.items()
    ]
    out += [f"{key} filled to {100 * v:.0f} %" for key, v in change.fill.items()]
    if change.unload_at_ends:
        out.append("unloading in the end rows only")
    if change.carts_on_combine_tracks:
        out.append("carts on the combine's tracks")
    if change.lanes_every_ft is not None:
        out.append(f"permanent lanes every {change.lanes_every_ft:g} ft")
    if change.lanes_every_m is not None:
        out.append(f"permanent lanes every {change.lanes_every_m:g} m")
    out += [f"{name} in place of {key}" for key, name in change.instead.items()]
    if change.days_later:
        days = abs(change.days_later)
        when = "later" if change.days_later > 0 else "earlier"
        since = f" from {change.days_later_from} on" if change.days_later_from else ""
        out.append(f"{days} day{'s' * (days > 1)} {when}{since}")
    return out


def added_cost(change: Change, *, hours: float) -> float:
    """Return what a change costs in a year [currency]; NaN where nothing was told.

    Parameters
    ----------
    change : Change
    hours : float
        Driving beyond what was driven; less than none saves nothing here. [h]
    """
    if not change.yearly_cost and not change.hour_cost:
        return math.nan
    return change.yearly_cost + change.hour_cost * max(hours, 0.0)
