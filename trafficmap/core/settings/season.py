"""Settings of the season room: what a changed season assumes, and the yield check."""

from __future__ import annotations

from typing import Annotated

import msgspec


class SeasonSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the season room."""

    # --- another season on the same ground ---
    way_cell: Annotated[
        float,
        msgspec.Meta(
            ge=1,
            le=10,
            description="tracks that come this close are one way a cart may turn into "
            "[m]; choice",
        ),
    ] = 3.0
    least_move: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=5000,
            description="less than this taken on or given off is no load [kg]; choice",
        ),
    ] = 200.0
    harvested_before: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=3600,
            description="a cart may use a combine's track this long after it was cut "
            "[s]; choice",
        ),
    ] = 60.0
    lane_angle: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=45,
            description="a pass within this of the lanes can be moved onto one [deg]; "
            "choice",
        ),
    ] = 15.0
    lane_least: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=500,
            description="shorter passes are no lane work [m]; choice",
        ),
    ] = 40.0
    lane_near: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=2,
            description="a pass this close to a lane is on it [m]; choice",
        ),
    ] = 0.3
    lane_width_slack: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=0.2,
            description="a working width may miss a whole number of lane spacings by "
            "this share of a spacing; choice",
        ),
    ] = 0.05
    places_most: Annotated[
        int,
        msgspec.Meta(
            ge=1, le=4, description="loading places looked for at most [count]; choice"
        ),
    ] = 2
    places_step: Annotated[
        float,
        msgspec.Meta(
            ge=5,
            le=200,
            description="a loading place is tried every so far round the edge [m]; "
            "choice",
        ),
    ] = 25.0
    places_worth: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=1,
            description="one more place must save this share of the loaded way; choice",
        ),
    ] = 0.1

    # --- did it pay ---
    confidence: Annotated[
        float,
        msgspec.Meta(
            gt=0.5,
            lt=1,
            description="of the interval of the difference in yield; two-sided; choice",
        ),
    ] = 0.90
    strips_least: Annotated[
        int,
        msgspec.Meta(
            ge=2,
            le=20,
            description="fewer pairs of strip and treated ground say nothing [count]; "
            "on-farm trials take four or more repeats where they can (common practice, "
            "no source); choice",
        ),
    ] = 3
    edge_over: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=5,
            description="the header may reach over the edge of strip or zone by this "
            "much, else the reading mixes both and is left out [m]; choice",
        ),
    ] = 0.5
    run_in: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=100,
            description="yield this soon after the header went in, and before it came "
            "out, is left out: flow is filling or dying [m]; common practice, no "
            "source; choice",
        ),
    ] = 15.0
    beside: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=500,
            description="treated ground this far to each side stands against a strip "
            "[m]; choice",
        ),
    ] = 40.0
    yield_fixes_least: Annotated[
        int,
        msgspec.Meta(
            ge=5,
            le=1000,
            description="fewer yield readings in a strip are no mean [count]; choice",
        ),
    ] = 20
    outlier: Annotated[
        float,
        msgspec.Meta(
            ge=2,
            le=10,
            description="readings further than so many robust standard deviations "
            "from the middle are left out; choice",
        ),
    ] = 4.0
