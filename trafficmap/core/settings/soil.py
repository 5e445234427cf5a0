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
    strength_law: Annotated[
        Literal["line", "measured"],
        msgspec.Meta(
            description="how strength follows suction: line, straight over pF with one "
            "bend; measured, through strength_pairs of your own soil; choice"
        ),
    ] = "line"
    strength_slopes: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="rise of log10 strength a unit of pF below and above the bend; "
            "a factor of 5.4 from pF 1.8 to 4.0, low side of the 5.5 to 12.5 between a "
            "wet May and a dry August, Trautner & Arvidsson 2003 (abstract); choice"
        ),
    ] = (0.19, 0.40)
    strength_bend: Annotated[
        float, msgspec.Meta(gt=1.8, le=5, description="pF of the bend [1]; choice")
    ] = 2.5
    strength_pairs: Annotated[
        tuple[tuple[float, float], ...],
        msgspec.Meta(
            max_length=50,
            description="for measured: suction [Pa] and precompression stress [Pa] of "
            "undisturbed cores, drier last; tilled soil takes its share of it as in "
            "strength_tilled over strength_normal",
        ),
    ] = ()
    density_line: Annotated[
        tuple[float, float] | None,
        msgspec.Meta(
            description="N and lambda of v = N - lambda ln(p / kPa), fitted on your "
            "own soil; gives the layer density_pressed. Off if empty: published lines "
            "for one texture lie 0.28 Mg/m3 apart at 100 kPa (Ansorge 2007)"
        ),
    ] = None
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
    retention: Annotated[
        Literal["saxton_rawls", "van_genuchten"],
        msgspec.Meta(
            description="from texture to water: saxton_rawls, own code; "
            "van_genuchten, by the package rosetta-soil, which has to be installed; "
            "choice"
        ),
    ] = "saxton_rawls"
    theta_spread: (
        Annotated[
            float,
            msgspec.Meta(
                gt=0,
                le=0.2,
                description="one standard deviation of simulated water content for all "
                "depths and days [m3/m3]; built up from its sources if empty",
            ),
        ]
        | None
    ) = None
    retention_spread: Annotated[
        tuple[float, float, float],
        msgspec.Meta(
            description="standard error of water when full, at 33 kPa and at 1500 kPa "
            "as the retention equations give it [m3/m3]; Saxton & Rawls 2006 (from "
            "memory)"
        ),
    ] = (0.04, 0.05, 0.02)
    class_spread: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="standard deviation of sand and clay within a texture class, "
            "where only the class is known [kg/kg]; choice"
        ),
    ] = (0.08, 0.05)
    rain_spread: Annotated[
        tuple[float, float],
        msgspec.Meta(
            description="standard deviation of the rain of a day by a gauge in the "
            "field, and what 10 km of distance add [fraction]; choice"
        ),
    ] = (0.05, 0.30)
    eto_spread: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=1,
            description="error of reference evapotranspiration over a season "
            "[fraction]; + 8.5 % in a humid climate, Fisher & Pringle 2013 (abstract); "
            "rounded, choice",
        ),
    ] = 0.10
    curve_number_spread: Annotated[
        float,
        msgspec.Meta(ge=0, le=20, description="error of the curve number; choice"),
    ] = 5.0
    model_spread: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=0.2,
            description="standard deviation of what the model itself leaves out "
            "[m3/m3]; makes the whole 0.065 at 33 kPa with a gauge in the field, as "
            "simulations from texture were off in Nemes, Schaap & Woesten 2003, Soil "
            "Sci. Soc. Am. J. 67:1093 (abstract); choice",
        ),
    ] = 0.04
    moisture_spread: Annotated[
        tuple[float, float, float],
        msgspec.Meta(
            description="standard deviation of a moisture probe calibrated for the "
            "soil, of one with the calibration of its maker, and of the ground around "
            "it [m3/m3]; network calibration at 33 sites 2018, Vadose Zone J. "
            "(abstract) for the first two; 0.03 is a choice"
        ),
    ] = (0.028, 0.123, 0.03)
    feel_spread: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="standard deviation of water judged by feel [m3/m3]; choice",
        ),
    ] = 0.035
    reading_days: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="days after which a moisture reading counts a third, before "
            "and after it; choice",
        ),
    ] = 30.0
    reading_elsewhere: Annotated[
        _Share,
        msgspec.Meta(
            description="how far errors of two soil units go together; choice"
        ),
    ] = 0.5
    cover: Annotated[
        Literal["crop", "sod", "bare"] | None,
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
    forecast_rain_spread: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=2,
            description="how far the rain of a forecast may be off, as a share of it; "
            "choice",
        ),
    ] = 0.5
    closed_dry_days: Annotated[
        int,
        msgspec.Meta(
            ge=1,
            le=120,
            description="days without rain after the forecast that must not be enough "
            "to dry the soil before the season for deep work is called closed; choice",
        ),
    ] = 30
    work_rain_day: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=0.05,
            description="rain of a day above which no field work is done on it [m]; "
            "choice",
        ),
    ] = 0.0025
    work_rain_hour: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=0.05,
            description="rain of an hour from which it is too wet to work [m]; choice",
        ),
    ] = 0.0002
    work_snow: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=1,
            description="depth of snow above which no field work is done [m]; choice",
        ),
    ] = 0.05
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
    thaw_path: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="how far below the frost the ground keeps its warmth, which "
            "thaws it from below on mild days [m]; choice",
        ),
    ] = 1.0
    crust_least: Annotated[
        float,
        msgspec.Meta(
            ge=0.005,
            le=0.05,
            description="thinner frost of a night is not worth the name [m]; choice",
        ),
    ] = 0.01
    thaw_slick: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=0.2,
            description="thawed deeper than this over frozen ground does not carry "
            "[m]; traction of wet sandy soil is 0.88 at 3 cm and 0.66 at 8 cm, CRREL "
            "SR-04-1, table A3 (excerpt); choice",
        ),
    ] = 0.03
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
    packed_days: Annotated[
        int,
        msgspec.Meta(
            ge=0,
            le=30,
            description="days for which packed end rows stay as wet as they were, "
            "where nobody has rolled their soil; choice, the trade only says that "
            "packed ground stays wet longer",
        ),
    ] = 3
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
