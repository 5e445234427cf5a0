"""Settings of the loads room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class LoadSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the loads room."""

    payload_classes: Annotated[
        int,
        msgspec.Meta(ge=4, le=200, description="load states a payload; choice"),
    ] = 50
