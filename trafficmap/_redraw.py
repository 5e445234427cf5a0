"""Deciding anew from what was measured, where nothing measured would change."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap._decide import decide
from trafficmap.core.errors import InputError

if TYPE_CHECKING:
    from trafficmap._result import Measured, Result
    from trafficmap.core.settings import Settings
    from trafficmap.field.model import Field


def redraw(
    result: Measured, *, settings: Settings | None = None, field: Field | None = None
) -> Result:
    """Decide anew from what was measured: other thresholds, prices, tools, findings.

    Tracks, loads, soil and risk are not worked out again, so it takes a moment where
    `run` takes seconds.

    Parameters
    ----------
    result : Measured or Result
        Of an earlier run.
    settings : Settings, optional
        May differ in the sections ``zones`` and ``plan`` only.
    field : Field, optional
        The same field with other findings, prices, tools, crop or keep-outs; its
        logs, machines, liquid, tillage, soil and weather must be those measured.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        Something differs that would change what was measured.
    """
    use = result.settings if settings is None else settings
    now = result.field if field is None else field
    before = result.settings
    changed = [
        name
        for name in ("tracks", "loads", "soil", "traffic", "risk")
        if getattr(use, name) != getattr(before, name)
    ]
    changed += [
        name
        for name in _MEASURED_FROM
        if not _same(getattr(now, name), getattr(result.field, name))
    ]
    if changed:
        msg = (
            f"{now.name}: {', '.join(changed)} differ from what was measured, need "
            "the same to draw zones anew."
        )
        raise InputError(msg, "run the whole line again")
    return decide(replace(result, settings=use, field=now))


_MEASURED_FROM = (
    *("fixes", "machines", "boundary", "access", "epsg", "tickets"),
    *("liquid", "tillage", "soil", "weather"),
)
"""What of a field the measuring depends on; another of these needs another run."""


def _same(one: Any, two: Any) -> bool:
    """Tell whether two things hold the same values, tables and arrays included."""
    if one is two:
        return True
    if type(one) is not type(two):
        return False
    if hasattr(one, "equals"):
        return bool(one.equals(two))
    if names := getattr(one, "__struct_fields__", ()):
        return all(_same(getattr(one, name), getattr(two, name)) for name in names)
    if is_dataclass(one):
        return all(
            _same(getattr(one, f.name), getattr(two, f.name)) for f in fields(one)
        )
    if isinstance(one, dict):
        return one.keys() == two.keys() and all(_same(one[k], two[k]) for k in one)
    if isinstance(one, list | tuple):
        return len(one) == len(two) and all(map(_same, one, two))
    if isinstance(one, np.ndarray | float):
        return np.array_equal(one, two, equal_nan=np.asarray(one).dtype.kind == "f")
    return bool(one == two)
