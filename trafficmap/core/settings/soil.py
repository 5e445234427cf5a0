"""Settings of the soil room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class SoilSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the soil room."""

    nu: (
        Annotated[
            float,
            msgspec.Meta(gt=2, description="concentration factor; by texture if empty"),
        ]
        | None
    ) = None
