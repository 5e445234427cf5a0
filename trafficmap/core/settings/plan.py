"""Settings of the plan room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class PlanSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the plan room."""

    speed: Annotated[
        float, msgspec.Meta(gt=0, description="speed when ripping [m/s]; 6 km/h")
    ] = 6 / 3.6
