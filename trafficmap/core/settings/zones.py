"""Settings of the zones room."""

from __future__ import annotations

from typing import Annotated

import msgspec

_Positive = Annotated[float, msgspec.Meta(gt=0)]
_Share = Annotated[float, msgspec.Meta(ge=0, le=1)]


class ZoneSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the zones room."""

    # --- cutting the ground into units ---
    seed: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=1,
            description="chance at the worst depth that seeds a zone; choice",
        ),
    ] = 0.35
    seed_share: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=1,
            description="from this share of its run-over ground on, seeds alone stand "
            "for a unit; choice",
        ),
    ] = 0.10
    min_area: Annotated[
        float,
        msgspec.Meta(
            gt=0, description="smallest zone in the body [m2], 0.5 ac; choice"
        ),
    ] = 2023.0
    min_length: Annotated[
        float,
        msgspec.Meta(gt=0, description="shortest run of a zone [m], 100 ft; choice"),
    ] = 30.5
    machine_lengths: Annotated[
        float,
        msgspec.Meta(gt=0, description="and at least so many rig lengths; choice"),
    ] = 3.0
    place_error: Annotated[
        float,
        msgspec.Meta(
            ge=0, description="steering and hitch error to each side [m]; choice"
        ),
    ] = 0.3
    width_assumed: Annotated[
        float,
        msgspec.Meta(
            gt=0, description="working width where no tool is named [m]; choice"
        ),
    ] = 5.0
    overlap_ratio: Annotated[
        float,
        msgspec.Meta(
            gt=1, description="liquid above this times the single rate; choice"
        ),
    ] = 1.5
    not_assessed_share: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=1,
            description="a unit with more of its run-over ground not assessed has no "
            "answer as a whole; choice",
        ),
    ] = 0.2
    most_units: Annotated[
        int,
        msgspec.Meta(
            ge=1,
            description="most zones in the body, smaller pieces are joined to their "
            "neighbours; a display is given a few depths, not these; choice",
        ),
    ] = 16
    twin_reach: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="readings this near belong to a zone as its twin [m]; choice",
        ),
    ] = 50.0

    reading_reach: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            description="wheels that passed this near after a reading make it too old "
            "[m]; choice",
        ),
    ] = 2.0

    probe_frost: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="probes pushed through so much frost do not count [m], 1 in; "
            "choice",
        ),
    ] = 0.025

    # --- confirming a layer ---
    cone_limit: Annotated[
        float,
        msgspec.Meta(gt=0, description="cone index that stops roots [Pa], 300 psi"),
    ] = 300 * 6894.757293168
    layer_thickness: Annotated[
        float,
        msgspec.Meta(gt=0, description="above it over at least [m], 2 in; choice"),
    ] = 0.0508
    confirm_share: Annotated[
        _Share, msgspec.Meta(description="share of wheeled probes above it; choice")
    ] = 0.5
    confirm_ratio: Annotated[
        float, msgspec.Meta(gt=1, description="cone index against the twin; choice")
    ] = 1.25
    min_probes: Annotated[
        int,
        msgspec.Meta(
            ge=1,
            description="fewest probes on each side to say anything: 25 % either way "
            "at a spread of 30 %; choice",
        ),
    ] = 4
    assume_confirmed: (
        Annotated[
            float,
            msgspec.Meta(
                gt=0,
                le=2,
                description="take a layer with this bottom [m] as confirmed "
                "wherever no finding settles it, for trying out only; printed "
                "everywhere",
            ),
        ]
        | None
    ) = None

    # --- the decision ---
    reach: Annotated[
        float,
        msgspec.Meta(gt=0, description="deepest layer bottom worth ripping [m], 16 in"),
    ] = 0.4064
    critical_widths: Annotated[
        float,
        msgspec.Meta(
            ge=3,
            le=7,
            description="deepest tip in widths of the foot, below it shanks smear; 5 "
            "to 7 by a soil management handbook (British Columbia, 4.3.1), the "
            "cautious end; winged feet count 1.3 times wider",
        ),
    ] = 5.0
    contour_slope: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="steeper ground is worked along the contour, not across the "
            "tracks; contour farming is usual from 2 % on (from memory)",
        ),
    ] = 0.02
    tile_clearance: Annotated[
        float, msgspec.Meta(gt=0, description="kept above tile [m], 8 in; choice")
    ] = 0.2032
    tile_unknown_cap: Annotated[
        float,
        msgspec.Meta(gt=0, description="deepest tip, tile depth not known [m], 14 in"),
    ] = 0.3556
    organic_soil: Annotated[
        _Share,
        msgspec.Meta(
            description="organic matter from which on soil is organic and is left; "
            "12 % organic carbon (USDA soil taxonomy, from memory) times 1.72"
        ),
    ] = 0.20
    fall_pass_depth: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="depth of a usual fall pass where nobody said [m], 8 in; "
            "common practice, no source",
        ),
    ] = 0.2032
    clay_warning: Annotated[
        _Share, msgspec.Meta(description="clayey soil from this clay share; choice")
    ] = 0.35
    slope_limit: Annotated[
        float, msgspec.Meta(gt=0, description="steeper asks for the plan; choice")
    ] = 0.06
    residue_needed: Annotated[
        _Share,
        msgspec.Meta(
            description="cover that counts as conservation tillage; usual rule"
        ),
    ] = 0.30
    rut_limit: Annotated[
        float, msgspec.Meta(gt=0, description="ruts deeper need levelling [m], 3 in")
    ] = 0.075
    rut_watch: Annotated[
        float, msgspec.Meta(gt=0, description="deeper upsets a planter [m], 2 in")
    ] = 0.05
    roll_step: Annotated[
        float,
        msgspec.Meta(
            gt=0, description="widest gap between hand rolls [m], 4 in; choice"
        ),
    ] = 0.1016
    most_depths: Annotated[
        int, msgspec.Meta(ge=1, le=6, description="rip depths in one field; choice")
    ] = 3

    # --- what a probe is worth ---
    probe_spread: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=1,
            description="coefficient of variation of cone readings in one piece of "
            "ground, from memory",
        ),
    ] = 0.30
    layer_ratio: Annotated[
        float,
        msgspec.Meta(
            gt=1,
            description="true cone index against the twin where there is a layer: as "
            "far above confirm_ratio as that is above 1; choice",
        ),
    ] = 1.5625
    spade_right: Annotated[
        float,
        msgspec.Meta(
            gt=0.5, le=1, description="chance that one hole shows what is there; choice"
        ),
    ] = 0.85
    layer_given_damage: Annotated[
        _Share,
        msgspec.Meta(
            description="share of ground with certain damage by the model where people "
            "find a layer: 47 % of high-risk sites, Brus & van den Akker 2018 SOIL "
            "4:37 (abstract)"
        ),
    ] = 0.47
    layer_unassessed: Annotated[
        _Share,
        msgspec.Meta(
            description="the same where the model has no answer: 18 % of surveyed "
            "fields were worth ripping (Kentucky), over limits; choice"
        ),
    ] = 0.26
    layer_in_reach: Annotated[
        float,
        msgspec.Meta(
            gt=0, le=1, description="share of found layers that end in reach; choice"
        ),
    ] = 0.70
    layer_assumed: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="bottom a layer is given [m] to see whether finding one would "
            "change what is done, 11 in; choice",
        ),
    ] = 0.2794
    prior_weight: Annotated[
        float,
        msgspec.Meta(
            gt=0, description="findings the model's chance counts for; choice"
        ),
    ] = 10.0
    stops_alike: Annotated[
        _Share,
        msgspec.Meta(description="correlation of stops within one zone; choice"),
    ] = 0.30
    probe_stops: Annotated[
        int,
        msgspec.Meta(
            ge=1, description="stops of a probe plan where no number is given; choice"
        ),
    ] = 20
    stop_time: Annotated[
        float,
        msgspec.Meta(gt=0, description="one stop and its twin [s], 5 min; choice"),
    ] = 300.0
    walking_speed: Annotated[
        float, msgspec.Meta(gt=0, description="over stubble [m/s]; choice")
    ] = 1.1

    # --- strips and stops ---
    strips: Annotated[
        int,
        msgspec.Meta(ge=0, le=9, description="untreated strips through ripped ground"),
    ] = 4
    stops: Annotated[
        int,
        msgspec.Meta(
            ge=1,
            description="probe stops in a zone, and as many in its twin: 15 % either "
            "way at a spread of 30 %; choice",
        ),
    ] = 10
    smooth: Annotated[
        float,
        msgspec.Meta(
            ge=0, description="cell steps in outlines are smoothed over [m2]; choice"
        ),
    ] = 2.0
