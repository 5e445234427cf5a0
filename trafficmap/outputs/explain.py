"""Why one spot is what it is: every pass over it, down to load, water and formula."""

from __future__ import annotations

import datetime as dt
import math
import textwrap
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from trafficmap.core.constants import GRAVITY
from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.layers import is_nodata, layer_spec
from trafficmap.formats import _gdal  # noqa: F401
from trafficmap.outputs import answers, explain_store, words
from trafficmap.outputs.audit_words import audit_lines, patch_words
from trafficmap.outputs.inks import RISK_WORDS
from trafficmap.outputs.run_folder import read_run

FORMULAS = (
    ("stress under a wheel", "contact area from load over inflation pressure, a round "
     "patch with a parabolic load of the 4th degree, carried down with a "
     "concentration factor: Froehlich (1934), Druckverteilung im Baugrunde; Soehne "
     "(1953), Grundl. Landtechnik 5:49-63 (from memory)"),
    ("water in the soil", "texture to retention: Saxton & Rawls (2006), Soil Sci. Soc. "
     "Am. J. 70:1569-1578; daily balance with reference evapotranspiration: Allen et "
     "al. (1998), FAO Irrigation and Drainage Paper 56"),
    ("strength of the soil", "precompression stress rising with suction, lognormal; "
     "known to x 1.5: may as well be 1.5 times more or less, for the law, the texture "
     "and the soil water of that hour together; see docs/theory"),
    ("chance of damage", "how likely stress is above strength when both are known "
     "within a factor only, Phi(ln(stress / strength) / spread); later passes add "
     "little, D (1 + k ln N); see docs/theory"),
)  # fmt: skip
"""What the numbers rest on, with source."""


_SOURCES = {
    "signal": "payload from a signal",
    "inferred": "payload inferred from the tracks",
    "assumed": "payload assumed",
    "none": "no payload",
}


@dataclass(frozen=True)
class AxleVisit:
    """One axle in one pass beside or over the spot.

    Loads in N, pressure and stress in Pa, ``ln_spread`` what not knowing the soil
    water adds to the spread of ln strength, offset [m] is the spot right of the axle's
    middle; arrays run over the depths of the store. ``cover`` is the share of the
    cell under the axle's wheels, 0 where it only came past; ``wheel`` and
    ``state_row`` find its heaviest wheel and its load state in the store.
    """

    time: float
    machine: str
    body: str
    axle: str
    state: str
    pass_id: int
    wheel: int
    state_row: int
    offset: float
    cover: float
    wheel_load_low: float
    wheel_load: float
    wheel_load_high: float
    axle_load: float
    pressure: float
    pressure_assumed: bool
    source: str
    theta: np.ndarray
    strength: np.ndarray
    ln_spread: np.ndarray
    stress: np.ndarray


def explain(folder: Path, lon: float, lat: float, *, audit: bool = False) -> str:
    """Return the story of one spot as text.

    Parameters
    ----------
    folder : Path
        A finished run folder.
    lon, lat : float
        WGS 84 place. [deg]
    audit : bool
        Work the stress of the machines that came past a second way as well.

    Raises
    ------
    InputError
        The folder is unfinished, or the place lies outside the field.
    """
    folder = Path(folder)
    run = read_run(folder)
    grid = FieldGrid(**run["grid"])
    units = run["field"]["units"]
    cell = _cell_at(grid, lon, lat)
    row, col = divmod(cell, grid.cols)
    values = _layers_at(folder, run, row, col)
    if not values.get("inside", 1.0) > 0:
        msg = f"{lat:.6f}, {lon:.6f}: lies outside the field boundary."
        raise InputError(msg, "give a place inside the field as LON,LAT")
    store = explain_store.read_store(folder / "explain.npz")
    visits = axle_visits(store, cell, side=grid.cell)
    lines = [
        f"{run['field']['name']}, season {run['field']['season']}",
        f"Place {lat:.6f}, {lon:.6f} (cell row {row}, column {col}, "
        f"{grid.cell:g} m, EPSG:{grid.epsg})",
        "",
        *_zone_lines(run, values, units),
        "",
        *_risk_lines(store, values, units),
        "",
        *_visit_lines(store, visits, run, units),
        "",
        *_carrying_lines(run, values, units),
        *_night_lines(run, values, units),
        *(audit_lines(store, visits, run) if audit else ()),
        "What the numbers rest on",
    ]
    for name, source in FORMULAS:
        lines += textwrap.wrap(
            f"{name}: {source}.", 78, initial_indent="  ", subsequent_indent="    "
        )
    lines += ["", f"run {run['run']}, newest input {run['newest_input'][:10]}"]
    return "\n".join(lines)


