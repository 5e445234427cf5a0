"""Settings of the plan room."""

from __future__ import annotations

from typing import Annotated, Literal

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
    loss_spread: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="low and high end of the loss, as share of it: 5 to 6 % after "
            "one pass of a 20-ton axle (farm press) and 15 %, the whole first year of "
            "Håkansson & Reeder 1994, against 10 %"
        ),
    ] = (0.6, 1.5)
    limits_spread: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="low and high end of the chance that a confirmed layer limits "
            "yield [fraction]; choice"
        ),
    ] = (0.50, 0.90)
    fracture_spread: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="low and high end of the chance that fit soil shatters; 75 to "
            "80 % of a layer breaks in ideal soil (US forest service), low end choice"
        ),
    ] = (0.60, 0.80)
    topsoil_loss_share: Annotated[
        _Share,
        msgspec.Meta(
            description="share of the loss in reach that lies in the topsoil, 6 of 10 "
            "points; the rest in the upper subsoil; choice"
        ),
    ] = 0.6
    topsoil_bottom: Annotated[
        float,
        msgspec.Meta(gt=0, description="bottom of the topsoil [m]; 10 in, choice"),
    ] = 0.25
    upper_bottom: Annotated[
        float,
        msgspec.Meta(gt=0, description="bottom of the upper subsoil [m]; 16 in"),
    ] = 0.40
    years: Annotated[
        float,
        msgspec.Meta(
            ge=1,
            le=2,
            description="years of benefit where wheels keep to no lanes; the first "
            "passes take most of it back (a state's trials, second hand)",
        ),
    ] = 1.0
    lane_years: Annotated[
        int,
        msgspec.Meta(
            ge=1, le=10, description="crops counted where wheels keep to lanes; choice"
        ),
    ] = 2
    residual: Annotated[
        _Share,
        msgspec.Meta(
            description="share of the benefit left each year later, about half "
            "(farm press)"
        ),
    ] = 0.5
    pays_when: Annotated[
        Literal["sure", "on balance"],
        msgspec.Meta(
            description="what counts as paying: sure, when the whole range of the net "
            "gain is above zero; on balance, when the best guess is; choice"
        ),
    ] = "sure"
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
    ripping_range: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="20 and 36 an acre: custom rates of two states 2019 to 2021 "
            "with their later rises; choice"
        ),
    ] = (20.0 * _PER_AC, 36.0 * _PER_AC)
    levelling: Annotated[
        float, msgspec.Meta(ge=0, description="16 an acre, field cultivator 2019")
    ] = 16.0 * _PER_AC
    fall_pass: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="the fall pass that ripping replaces, 22 an acre: chisel "
            "plough, 18.35 in a 2019 survey, with its later rises, of the year of the "
            "price of ripping; choice",
        ),
    ] = 22.0 * _PER_AC

    # --- time ---
    odds_days: Annotated[
        int,
        msgspec.Meta(
            ge=1, le=200, description="days from now on odds are told for; choice"
        ),
    ] = 60

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
    slip_limit: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=0.5,
            description="most slip of drive wheels [fraction]; upper end of best slip "
            "on soft ground (Univ. of Arizona extension)",
        ),
    ] = 0.15
    ground_cone_index: Annotated[
        float,
        msgspec.Meta(
            gt=0, description="of the ground the tractor runs on [Pa]; firm, choice"
        ),
    ] = 900e3
    load_share: Annotated[
        float,
        msgspec.Meta(gt=0, le=1, description="engine load when ripping; choice"),
    ] = 0.8

    # --- own cost ---
    repair: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="repair of a ripper over its life: first factor times price "
            "times (hours / 1000) to the second (ASABE D497, from memory)"
        ),
    ] = (0.28, 1.4)
    driver_factor: Annotated[
        float,
        msgspec.Meta(
            ge=1, description="hours of a driver for one of the machine (from memory)"
        ),
    ] = 1.15
    lube: Annotated[
        _Share,
        msgspec.Meta(description="oil and grease as share of fuel money (from memory)"),
    ] = 0.15

    # --- order of fields ---
    setup_time: Annotated[
        float,
        msgspec.Meta(
            ge=0, description="fold, unfold and set up at each new field [s]; choice"
        ),
    ] = 900.0
    road_speed: Annotated[
        float,
        msgspec.Meta(gt=0, description="rig on the road [m/s], 25 km/h; choice"),
    ] = 25 / 3.6
    road_factor: Annotated[
        float,
        msgspec.Meta(ge=1, description="road over straight line; choice"),
    ] = 1.3
