"""Settings of the zones room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class ZoneSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the zones room."""

    min_area: Annotated[
        float, msgspec.Meta(gt=0, description="smallest zone in the body [m2]; choice")
    ] = 2023.0