def axle_visits(
    store: dict[str, np.ndarray], cell: int, *, side: float
) -> list[AxleVisit]:
    """Return every axle that came past a cell of `side` [m], in order of time.

    The stress is the largest that the axle put on any part of the cell.
    """
    cover = _cover_by_axle(store, cell)
    begin, end = store["visit_start"][cell : cell + 2].astype(np.int64)
    base = float(store["base_time"])
    found = []
    for k in range(begin, end):
        axle, state = int(store["visit_axle"][k]), int(store["visit_state"][k])
        pass_id = int(store["visit_pass"][k])
        wheels = np.flatnonzero(store["wheel_axle_id"] == axle)
        slots = store["wheel_slot"][wheels]
        loads = store["state_load"][state, slots]
        heavy = int(np.nanargmax(loads)) if np.isfinite(loads).any() else 0
        time = float(explain_store.times_of(store["visit_time"][k], base))
        offset = float(store["visit_offset_mm"][k]) / 1000.0
        heading = math.radians(float(store["visit_heading"][k]))
        half = side / 2 * (abs(math.sin(heading)) + abs(math.cos(heading)))
        theta, strength, spread = _soil_at(store, cell, time)
        passes = np.flatnonzero(store["pass_id"] == pass_id)
        first = wheels[heavy]
        found.append(
            AxleVisit(
                time=time,
                machine=str(store["wheel_machine_id"][first]),
                body=str(store["wheel_body"][first]),
                axle=str(store["wheel_axle"][first]),
                state=str(store["pass_state"][passes[0]]) if passes.size else "",
                pass_id=pass_id,
                wheel=int(first),
                state_row=state,
                offset=offset,
                cover=cover.get((pass_id, axle), 0.0),
                wheel_load_low=float(store["state_load_low"][state, slots[heavy]]),
                wheel_load=float(loads[heavy]),
                wheel_load_high=float(store["state_load_high"][state, slots[heavy]]),
                axle_load=float(loads.sum()),
                pressure=float(store["wheel_pressure"][first]),
                pressure_assumed=bool(store["wheel_pressure_assumed"][first]),
                source=str(store["state_source"][state]),
                theta=theta,
                strength=strength,
                ln_spread=spread,
                stress=_stress_at(store, axle, state, (offset - half, offset + half)),
            )
        )
    return sorted(found, key=lambda v: (math.isnan(v.time), v.time, v.pass_id))


def _cover_by_axle(store: dict[str, np.ndarray], cell: int) -> dict:
    begin, end = store["event_start"][cell : cell + 2].astype(np.int64)
    cover: dict[tuple[int, int], float] = {}
    for k in range(begin, end):
        axle = int(store["wheel_axle_id"][store["event_wheel"][k]])
        key = (int(store["event_pass"][k]), axle)
        cover[key] = min(1.0, cover.get(key, 0.0) + store["event_cover"][k] / 255.0)
    return cover


