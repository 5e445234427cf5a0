"""explain.npz: what is needed to tell the story of one cell, as plain arrays."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import InputError
from trafficmap.outputs.manifest import SCHEMA

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.pipeline import Result

LEVEL = 2
"""How hard the store is pressed: a seventh larger than at 6, in half the time."""

_NO_TIME = np.iinfo(np.uint32).max
_WHEEL_COLUMNS = ("machine_id", "body", "axle", "kind")
_WHEEL_NUMBERS = (
    *("axle_id", "body_id", "slot", "forward", "right", "width", "diameter"),
    *("pressure", "pressure_assumed", "contact_length", "rollers"),
    *("contact_area", "contact_slope"),
)


def store_bytes(result: Result) -> bytes:
    """Return the file `read_store` reads; no pickle, the same bytes every time."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(
        buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=LEVEL
    ) as packed:
        for name, array in store_arrays(result).items():
            # By name, not by ZipInfo: its date is fixed and the level is kept.
            with packed.open(f"{name}.npy", "w", force_zip64=True) as stream:
                np.lib.format.write_array(stream, array, allow_pickle=False)
    return buffer.getvalue()


def read_store(path: Path) -> dict[str, np.ndarray]:
    """Return the arrays of an explain.npz.

    Raises
    ------
    InputError
        The file is missing, broken, or of another schema.
    """
    try:
        content = io.BytesIO(Path(path).read_bytes())
        with np.load(content, allow_pickle=False) as packed:
            arrays = {name: packed[name] for name in packed.files}
        schema = int(arrays["schema"])
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile) as error:
        msg = f"{Path(path).name}: cannot be read ({type(error).__name__})."
        raise InputError(msg, "run the field again") from None
    if schema != SCHEMA:
        msg = f"{Path(path).name}: has schema {schema}, this program reads {SCHEMA}."
        raise InputError(msg, "use the version of trafficmap that wrote it")
    return arrays


def store_arrays(result: Result) -> dict[str, np.ndarray]:
    """Return every array by name; events and visits stay sorted by cell.

    Times are whole seconds after ``base_time``, covers 255ths, offsets millimetres,
    headings whole degrees from 0 to 180: finer than the place of any wheel is known.
    """
    events, visits, paths = result.events, result.visits, result.paths
    times = np.concatenate([events.time, visits.time])
    known = times[np.isfinite(times)]
    base = float(np.floor(known.min())) if known.size else 0.0
    arrays: dict[str, np.ndarray] = {
        "schema": np.array(SCHEMA),
        "base_time": np.array(base),
        "depths": np.array(COMPUTE_DEPTHS),
        "event_start": events.cell_start.astype(np.uint32),
        "event_wheel": _smallest(events.wheel),
        "event_pass": events.pass_id.astype(np.int32),
        "event_state": _smallest(events.state),
        "event_time": _seconds(events.time, base),
        "event_cover": np.rint(np.clip(events.cover, 0, 1) * 255).astype(np.uint8),
        "visit_start": visits.cell_start.astype(np.uint32),
        "visit_axle": _smallest(visits.axle_id),
        "visit_pass": visits.pass_id.astype(np.int32),
        "visit_state": _smallest(visits.state),
        "visit_time": _seconds(visits.time, base),
        "visit_offset_mm": np.rint(np.clip(visits.offset, -32, 32) * 1000).astype(
            np.int16
        ),
        "visit_heading": np.rint(np.degrees(visits.heading) % 180).astype(np.uint8),
        "pass_id": result.passes["pass_id"].to_numpy(dtype=np.int32),
        "pass_state": _text(result.passes["state"]),
        "state_payload": paths.states.payload.astype(np.float32),
        "state_source": np.asarray(paths.states.source, dtype=np.str_),
        "state_load_low": paths.states.load_low.astype(np.float32),
        "state_load": paths.states.load.astype(np.float32),
        "state_load_high": paths.states.load_high.astype(np.float32),
    }
    for name in _WHEEL_COLUMNS:
        arrays[f"wheel_{name}"] = _text(paths.wheels[name])
    for name in _WHEEL_NUMBERS:
        arrays[f"wheel_{name}"] = paths.wheels[name].to_numpy()
    return arrays | _soil(result)


def _soil(result: Result) -> dict[str, np.ndarray]:
    """Return strength, water and stress tables; empty ones where a step had none."""
    strength, columns = result.strength, result.columns
    profiles = getattr(result, "profiles", None)
    arrays: dict[str, np.ndarray] = {}
    if strength is not None and columns is not None:
        arrays["strength_time"] = np.asarray(strength.times, dtype=np.float64)
        arrays["column_of_cell"] = np.asarray(columns.column_of_cell, dtype=np.int32)
        for name in ("ln_strength", "ln_spread", "theta", "suction"):
            arrays[name] = np.asarray(getattr(strength, name), dtype=np.float32)
    undone = getattr(result, "resets", None)
    if undone is not None:
        arrays["tilled_kind"] = _smallest(undone.kind_of_cell)
        arrays["tilled_since"] = np.asarray(undone.since, dtype=np.float64)
        arrays["loosened"] = np.asarray(undone.loosened, dtype=np.float32)
    if profiles is not None:
        arrays["profile_stress"] = np.asarray(profiles.stress, dtype=np.float32)
        arrays["profile_first"] = np.array(float(profiles.first_offset))
        arrays["profile_step"] = np.array(float(profiles.step))
        arrays["profile_nu"] = np.array(float(profiles.nu))
        arrays["profile_row"] = np.asarray(profiles.row_of, dtype=np.int32)
    return arrays


def _seconds(times: np.ndarray, base: float) -> np.ndarray:
    whole = np.rint(times - base)
    return np.where(np.isfinite(whole), whole, _NO_TIME).astype(np.uint32)


def times_of(seconds: np.ndarray, base: float) -> np.ndarray:
    """Return seconds since 1970 [s], NaN where the clock was not known."""
    return np.where(seconds == _NO_TIME, np.nan, seconds.astype(np.float64) + base)


def _smallest(values: np.ndarray) -> np.ndarray:
    """Return whole numbers in the smallest signed type that holds them."""
    values = np.asarray(values)
    low, high = (values.min(), values.max()) if values.size else (0, 0)
    for dtype in (np.int8, np.int16, np.int32):
        info = np.iinfo(dtype)
        if low >= info.min and high <= info.max:
            return values.astype(dtype)
    return values.astype(np.int64)


def _text(series: pd.Series) -> np.ndarray:
    return np.array([str(value) for value in series], dtype=np.str_)
