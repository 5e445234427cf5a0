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