def _soil_at(store: dict[str, np.ndarray], cell: int, time: float):
    """Return water, strength and its spread by depth at a time, NaN if not known."""
    unknown = np.full(store["depths"].size, np.nan)
    times = store.get("strength_time")
    if times is None or not times.size or math.isnan(time):
        return unknown, unknown, unknown
    column = int(store["column_of_cell"][cell])
    hour = int(np.searchsorted(times, time, side="right")) - 1
    if column < 0 or hour < 0 or time - times[hour] >= 3600.0:
        return unknown, unknown, unknown
    ln_strength = store["ln_strength"][hour, column]
    if "tilled_since" in store:
        since = store["tilled_since"][store["tilled_kind"][cell]]
        loosened = np.broadcast_to(store["loosened"], store["ln_strength"].shape[1:])
        tilled = np.isfinite(since) & (time >= since)
        ln_strength = ln_strength + np.where(tilled, loosened[column], 0.0)
    spread = store["ln_spread"][hour, column] if "ln_spread" in store else unknown
    return store["theta"][hour, column], np.exp(ln_strength), spread


def _stress_at(
    store: dict[str, np.ndarray], axle: int, state: int, across: tuple[float, float]
) -> np.ndarray:
    """Return the largest stress by depth between two offsets, NaN where not known."""
    if "profile_stress" not in store:
        return np.full(store["depths"].size, np.nan)
    row = int(store["profile_row"][axle, state])
    if row < 0:
        return np.full(store["depths"].size, np.nan)
    profile = store["profile_stress"][row]
    step = float(store["profile_step"])
    at = float(store["profile_first"]) + step * np.arange(len(profile))
    under = profile[(at >= across[0] - step / 2) & (at <= across[1] + step / 2)]
    return under.max(axis=0) if len(under) else np.zeros(profile.shape[1])


def _cell_at(grid: FieldGrid, lon: float, lat: float) -> int:
    from pyproj import Transformer

    to_grid = Transformer.from_crs(4326, grid.epsg, always_xy=True)
    easting, northing = to_grid.transform(lon, lat)
    # Far from its zone a projection has no place to give.
    known = math.isfinite(easting) and math.isfinite(northing)
    cell = int(grid.cell_index(easting, northing)) if known else -1
    if cell < 0:
        msg = f"{lat:.6f}, {lon:.6f}: lies outside the field."
        raise InputError(msg, "give a place inside the field as LON,LAT")
    return cell


def _layers_at(folder: Path, run: dict, row: int, col: int) -> dict:
    """Return the value of every layer in one cell, None where not known."""
    import rasterio
    from rasterio.windows import Window

    values: dict[str, object] = {}
    for name, layer in run["layers"].items():
        spec = layer_spec(name)
        with rasterio.open(folder / layer["file"], driver="GTiff") as dataset:
            window = dataset.read(window=Window(col, row, 1, 1))[:, 0, 0]
        cleaned = [
            math.nan if unknown else float(value)
            for value, unknown in zip(window, is_nodata(window, spec), strict=True)
        ]
        values[name] = cleaned if spec.dims == "depth" else cleaned[0]
    return values


def _zone_lines(run: dict, values: dict, units: str) -> list[str]:
    number = values.get("zone", math.nan)
    for zone in run["zones"]:
        if not math.isnan(number) and zone["zone"] == int(number):
            depth = math.nan if zone["depth"] is None else zone["depth"]
            advice = words.advice_words(zone["advice"], depth, units)
            if not math.isnan(depth):
                advice += f" ({words.other_depth_words(depth, units)})"
            reason, cause = answers.reason_and_cause(zone["reason"])
            lines = [
                f"Zone {zone['zone']}: {advice}, row {zone['row']} of the decision "
                "table",
                *_indented(words.as_sentence(reason)),
            ]
            if cause:
                lines += _indented(f"Driven in this zone: {cause}.")
            if zone["further"]:
                lines += _indented(words.as_sentence(f"also: {zone['further']}"))
            for told in (run.get("when") or {}).get("zones", []):
                if told["zone"] == zone["zone"]:
                    for sentence in (told["look"], told["shatter"], told["carry"]):
                        lines += _indented(sentence)
            return lines
    return ["No zone here."]


