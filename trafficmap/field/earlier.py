"""What earlier seasons left: tillage since, and damage an earlier run wrote down."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

# isort: off
from trafficmap.formats import _gdal  # noqa: F401  (its settings come first)
import numpy as np
import shapely
# isort: on

from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.errors import InputError
from trafficmap.core.grid import FieldGrid
from trafficmap.core.notes import Note
from trafficmap.field.inputs import Inputs
from trafficmap.field.model import Tillage
from trafficmap.field.place import Place
from trafficmap.field.toml import EarlierKeys, TillageKeys
from trafficmap.formats.paths import real_file
from trafficmap.formats.vector import read_polygons

LEDGER_NAME = "ledger.tif"
STEPS = 200
"""Damage is kept in whole steps of a two-hundredth; `UNKNOWN` is not known."""
UNKNOWN = 255
_MAX_JSON = 200_000_000


@dataclass(frozen=True)
class SeasonDamage:
    """Damage that one season did, as its own run found it.

    Parameters
    ----------
    season : int
    until : str
        Day of its newest log.
    damage : ndarray of uint8, shape (n_depths, rows, cols)
        In steps of 1 / `STEPS`, `UNKNOWN` where not assessed or outside.
    """

    season: int
    until: str
    damage: np.ndarray


@dataclass(frozen=True)
class Earlier:
    """Every season an earlier run knew of, on the grid of that run."""

    name: str
    field: str
    grid: FieldGrid
    seasons: tuple[SeasonDamage, ...]


def read_earlier(
    keys: EarlierKeys | None, *, season: int, inputs: Inputs
) -> tuple[Earlier | None, list[Note]]:
    """Return the damage an earlier run wrote down.

    A run that kept no ledger counts with its probability layer alone.

    Raises
    ------
    InputError
        The folder holds no finished run, a file of it is broken, or it is not of an
        earlier season.
    """
    if keys is None:
        return None, []
    folder = inputs.find(keys.run, "earlier.run")
    name = Path(folder).name
    run = _run_json(folder, name)
    inputs.add(folder / "run.json")
    told = run["field"]
    if int(told["season"]) >= season:
        msg = f"earlier.run: {name} is of season {told['season']}, need one before "
        msg += f"{season}."
        raise InputError(msg, "name the run of an earlier season")
    grid = FieldGrid(**run["grid"])
    notes = []
    until = str(run["newest_input"])[:10]
    if (folder / LEDGER_NAME).exists():
        seasons = _read_ledger(folder / LEDGER_NAME, grid)
        inputs.add(folder / LEDGER_NAME)
    else:
        path = folder / "layers" / "probability.tif"
        chance = _bands(path, grid)
        inputs.add(path)
        seasons = (SeasonDamage(int(told["season"]), until, as_steps(chance)),)
        sentence = (
            f"{name}: keeps no ledger of the seasons before it; only season "
            f"{told['season']} is carried over."
        )
        notes.append(Note("earlier.no_ledger", "check", sentence, 1, name))
    kept = tuple(one for one in seasons if one.season < season)
    listed = ", ".join(str(one.season) for one in kept)
    sentence = f"Damage of {listed} is carried over from {name}, shown apart."
    notes.append(Note("earlier.read", "info", sentence, len(kept), name))
    return Earlier(name, str(told["name"]), grid, kept), notes


def read_tillage(
    entries: tuple[TillageKeys, ...], *, place: Place, inputs: Inputs
) -> tuple[tuple[Tillage, ...], list[Note]]:
    """Return the tillage of field.toml in order of its days, shapes in metres."""
    notes: list[Note] = []
    found = []
    for number, keys in enumerate(entries, start=1):
        area = None
        if keys.file is not None:
            path = inputs.find(keys.file, f"tillage[{number}].file")
            inputs.add(path)
            shapes = read_polygons(path, layer=keys.layer)
            notes += shapes.attrs.get("notes", ())
            metric = [place.geometry_to_metric(s, path.name) for s in shapes.geometry]
            area = shapely.union_all([shapely.make_valid(shape) for shape in metric])
            if area.is_empty:
                msg = f"{path.name}: holds no ground, need the shapes that were tilled."
                raise InputError(msg, "leave file out where the whole field was tilled")
        found.append(
            Tillage(keys.date.isoformat(), keys.depth_cm / 100.0, keys.tool, area)
        )
    return tuple(sorted(found, key=lambda entry: entry.date)), notes


def as_steps(damage: np.ndarray) -> np.ndarray:
    """Return damage 0 to 1 in steps, NaN as `UNKNOWN`.

    Examples
    --------
    >>> as_steps(np.array([0.0, 0.5, 1.0, np.nan]))
    array([  0, 100, 200, 255], dtype=uint8)
    """
    known = np.isfinite(damage)
    steps = np.rint(np.where(known, damage, 0.0) * STEPS)
    return np.where(known, np.clip(steps, 0, STEPS), UNKNOWN).astype(np.uint8)


def _run_json(folder: Path, name: str) -> dict:
    path = Path(folder) / "run.json"
    hint = "name the folder that was given with run -o, as a whole path"
    if not path.is_file():
        msg = f"earlier.run: {name} holds no run.json, need a finished run."
        raise InputError(msg, hint)
    try:
        if path.stat().st_size > _MAX_JSON:
            raise ValueError
        run = json.loads(path.read_text(encoding="utf-8"))
        good = run["program"] == "trafficmap" and run["schema"] == 1
        good = good and {"season", "name"} <= set(run["field"])
        good = good and "newest_input" in run and "grid" in run
    except (OSError, ValueError, KeyError, TypeError):
        good = False
    if not good:
        msg = f"earlier.run: {name}/run.json is no run of this program."
        raise InputError(msg, hint)
    return run


def _bands(path: Path, grid: FieldGrid) -> np.ndarray:
    """Return the bands of a GeoTIFF of ours, refusing another shape."""
    import rasterio

    name = f"{path.parent.parent.name}/{path.name}"
    if not path.exists():
        msg = f"earlier.run: {name} is not there, need it to carry damage over."
        raise InputError(msg, "run that season again")
    try:
        with rasterio.open(real_file(path), driver="GTiff") as dataset:
            bands = dataset.read()
    except rasterio.errors.RasterioError:
        msg = f"earlier.run: {name} cannot be read."
        raise InputError(msg, "run that season again") from None
    if bands.shape[1:] != grid.shape or len(bands) % len(COMPUTE_DEPTHS):
        msg = f"earlier.run: {name} does not fit the grid and depths of its run."
        raise InputError(msg, "run that season again")
    return bands


def _read_ledger(path: Path, grid: FieldGrid) -> tuple[SeasonDamage, ...]:
    import rasterio

    bands = _bands(path, grid)
    with rasterio.open(real_file(path), driver="GTiff") as dataset:
        tags = dataset.tags()
    seasons = [text for text in tags.get("seasons", "").split(",") if text]
    until = tags.get("until", "").split(",")
    n = len(COMPUTE_DEPTHS)
    if len(seasons) * n != len(bands) or len(until) != len(seasons):
        msg = f"earlier.run: {path.name} does not say which seasons it holds."
        raise InputError(msg, "run that season again")
    return tuple(
        SeasonDamage(int(season), day, bands[k * n : (k + 1) * n])
        for k, (season, day) in enumerate(zip(seasons, until, strict=True))
    )
