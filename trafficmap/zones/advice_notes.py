"""What a person must know of the advice beside it: assumptions, misses, limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trafficmap.core.notes import Note
from trafficmap.field.place import area_words

if TYPE_CHECKING:
    from trafficmap.core.settings.zones import ZoneSettings
    from trafficmap.field.model import Field


def advice_notes(
    table: pd.DataFrame, *, field: Field, settings: ZoneSettings
) -> list[Note]:
    """Return what the advice rests on where that is not obvious.

    Parameters
    ----------
    table : DataFrame
        Units with their advice, as `decide_units` leaves them.
    field : Field
    settings : ZoneSettings
    """
    notes = []
    if settings.assume_confirmed is not None:
        sentence = (
            "a layer is assumed wherever no finding settles it, nobody dug: try things "
            "out with this, do not work by it."
        )
        notes.append(Note("zones.assumed_layer", "stop", sentence))
    if field.utilities != "located":
        what = (
            "are not located" if field.utilities == "not located" else "were not named"
        )
        sentence = (
            f"buried lines {what}: no shank goes into the ground before they are "
            "located. Say so in field.toml once they are."
        )
        notes.append(Note("zones.utilities", "check", sentence))
    if field.tile.state == "unsaid":
        sentence = (
            "nothing was said about tile: no tip goes below 14 in (36 cm), and deeper "
            "layers wait till the tile is located."
        )
        notes.append(Note("zones.tile_unsaid", "check", sentence))
    notes += _shallow_pass(table, field, settings)
    against = int(np.count_nonzero(table["further"].str.contains(r"\(D21\)")))
    if against:
        sentence = (
            f"in {against} zones the probes contradict the model; the probes count. "
            "Look at the soil classes there."
        )
        notes.append(Note("zones.probes_against_model", "check", sentence, against))
    return notes


def _shallow_pass(
    table: pd.DataFrame, field: Field, settings: ZoneSettings
) -> list[Note]:
    """Say that the usual fall pass does not reach damage that lies below it."""
    if not field.crop.fall_pass or field.crop.no_till:
        return []
    depth = field.crop.last_tillage_depth or settings.fall_pass_depth
    below = table["worst_depth"] > depth
    risky = below & table["assessed"] & (table["probability"] >= settings.seed)
    risky &= table["kind"].ne("keep_out")
    if not risky.any():
        return []
    sentence = (
        f"the usual fall pass ({field.crop.fall_pass}) works about "
        f"{_depth_words(depth)} deep: it does not reach damage below that, possible or "
        f"likelier on {area_words(float(table.loc[risky, 'area'].sum()))}, and must "
        "not be set deeper for it before anybody has dug."
    )
    return [Note("zones.shallow_pass", "info", sentence, int(risky.sum()))]


def _depth_words(depth: float) -> str:
    return f"{depth / 0.0254:.0f} in ({depth * 100:.0f} cm)"