def _risk_lines(store: dict[str, np.ndarray], values: dict, units: str) -> list[str]:
    lines = []
    if values.get("passes") == 0:
        lines.append("Not run over in the logs; what follows came from beside.")
    elif "passes" in values:
        axle = words.mass_words(values.get("heaviest_axle", math.nan), units)
        share = words.share_words(values.get("run_over", math.nan))
        lines.append(
            f"Passes {_count(values['passes'])}, share run over {share}, "
            f"heaviest axle {axle}"
        )
        lines += _first_lines(values, units)
    if "risk" not in values:
        return [*lines, "Risk was not assessed in this run."]
    lines.append("Damage under the wheels, by depth")
    for k, depth in enumerate(store["depths"]):
        number = values["risk"][k]
        word = RISK_WORDS[int(number) - 1] if not math.isnan(number) else "not known"
        chance = words.chance_words(values["probability"][k])
        # Strength stands with each pass below: that of another pass would mislead.
        stress = words.pressure_words(values["stress"][k], units)
        lines.append(
            f"  {words.depth_words(float(depth), units):>6}  {word:<13} {chance:<16} "
            f"largest stress {stress}"
        )
    return [*lines, *_earlier_lines(store, values, units)]


def _first_lines(values: dict, units: str) -> list[str]:
    """Return which wheel was first on the ground here, and the span of days."""
    mass = float(values.get("first_wheel", math.nan))
    first, last = (
        float(values.get(f"{end}_day", math.nan)) for end in ("first", "last")
    )
    if not mass > 0.0 or not (first > 0.0 and last > 0.0):
        return []
    days = [
        words.date_words(dt.date(n // 10_000, n // 100 % 100, n % 100))
        for n in (int(first), int(last))
    ]
    until = "" if days[0] == days[1] else f", the last wheel on {days[1]}"
    return [
        f"First on this ground a wheel with {words.mass_words(mass, units)} on "
        f"{days[0]}{until}"
    ]


def _earlier_lines(store: dict[str, np.ndarray], values: dict, units: str) -> list[str]:
    """Return what earlier seasons left here, shown apart and never added."""
    if "carried_over" not in values:
        return []
    told = [
        f"{words.depth_words(float(depth), units)} {words.chance_words(left)}"
        for depth, left in zip(store["depths"], values["carried_over"], strict=True)
    ]
    return [
        "Left from earlier seasons, not part of the above",
        *_indented(", ".join(told)),
    ]


def _carrying_lines(run: dict, values: dict, units: str) -> list[str]:
    """Return what a wheel may carry here today, for the heaviest machine."""
    unit = values.get("soil_unit", math.nan)
    rows = [row for row in run.get("carrying", []) if row["unit_index"] == unit]
    rows = [row for row in rows if row["wheel_heaviest"] is not None]
    if not rows:
        return []
    most = max(rows, key=lambda row: row["wheel_heaviest"])
    names = ("machine_id", "body", "axle")
    mine = [row for row in rows if all(row[name] == most[name] for name in names)]
    label = run["machines"].get(most["machine_id"], {}).get("label")
    lines = [f"What a wheel may carry on {most['day']}, tires of "
             f"{label or most['machine_id']}"]  # fmt: skip
    for row in mine:
        even, unlikely = (
            "any load"
            if row[name] is None and row["strength"]
            else words.mass_words(math.nan if row[name] is None else row[name], units)
            for name in ("mass_even", "mass_unlikely")
        )
        depth = words.depth_words(row["depth"], units)
        lines.append(
            f"  {depth:>6}  damage unlikely to {unlikely}, as likely as not at {even}"
        )
    return [*lines, ""]


def _night_lines(run: dict, values: dict, units: str) -> list[str]:
    """Return when the ground here is frozen in the forecast, and what it carries."""
    unit = values.get("soil_unit", math.nan)
    rows = [row for row in run.get("nights", []) if row["unit_index"] == unit]
    if not rows:
        return []
    lines = ["Frozen ground in the forecast (a crust does not spare the soil below)"]
    for row in rows:
        most = words.depth_words(row["depth_most_m"], units)
        where = ", under the most liquid" if row["most_liquid"] else ""
        begin, end = (row[name][:16].replace("T", " ") for name in ("start", "end"))
        until = "beyond the forecast" if row["lasts"] else end
        lines.append(
            f"  {begin} to {until}  {row['ground']} of {most}{where}: {row['word']}"
        )
    return [*lines, ""]


def _visit_lines(
    store: dict[str, np.ndarray], visits: list[AxleVisit], run: dict, units: str
) -> list[str]:
    if not visits:
        return ["No axle came past this spot in the logs."]
    labels = {mid: machine.get("label") for mid, machine in run["machines"].items()}
    zone = run["field"]["time_zone"]
    depths = [words.depth_words(float(depth), units) for depth in store["depths"]]
    felt = [v for v in visits if v.cover > 0 or np.nanmax(v.stress, initial=0) >= 1e3]
    lines = ["Passes in order of time, axle by axle; the largest stress in the cell"]
    for visit in felt:
        label = labels.get(visit.machine) or visit.machine
        where = (
            f"{words.share_words(visit.cover)} of the cell under its wheels"
            if visit.cover > 0
            else f"came past, {abs(visit.offset):.1f} m from its middle"
        )
        load, low, high = (
            words.mass_words(value / GRAVITY, units)
            for value in (visit.wheel_load, visit.wheel_load_low, visit.wheel_load_high)
        )
        guess = ", assumed" if visit.pressure_assumed else ""
        axle_load = words.mass_words(visit.axle_load / GRAVITY, units)
        source = _SOURCES.get(visit.source, visit.source)
        which = f"{visit.body} {visit.axle}".removesuffix(" axle")
        lines += _indented(
            f"{words.time_words(visit.time, zone)}: {label}, {which} axle, "
            f"{visit.state} (pass {visit.pass_id}); {where}"
        )
        lines += _indented(
            f"wheel {load} ({low.split()[0]} to {high}; {source}), axle {axle_load}, "
            f"{words.pressure_words(visit.pressure, units)}{guess}"
            f"{patch_words(store, visit, run)}",
            "    ",
        )
        if np.isfinite(visit.theta).any() or np.isfinite(visit.stress).any():
            lines.append("    depth     " + "".join(f"{text:>10}" for text in depths))
        if np.isfinite(visit.theta).any():
            cells = ["-" if math.isnan(t) else f"{100 * t:.0f} %" for t in visit.theta]
            lines.append("    water     " + "".join(f"{text:>10}" for text in cells))
        for name, values in (("stress", visit.stress), ("strength", visit.strength)):
            if np.isfinite(values).any():
                cells = [
                    "-" if math.isnan(v) else words.pressure_words(v, units)
                    for v in values
                ]
                lines.append(
                    f"    {name:<10}" + "".join(f"{text:>10}" for text in cells)
                )
        lines += _known_to(visit, run)
    if len(felt) < len(visits):
        lines.append(f"  {len(visits) - len(felt)} more came past without stress here.")
    return lines


def _known_to(visit: AxleVisit, run: dict) -> list[str]:
    """Return the factor strength may be off by either way, nothing if not known."""
    use = run["settings"]["risk"]
    if not np.isfinite(visit.strength * visit.ln_spread).any():
        return []
    soil = math.hypot(use["spread_law"], use["spread_texture"])
    factors = np.exp(np.hypot(soil, visit.ln_spread))
    cells = [
        "-" if math.isnan(s + f) else f"x {f:.2f}"
        for s, f in zip(visit.strength, factors, strict=True)
    ]
    return ["    known to  " + "".join(f"{text:>10}" for text in cells)]


def _indented(text: str, deep: str = "  ") -> list[str]:
    return textwrap.wrap(text, 78, initial_indent=deep, subsequent_indent=deep)


def _count(value: float) -> str:
    return "not known" if math.isnan(value) else f"{value:.0f}"
