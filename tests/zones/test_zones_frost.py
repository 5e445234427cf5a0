"""Ice at the shank tip stops ripping, though the ground above it is thawed."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from trafficmap.core.settings.zones import ZoneSettings
from trafficmap.zones.advise import unit_inputs
from trafficmap.zones.decide import decide

INCH = 0.0254
ROW = {
    "unit": 0,
    "probability": 0.9,
    "assessed": True,
    "probed": "confirmed",
    "layer_bottom": 11 * INCH,
    "rolls": (),
    "trial": "shatters",
    "rut": 0.0,
    "kind": "body",
}


def inputs(field, *, tip_frozen=None, frozen=0.0, bottom=11 * INCH):
    fit = {"word": ["shatters"], "fresh": [True], "frozen": [frozen]}
    if tip_frozen is not None:
        fit["tip_frozen"] = [tip_frozen]
    return unit_inputs(
        ROW | {"layer_bottom": bottom},
        field=field,
        tool=None,
        settings=ZoneSettings(),
        price=pd.DataFrame({"net": [100.0]}),
        fit=pd.DataFrame(fit),
    )


def test_ice_left_at_the_tip_stops(make_field):
    # 2 cm of old frost at 12 in under thawed ground: thin, and yet in the way.
    thawed = inputs(make_field(), tip_frozen=True, frozen=0.02)
    assert thawed.tip_frozen
    assert decide(thawed).row == "D15"
    free = inputs(make_field(), tip_frozen=False, frozen=0.02)
    assert not free.tip_frozen
    assert decide(free).row != "D15"
    assert not inputs(make_field()).tip_frozen


@pytest.mark.parametrize(
    ("measured", "bottom", "frozen"),
    [(0.40, 11 * INCH, True), (0.05, 11 * INCH, False), (0.40, math.nan, False)],
)
def test_what_was_measured_today_goes_over_the_model(
    make_field, measured, bottom, frozen
):
    field = make_field(frost=measured)
    assert inputs(field, tip_frozen=not frozen, bottom=bottom).tip_frozen is frozen
