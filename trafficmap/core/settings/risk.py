"""Settings of the risk room."""

from __future__ import annotations

from typing import Annotated

import msgspec

_Share = Annotated[float, msgspec.Meta(ge=0, le=1)]


class RiskSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the risk room."""

    class_limits: Annotated[
        tuple[_Share, _Share, _Share],
        msgspec.Meta(description="unlikely / possible / likely / very likely; choice"),
    ] = (0.20, 0.50, 0.80)
    undecided: Annotated[
        tuple[_Share, _Share],
        msgspec.Meta(description="band tagged undecided: dig or probe; choice"),
    ] = (0.35, 0.65)
    spread_law: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="standard deviation of ln strength at a known suction by the "
            "law itself, the whole field alike; with spread_texture a factor of 1.5 "
            "either way, of the size of the spread between five fitting methods (means "
            "50 to 130 kPa, Cavalieri et al. 2008); what is not known of the water "
            "comes on top, worked out for every hour and depth; choice",
        ),
    ] = 0.35
    spread_texture: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="standard deviation of ln strength at a known suction between "
            "soils of one name, one soil unit alike; choice",
        ),
    ] = 0.20
    spread_stress: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="standard deviation of ln stress at the shallow and at the "
            "deep end of spread_depths; holds patch and propagation, the interval of "
            "the load comes on top; choice"
        ),
    ] = (0.30, 0.20)
    spread_depths: Annotated[
        tuple[float, float],
        msgspec.Meta(description="depths between which it goes over [m]; choice"),
    ] = (0.35, 0.50)
    unwheeled_share: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            lt=1,
            description="below this share of the largest stress of the axle at that "
            "depth the ground counts as not wheeled there; choice",
        ),
    ] = 0.05
    pass_growth: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="k in D (1 + k ln N); 0.2404 makes the first of four passes "
            "do 75 % of the change, Taylor et al. 1982 Trans. ASAE 25:1505 (from "
            "memory); may lie between 0.1 and 0.5; choice",
        ),
    ] = 0.2404
    floor: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=1,
            description="least probability under heavy wheels on swelling clay, "
            "however dry; no published value; choice",
        ),
    ] = 0.20
    floor_mass: Annotated[
        float, msgspec.Meta(gt=0, description="heavy: mass on a wheel [kg]; choice")
    ] = 7000.0
    floor_depth: Annotated[
        float, msgspec.Meta(ge=0, description="the floor holds down to [m]; choice")
    ] = 0.70
    persistence_depths: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="damage of earlier seasons: topsoil lies above the first, soil "
            "that never recovers below the second depth [m]; 0.40 m after Håkansson & "
            "Reeder 1994, Soil Till. Res. 29:277-304 (abstract); 0.25 m a choice"
        ),
    ] = (0.25, 0.40)
    persistence_years: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="seasons in which damage of the topsoil, and of the soil "
            "between persistence_depths, fades to nothing in even steps; about 5 and "
            "10, a fact sheet on the same trials (excerpt); choice"
        ),
    ] = (5.0, 10.0)
    mean_points: Annotated[
        int,
        msgspec.Meta(
            ge=1,
            le=99,
            description="places across a cell for its mean, and about their square in "
            "the cell where passes cross askew; choice",
        ),
    ] = 9
    square_angle: Annotated[
        float,
        msgspec.Meta(
            ge=0.0,
            le=45.0,
            description="passes this close to one heading, or to square across it, are "
            "taken as along or across [deg]; choice",
        ),
    ] = 5.0
    draws: Annotated[
        int,
        msgspec.Meta(
            ge=0,
            le=10_000,
            description="seasons drawn for joint intervals; 0 draws none, `run --draws`"
            " sets it; 200 leave an end of the interval good to a few percent; choice",
        ),
    ] = 0
    draw_seed: Annotated[
        int,
        msgspec.Meta(
            ge=0,
            le=2**31 - 1,
            description="the same seed draws the same seasons; choice",
        ),
    ] = 1
    rut_suction: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="suction of the top layer below which ground does not carry, "
            "and below which it may rut [Pa]; the upper one after McNabb & Startsev, "
            "the lower one a choice"
        ),
    ] = (10e3, 25e3)
