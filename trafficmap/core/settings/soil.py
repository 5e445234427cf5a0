"""Settings of the soil room."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

_Share = Annotated[float, msgspec.Meta(ge=0, le=1)]


class SoilSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the soil room."""

    nu: (
        Annotated[
            float,
            msgspec.Meta(gt=2, description="concentration factor; by texture if empty"),
        ]
        | None
    ) = None
    patch_area_max: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="largest contact patch of a tyre of unknown size [m2]; choice",
        ),
    ] = 1.2
    cap_patch: Annotated[
        bool,
        msgspec.Meta(
            description="cap the patch by tyre width and diameter where known; the "
            "cap is O'Sullivan et al. 1999 (coefficients from memory); choice"
        ),
    ] = True
    dual_spacing: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="wheels of one axle closer than this add up, centre to centre "
            "[m]; beyond it the neighbour adds at most 6 % down to 0.8 m; choice",
        ),
    ] = 1.0
    profile_step: Annotated[
        float,
        msgspec.Meta(gt=0, le=0.1, description="step of lateral profiles [m]; choice"),
    ] = 0.025
    profile_reach: Annotated[
        float,
        msgspec.Meta(
            ge=1.0,
            le=5,
            description="how far beside a wheel centre stress is followed [m]; covers "
            "5 % of the axis value at 0.9 m; choice",
        ),
    ] = 1.5
    track_rollers: Annotated[
        int, msgspec.Meta(ge=1, le=20, description="rollers that carry; choice")
    ] = 3
    roller_share: Annotated[
        _Share, msgspec.Meta(description="share of a track load on rollers; choice")
    ] = 0.8
    roller_spread: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="standard deviation of a roller band along travel [m]; choice",
        ),
    ] = 0.10
    strength_tilled: Annotated[
        float,
        msgspec.Meta(gt=0, description="strength at pF 1.8 where tilled [Pa]; choice"),
    ] = 40e3
    strength_normal: Annotated[
        float,
        msgspec.Meta(gt=0, description="strength at pF 1.8 elsewhere [Pa]; choice"),
    ] = 60e3
    strength_clay: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="strength at pF 1.8 of firm clay subsoil [Pa]; choice",
        ),
    ] = 90e3
    strength_max: Annotated[
        float, msgspec.Meta(gt=0, description="highest strength [Pa]; choice")
    ] = 600e3
    clay_firm: Annotated[
        _Share,
        msgspec.Meta(
            description="clay from which subsoil is firm clay, and swells "
            "unless said otherwise; choice"
        ),
    ] = 0.30
    tillage_depth: Annotated[
        float,
        msgspec.Meta(ge=0, description="last tillage when nothing is said [m]; choice"),
    ] = 0.20
    frozen_limit: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="frozen thicker than this: strength is not known [m]; choice",
        ),
    ] = 0.10
    theta_spread: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=0.2,
            description="standard deviation of simulated water content without any "
            "measurement [m3/m3]; Nemes, Schaap & Woesten 2003, Soil Sci. Soc. Am. J. "
            "67:1093 (abstract)",
        ),
    ] = 0.065
    cover: Annotated[
        Literal["crop", "sod"] | None,
        msgspec.Meta(description="what grew; by the crop in field.toml if empty"),
    ] = None
    curve_number: (
        Annotated[
            float,
            msgspec.Meta(
                ge=30,
                le=98,
                description="curve number for average wetness; by soil group if empty",
            ),
        ]
        | None
    ) = None
    deep_drainage: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="most that leaves an undrained profile below 1 m [m/s]; "
            "1.5 mm a day; choice",
        ),
    ] = 1.5e-3 / 86400
    tile_drainage: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="drainage coefficient of tile [m/s]; 10 mm a day (from memory)",
        ),
    ] = 10e-3 / 86400
    melt_factor: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="melt per degree and day [m]; open field, Kuusisto 1980, "
            "Nordic Hydrol. 11:235 (abstract)",
        ),
    ] = 3.5e-3
    evaporation_floor: Annotated[
        float,
        msgspec.Meta(ge=0, description="least daily reference evaporation [m]; choice"),
    ] = 0.15e-3
    roots: Annotated[
        Literal["power", "exponential"],
        msgspec.Meta(description="how roots thin out with depth; choice"),
    ] = "power"
    residue_cover: Annotated[
        _Share, msgspec.Meta(description="ground under crop residue; choice")
    ] = 0.0
    spin_up: Annotated[
        int,
        msgspec.Meta(
            ge=0,
            description="days the water is followed before the first pass, at least; "
            "and from 1 May; choice",
        ),
    ] = 90
    gap_short: Annotated[
        int,
        msgspec.Meta(
            ge=0,
            description="days without weather after which the water is soon known "
            "again; choice",
        ),
    ] = 3
    gap_memory: Annotated[
        int,
        msgspec.Meta(
            ge=0,
            description="days after a longer gap in which the water is not known; "
            "choice",
        ),
    ] = 30
    liquid_class: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="liquid manure is put into classes of this depth [m]; choice",
        ),
    ] = 2e-3
    max_columns: Annotated[
        int,
        msgspec.Meta(
            ge=1, description="soil columns before liquid classes get wider; choice"
        ),
    ] = 200
    frost_resistance: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="heat resistance of residue [m2 K/W]; 0.1 stubble, 0.3 heavy "
            "maize residue; choice",
        ),
    ] = 0.1
    frost_factor: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=2,
            description="surface to air freezing index; bare soil 0.7, "
            "UFC 3-130-04 Table 4-1 (excerpt)",
        ),
    ] = 0.7
    thaw_factor: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="surface to air thawing index; bare 1.4 or more, shaded 1.0, "
            "UFC 3-130-04 Table 4-1 (excerpt); 1.0 is a choice",
        ),
    ] = 1.0
    plastic_limit_spread: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="standard deviation of an estimated plastic limit [kg/kg]; "
            "choice",
        ),
    ] = 0.03
    plastic_limit_spread_measured: Annotated[
        float,
        msgspec.Meta(gt=0, description="the same, measured [kg/kg]; choice"),
    ] = 0.015
    hand_roll_spread: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="standard deviation of one hand-roll reading as water content "
            "[kg/kg]; choice",
        ),
    ] = 0.02
    hand_roll_shares: Annotated[
        tuple[float, float, float],
        msgspec.Meta(
            description="water over plastic limit where the thread rolls, cracks, "
            "crumbles; choice"
        ),
    ] = (1.05, 0.87, 0.75)
    hand_roll_days: Annotated[
        int,
        msgspec.Meta(ge=0, description="days a hand roll holds; choice"),
    ] = 2
    fit_limits: Annotated[
        tuple[float, float],
        msgspec.Meta(description="chance of shattering: by hand, fit; choice"),
    ] = (0.50, 0.80)
    fit_share: Annotated[
        float,
        msgspec.Meta(
            gt=0, description="water over plastic limit that shatters; choice"
        ),
    ] = 0.90
    fit_below_tip: Annotated[
        float,
        msgspec.Meta(ge=0, description="ground below the tip that counts [m]; choice"),
    ] = 0.05
    hard_suction: Annotated[
        float,
        msgspec.Meta(gt=0, description="drier than this is hard on clay [Pa]; choice"),
    ] = 800e3
    hard_clay: Annotated[
        _Share, msgspec.Meta(description="clay above which that holds; choice")
    ] = 0.25
    traffic_suction: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="suction at 0.2-0.4 m below which ground does not carry, and "
            "may rut [Pa]; upper: McNabb & Startsev (abstract); lower: choice"
        ),
    ] = (10e3, 25e3)
