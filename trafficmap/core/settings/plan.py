"""Settings of the plan room."""

from __future__ import annotations

from typing import Annotated

import msgspec

_Share = Annotated[float, msgspec.Meta(ge=0, le=1)]

_PER_AC = 1 / 4046.8564224  # currency an acre -> currency a m2


class PlanSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the plan room."""

    # --- gain ---
    loss_reachable: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=1,
            description="yield lost on wheeled ground that tillage can reach: 10 of 15 "
            "points in the first year, Håkansson & Reeder 1994 STR 29:277-304",
        ),
    ] = 0.10
    limits: Annotated[
        _Share,
        msgspec.Meta(description="chance that a confirmed layer limits yield; choice"),
    ] = 0.70
    limits_unprobed: Annotated[
        _Share,
        msgspec.Meta(description="the same where nobody dug; a survey in Kentucky"),
    ] = 0.18
    fracture: Annotated[
        _Share, msgspec.Meta(description="chance that fit soil shatters; choice")
    ] = 0.75
    fracture_wet: Annotated[
        _Share, msgspec.Meta(description="the same where too wet; choice")
    ] = 0.20
    years: Annotated[
        float,
        msgspec.Meta(
            ge=1,
            le=2,
            description="years of benefit; 1 unless wheels keep to lanes, then 1.5",
        ),
    ] = 1.0
    response_low: Annotated[
        float,
        msgspec.Meta(
            ge=-1,
            description="lowest yield response to ripping seen in twelve farm trials, "
            "-6.4 bu/ac of 200 (northwest Iowa 2005)",
        ),
    ] = -0.032
    response_high: Annotated[
        float,
        msgspec.Meta(le=1, description="the highest, +24.4 bu/ac of 200"),
    ] = 0.122
    corn_yield: Annotated[
        float,
        msgspec.Meta(gt=0, description="assumed where not given [kg/m2], 200 bu/ac"),
    ] = 200 * 25.40117272 * _PER_AC
    corn_price: Annotated[
        float,
        msgspec.Meta(
            gt=0, description="assumed where not given, 4.00 a bushel, per kg"
        ),
    ] = 4.00 / 25.40117272

    # --- cost where the owner gave none, per m2 ---
    ripping: Annotated[
        float,
        msgspec.Meta(
            ge=0, description="27 an acre: a 2019 survey with its later rises; choice"
        ),
    ] = 27.0 * _PER_AC
    levelling: Annotated[
        float, msgspec.Meta(ge=0, description="16 an acre, field cultivator 2019")
    ] = 16.0 * _PER_AC
    fall_pass: Annotated[
        float,
        msgspec.Meta(ge=0, description="18.35 an acre, chisel plough 2019; replaced"),
    ] = 18.35 * _PER_AC

    # --- machine ---
    speed: Annotated[
        float, msgspec.Meta(gt=0, description="speed when ripping [m/s], 6 km/h")
    ] = 6 / 3.6
    speed_window: Annotated[
        tuple[float, float],
        msgspec.Meta(description="slowest and fastest [m/s], 4 to 7 km/h (D497)"),
    ] = (4 / 3.6, 7 / 3.6)
    turn_time: Annotated[
        float, msgspec.Meta(ge=0, description="one turn at a run's end [s]; choice")
    ] = 20.0
    overlap: Annotated[
        _Share, msgspec.Meta(description="share of the width that is new; choice")
    ] = 0.95
    transport_speed: Annotated[
        float, msgspec.Meta(gt=0, description="between zones [m/s], 10 km/h; choice")
    ] = 10 / 3.6
    draft_spread: Annotated[
        _Share, msgspec.Meta(description="draft either way, D497")
    ] = 0.5
    load_share: Annotated[
        float,
        msgspec.Meta(gt=0, le=1, description="engine load when ripping; choice"),
    ] = 0.8
