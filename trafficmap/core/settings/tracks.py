"""Settings of the tracks room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class TrackSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the tracks room."""

    idle_speed: Annotated[
        float, msgspec.Meta(gt=0, description="slower is standing [m/s]; choice")
    ] = 0.3
