"""Settings of the traffic room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class TrafficSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the traffic room."""

    cell: Annotated[
        float, msgspec.Meta(gt=0, le=10, description="side of a grid cell [m]; choice")
    ] = 1.0
