"""Settings of the risk room."""

from __future__ import annotations

from typing import Annotated

import msgspec


class RiskSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Choices of the risk room."""

    class_limits: Annotated[
        tuple[float, float, float],
        msgspec.Meta(description="unlikely / possible / likely / very likely; choice"),
    ] = (0.20, 0.50, 0.80)
    undecided: Annotated[
        tuple[float, float],
        msgspec.Meta(description="band tagged undecided: dig or probe; choice"),
    ] = (0.35, 0.65)
