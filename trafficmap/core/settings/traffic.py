"""Settings of the traffic room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class TrafficSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the traffic room."""

    cell: Annotated[
        float, msgspec.Meta(gt=0, le=10, description="side of a grid cell [m]; choice")
    ] = 1.0
    simplify: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=0.2,
            description="stations that lie this close to the line between their "
            "neighbours are left out [m]; choice",
        ),
    ] = 0.01
    simplify_time: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=600,
            description="likewise for their time [s]; choice",
        ),
    ] = 2.0
    return_distance: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=100,
            description="a wheel back in a cell after less travel than this never "
            "left it [m]; choice",
        ),
    ] = 5.0
    join_distance: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=20,
            description="a pass that starts this close to the end of the one before "
            "goes on from it [m]; choice",
        ),
    ] = 1.0
    again_share: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=0.5,
            description="a cell counts as run over twice, three times and so on where "
            "at least this share of it was; choice",
        ),
    ] = 0.1
    same_track_angle: Annotated[
        float,
        msgspec.Meta(
            ge=10,
            le=45,
            description="passes within this angle of one direction, either way, are on "
            "the same track where they overlap [deg]; choice",
        ),
    ] = 20.0
    position_draws: Annotated[
        int,
        msgspec.Meta(
            ge=0,
            le=1000,
            description="maps drawn with every pass moved as far as its receiver may "
            "have been wrong, for the expected share run over; 0 for none, 32 is "
            "enough; choice",
        ),
    ] = 0
    position_seed: Annotated[
        int,
        msgspec.Meta(
            ge=0, description="start of the random numbers of these maps; choice"
        ),
    ] = 1
    transition_width: Annotated[
        float,
        msgspec.Meta(
            ge=0,
            le=100,
            description="ground this far inside the headland is the transition, where "
            "machines lift, lower and speed up [m]; choice",
        ),
    ] = 12.0
    spot_seconds: Annotated[
        float,
        msgspec.Meta(gt=0, description="a shorter stop is no loading spot [s]; choice"),
    ] = 20.0
    spot_mass: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            description="a load that changes by less at a stop has not changed [kg]; "
            "choice",
        ),
    ] = 300.0
    spot_distance: Annotated[
        float,
        msgspec.Meta(
            gt=0,
            le=200,
            description="stops this close to one another are one loading spot [m]; "
            "choice",
        ),
    ] = 15.0
