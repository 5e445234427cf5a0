"""Settings of the tracks room."""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta


class TrackSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the tracks room."""

    gap_seconds: Annotated[
        float,
        Meta(
            gt=0,
            le=30,
            description="a step that lasts longer, and three times longer than is "
            "usual in its log, is a gap in the track [s]; choice",
        ),
    ] = 5.0
    bridge_gaps: Annotated[
        bool,
        Meta(
            description="draw a gap where the machine can only have gone straight on; "
            "such stretches are marked as inferred; choice"
        ),
    ] = True
    bridge_seconds: Annotated[
        float,
        Meta(gt=0, le=600, description="no longer gap is bridged [s]; choice"),
    ] = 120.0
    infer_turns: Annotated[
        bool,
        Meta(
            description="draw turns between rows that a log leaves out as the shortest "
            "way the machine can turn; a log says it for itself by infer_turns; choice"
        ),
    ] = False
    bridge_speed: Annotated[
        tuple[float, float],
        Meta(
            description="mean speed in a bridged gap, as a share of the slower speed "
            "beside it and of the faster; choice"
        ),
    ] = (0.4, 1.5)
    min_radius: Annotated[
        float,
        Meta(
            gt=0,
            le=50,
            description="smallest turning radius of a machine that does not tell its "
            "own [m]; choice",
        ),
    ] = 5.5
    cusp_reach: Annotated[
        float,
        Meta(
            gt=0,
            le=20,
            description="a change of direction of travel is looked for over this "
            "distance on both sides, and over 10 times the error of a fix where that "
            "is more [m]; choice",
        ),
    ] = 3.0
    cusp_speed: Annotated[
        float,
        Meta(
            gt=0,
            le=5,
            description="a machine that turns back is slower than this there [m/s]; "
            "choice",
        ),
    ] = 1.5
    session_gap: Annotated[
        float,
        Meta(
            gt=0,
            description="after a longer pause a receiver starts anew and its common "
            "shift with it [s]; 4 h; choice",
        ),
    ] = 14_400.0
    frame_shift_least: Annotated[
        float,
        Meta(
            gt=0,
            description="a constant shift between machines, or against the boundary, "
            "that is worth a warning [m]; choice",
        ),
    ] = 0.6
    frame_shift_most: Annotated[
        float,
        Meta(
            gt=0,
            description="a larger one is no difference between systems [m]; choice",
        ),
    ] = 2.5
    idle_speed: Annotated[
        float, Meta(gt=0, le=2, description="slower is standing [m/s]; choice")
    ] = 0.3
    idle_seconds: Annotated[
        float, Meta(gt=0, description="standing for less is still moving [s]; choice")
    ] = 10.0
    still_window: Annotated[
        float,
        Meta(
            gt=0,
            description="looked at before and after a fix to say it stands [s]; choice",
        ),
    ] = 5.0
    far: Annotated[
        float,
        Meta(gt=0, description="no fix belongs that far from the field [m]; choice"),
    ] = 100_000.0
    jump_slack: Annotated[
        float,
        Meta(
            ge=0,
            description="error of place and clock allowed before a step counts as a "
            "jump [m]; choice",
        ),
    ] = 2.0
    jump_seconds: Annotated[
        float,
        Meta(
            ge=0,
            description="fixes between two jumps that last no longer than this are "
            "dropped, longer ones kept as a stretch of their own [s]; choice",
        ),
    ] = 5.0
    sigma: Annotated[
        float,
        Meta(
            gt=0,
            description="position error within a pass of a machine that does not tell "
            "its own, 1 sigma [m]; satellite-corrected (SBAS), from memory",
        ),
    ] = 0.20
    acceleration: Annotated[
        float,
        Meta(
            gt=0,
            le=10,
            description="how quickly a machine may change its speed for the smoothing, "
            "root of the noise density of acceleration [m/s2 per root Hz]; choice",
        ),
    ] = 0.3
    boundary_margin: Annotated[
        float,
        Meta(
            ge=0,
            le=50,
            description="the antenna may swing this far over the boundary before it "
            "is on the road [m]; choice",
        ),
    ] = 3.0
    work_seconds: Annotated[
        float,
        Meta(ge=0, description="shortest work found from the shape [s]; choice"),
    ] = 10.0
    hole_seconds: Annotated[
        float,
        Meta(ge=0, description="a shorter break in the work is work [s]; choice"),
    ] = 5.0
    load_seconds: Annotated[
        float,
        Meta(ge=0, description="a carrier that stands longer is loading [s]; choice"),
    ] = 20.0
    turn_seconds: Annotated[
        float, Meta(gt=0, description="a turn lasts no longer [s]; choice")
    ] = 120.0
    turn_length: Annotated[
        float, Meta(gt=0, description="a turn is no longer [m]; choice")
    ] = 200.0
    turn_angle: Annotated[
        float,
        Meta(
            gt=0,
            lt=180,
            description="a turn changes the direction by more, and a pass ends where "
            "it does [deg]; choice",
        ),
    ] = 60.0
    straight_radius: Annotated[
        float, Meta(gt=0, description="work bends less than this radius [m]; choice")
    ] = 60.0
    straight_length: Annotated[
        float, Meta(gt=0, description="work is straight for this long [m]; choice")
    ] = 30.0
    curved_share: Annotated[
        float,
        Meta(
            ge=0,
            le=1,
            description="rows are looked for on curves too where at least this share "
            "of an even drive follows no main direction; 1 never; choice",
        ),
    ] = 0.25
    direction_tolerance: Annotated[
        float,
        Meta(
            gt=0,
            lt=45,
            description="work runs this close to a main direction [deg]; choice",
        ),
    ] = 8.0
    working_speed: Annotated[
        tuple[float, float],
        Meta(
            description="slowest and fastest work of a machine that does not tell its "
            "own [m/s]; choice"
        ),
    ] = (0.8, 4.2)
