"""Settings of the loads room."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta


class LoadSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the loads room."""

    payload_classes: Annotated[
        int,
        Meta(ge=4, le=200, description="load states between empty and full; choice"),
    ] = 50

    station_step: Annotated[
        float,
        Meta(
            gt=0,
            le=0.5,
            description="distance between stations of a path [m]; 0.5 m leaves 2 mm "
            "on a 6 m trailer in a 12 m circle; choice",
        ),
    ] = 0.45
    moving_step: Annotated[
        float,
        Meta(gt=0, le=2, description="shorter moves are noise [m]; choice"),
    ] = 0.25
    standing_step: Annotated[
        float,
        Meta(gt=0, le=10, description="the same while standing [m]; choice"),
    ] = 1.0
    heading_base: Annotated[
        float,
        Meta(
            gt=0,
            le=30,
            description="heading is taken over this distance [m], and over 10 times "
            "the error of the fixes where that is more; choice",
        ),
    ] = 3.0
    filter_arm: Annotated[
        float,
        Meta(
            gt=0,
            le=10,
            description="antenna this far from the reference axle: heading from the "
            "antenna filter instead of the bearing [m]; choice",
        ),
    ] = 1.0
    cusp_speed: Annotated[
        float,
        Meta(
            gt=0,
            le=5,
            description="a sharp change of course below this speed is a change of "
            "direction [m/s]; choice",
        ),
    ] = 1.5

    unsure_place: Annotated[
        float,
        Meta(
            gt=0,
            le=10,
            description="where a pushed cart is known worse than this, one sigma, a "
            "note says so [m]; choice",
        ),
    ] = 0.5

    rolling_resistance: Annotated[
        float,
        Meta(
            ge=0,
            le=0.4,
            description="pull of what rolls behind a hitch, share of the load on its "
            "wheels; 0.04 to 0.15 from firm to soft ground (form of Brixius 1987, from "
            "memory)",
        ),
    ] = 0.07
    slope_from_heights: Annotated[
        bool,
        Meta(
            description="shift axle and wheel loads on slopes that logged heights "
            "tell; choice"
        ),
    ] = True
    slope_cell: Annotated[
        float,
        Meta(
            ge=5,
            le=100,
            description="slopes from logged heights are planes over three by three "
            "squares of this side [m]; choice",
        ),
    ] = 15.0
    slope_error: Annotated[
        float,
        Meta(
            gt=0,
            le=0.2,
            description="a slope from heights counts where its error, one sigma, stays "
            "below this [rise over run]; choice",
        ),
    ] = 0.015
    slope_step: Annotated[
        float,
        Meta(
            gt=0,
            le=0.2,
            description="pitch and roll are put into classes of this width; 0.03 "
            "leaves 2 % on a wheel of a tall axle [rise over run]; choice",
        ),
    ] = 0.03

    flow_lag: (
        Annotated[
            float,
            Meta(
                ge=0,
                le=60,
                description="seconds from cutting to the flow sensor where the log was "
                "not shifted yet; grain is on board from cutting on [s]; left out, it "
                "is found from where the header goes up and down; whole combines need "
                "10 to 20 s (from memory)",
            ),
        ]
        | None
    ) = None
    signal_spread: Annotated[
        float,
        Meta(
            ge=0,
            le=1,
            description="half width of the interval of a logged load, share of the "
            "capacity; choice",
        ),
    ] = 0.05
    ledger_spread: Annotated[
        float,
        Meta(
            ge=0,
            le=1,
            description="half width of the interval of a load kept by the ledger, "
            "share of the capacity; choice",
        ),
    ] = 0.10
    heap: Annotated[
        float,
        Meta(
            ge=0,
            le=0.5,
            description="a tank takes this much more than its level full; choice",
        ),
    ] = 0.05
    unload_early: Annotated[
        float,
        Meta(
            gt=0,
            le=1,
            description="low scenario: a tank is emptied at this share of its "
            "capacity; choice",
        ),
    ] = 0.60
    stop_share: Annotated[
        float,
        Meta(
            gt=0,
            le=1,
            description="a stop empties a harvester's tank holding at least this "
            "share; choice",
        ),
    ] = 0.50
    unload_stop: Annotated[
        float,
        Meta(gt=0, description="shortest stop that may be an unloading [s]; choice"),
    ] = 45.0
    refill_stop: Annotated[
        float,
        Meta(gt=0, description="shortest stop that may fill a tanker [s]; choice"),
    ] = 60.0
    unload_rate: Annotated[
        float,
        Meta(
            gt=0,
            le=5,
            description="unloading rate of a harvester that does not tell it [m3/s]; "
            "combines 0.09 to 0.16 (from memory)",
        ),
    ] = 0.12
    cart_unload_rate: Annotated[
        float,
        Meta(
            gt=0,
            le=5,
            description="unloading rate of a cart or trailer that does not tell it "
            "[m3/s]; carts 0.15 to 0.40 (from memory)",
        ),
    ] = 0.25
    ledger_gap: Annotated[
        float,
        Meta(
            gt=0,
            description="a longer hole in a log breaks its ledger [s]; choice",
        ),
    ] = 600.0

    gate_lateral: Annotated[
        tuple[float, float],
        Meta(description="cart beside the combine, from and to [m]; choice"),
    ] = (4.0, 13.0)
    gate_ahead: Annotated[
        float, Meta(gt=0, description="cart ahead or behind, at most [m]; choice")
    ] = 8.0
    gate_heading: Annotated[
        float, Meta(gt=0, le=90, description="headings differ at most [deg]; choice")
    ] = 20.0
    gate_heading_curve: Annotated[
        float,
        Meta(
            gt=0,
            le=90,
            description="the same while both turn the same way [deg]; choice",
        ),
    ] = 35.0
    gate_speed: Annotated[
        float, Meta(gt=0, description="speeds differ at most [m/s]; choice")
    ] = 0.4
    gate_reach: Annotated[
        float, Meta(gt=0, description="standing transfer, at most apart [m]; choice")
    ] = 15.0
    gate_truck: Annotated[
        float,
        Meta(
            gt=0,
            description="cart standing by a truck: from the cart's axle to the hopper, "
            "at most [m]; choice",
        ),
    ] = 20.0
    gate_time: Annotated[
        float, Meta(gt=0, description="shortest transfer [s]; choice")
    ] = 20.0
    gate_bridge: Annotated[
        float, Meta(ge=0, description="gate open again within [s]; choice")
    ] = 10.0
