"""Contact patches and the second working of stress, as lines a person reads."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.settings import settings_from_dict
from trafficmap.outputs import words
from trafficmap.soil.audit import audit_axles, sinkage_words
from trafficmap.soil.contact import patch_interval

if TYPE_CHECKING:
    from trafficmap.outputs.explain import AxleVisit

_INTRO = (
    "The same stress worked a second way: each tyre a rounded box with uneven "
    "pressure, cut into pieces; each track with its rollers; every wheel of the body "
    "near by added. The map takes a round patch and adds only wheels that stand close. "
    "Two ways of computing agree or not; neither was measured in your field."
)
_SINKAGE = (
    "Sinkage of a stiff wheel in one published sandy loam, for comparison only; no map "
    "rests on it: "
)


def audit_lines(
    store: dict[str, np.ndarray], visits: list[AxleVisit], run: dict
) -> list[str]:
    """Return the second working for the rigs that came past, heaviest state each.

    Parameters
    ----------
    store : dict of ndarray
        From `explain_store.read_store`.
    visits : list of AxleVisit
        The axles that came past.
    run : dict
        run.json.
    """
    if "profile_nu" not in store or not visits:
        return []
    units = run["field"]["units"]
    labels = {mid: machine.get("label") for mid, machine in run["machines"].items()}
    settings = settings_from_dict(run["settings"]).soil
    lines = ["Stress worked a second way", *_wrapped(_INTRO)]
    wheels = wheel_frame(store)
    for machine, state in _heaviest_states(visits).items():
        rig = wheels[wheels["machine_id"] == machine]
        loads = store["state_load"][state, rig["slot"].to_numpy()]
        table = audit_axles(
            rig, loads, nu=float(store["profile_nu"]), settings=settings
        )
        lines.append(f"  {labels.get(machine) or machine}")
        for (body, axle), rows in table.groupby(["body", "axle"], sort=False):
            lines += _axle_lines(f"{body} {axle}", rows, units)
            wheel = rig[(rig["body"] == body) & (rig["axle"] == axle)].iloc[0]
            sinks = sinkage_words(
                float(rows["wheel_load"].iloc[0]), wheel["width"], wheel["diameter"]
            )
            if sinks:
                lines += _wrapped(f"{_SINKAGE}{sinks}.", "    ")
    return [*lines, ""]


def patch_words(store: dict[str, np.ndarray], visit: AxleVisit, run: dict) -> str:
    """Return the contact patch of a visit's heaviest wheel with its interval."""
    if "wheel_contact_slope" not in store:
        return ""
    k = visit.wheel
    kind = str(store["wheel_kind"][k])
    if kind != "tyre" or not visit.wheel_load > 0.0 or not visit.pressure > 0.0:
        return ""
    settings = settings_from_dict(run["settings"]).soil
    sized = settings.cap_patch
    told = (
        float(store["wheel_contact_area"][k]),
        float(store["wheel_contact_slope"][k]),
    )
    ends = patch_interval(
        visit.wheel_load,
        visit.pressure,
        width=float(store["wheel_width"][k]) if sized else math.nan,
        diameter=float(store["wheel_diameter"][k]) if sized else math.nan,
        told=told,
        area_max=settings.patch_area_max,
    )
    low, best, high = (_area(end, run["field"]["units"]) for end in ends)
    unit = "sq in" if run["field"]["units"] == "us" else "m2"
    how = "as told" if told[1] >= 0.0 else "from pressure"
    return f", patch {best} {unit} ({low} to {high}; {how})"


def wheel_frame(store: dict[str, np.ndarray]) -> pd.DataFrame:
    """Return the `WHEELS` columns a store keeps, as a table."""
    return pd.DataFrame(
        {
            name.removeprefix("wheel_"): values
            for name, values in store.items()
            if name.startswith("wheel_")
        }
    )


def _heaviest_states(visits: list[AxleVisit]) -> dict[str, int]:
    """Return, a machine, the load state of its heaviest axle that came past."""
    best: dict[str, tuple[float, int]] = {}
    for visit in visits:
        if not visit.wheel_load > best.get(visit.machine, (0.0, 0))[0]:
            continue
        best[visit.machine] = (visit.wheel_load, visit.state_row)
    return {machine: state for machine, (_, state) in sorted(best.items())}


def _axle_lines(name: str, rows: pd.DataFrame, units: str) -> list[str]:
    depths = [words.depth_words(depth, units) for depth in rows["depth"]]
    lines = [f"    {name.removesuffix(' axle')} axle"]
    lines.append("      depth       " + "".join(f"{text:>10}" for text in depths))
    for label, column in (
        ("map", "stress"),
        ("soft patch", "stress_low"),
        ("hard patch", "stress_high"),
        ("pieces", "pieces"),
    ):
        cells = [words.pressure_words(value, units) for value in rows[column]]
        lines.append(f"      {label:<12}" + "".join(f"{text:>10}" for text in cells))
    cells = [f"{100 * (ratio - 1):+.0f} %" for ratio in rows["ratio"]]
    lines.append("      difference  " + "".join(f"{text:>10}" for text in cells))
    return lines


def _area(area: float, units: str) -> str:
    return f"{area / 0.0254**2:.0f}" if units == "us" else f"{area:.2f}"


def _wrapped(text: str, deep: str = "  ") -> list[str]:
    return textwrap.wrap(text, 78, initial_indent=deep, subsequent_indent=deep)
