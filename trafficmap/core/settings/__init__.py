"""Every choice of the method, with its unit, range, default and source.

One section a room; unknown keys are refused with their path. The settings used go
into run.json as they are.
"""

from __future__ import annotations

from pathlib import Path

import msgspec

from trafficmap.core.errors import SettingsError
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.settings.plan import PlanSettings
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.core.settings.traffic import TrafficSettings
from trafficmap.core.settings.zones import ZoneSettings


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All settings of a run, one section a room."""

    tracks: TrackSettings = TrackSettings()
    loads: LoadSettings = LoadSettings()
    soil: SoilSettings = SoilSettings()
    traffic: TrafficSettings = TrafficSettings()
    risk: RiskSettings = RiskSettings()
    zones: ZoneSettings = ZoneSettings()
    plan: PlanSettings = PlanSettings()


def settings_from_dict(values: dict) -> Settings:
    """Return settings from plain values, refusing what is not known.

    Raises
    ------
    SettingsError
        An unknown key or a value out of range; the sentence holds the path.
    """
    try:
        return msgspec.convert(values, Settings)
    except msgspec.ValidationError as error:
        msg = f"settings: {error}."
        raise SettingsError(
            msg, "compare the key with docs/reference/settings.md"
        ) from None


def read_settings(path: Path) -> Settings:
    """Return the settings in a TOML file; what it does not name keeps its default."""
    import tomllib

    try:
        values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        msg = f"{Path(path).name}: cannot be read as TOML ({error})."
        raise SettingsError(msg, "mend that line") from None
    return settings_from_dict(values)


def settings_as_dict(settings: Settings) -> dict:
    """Return the settings as plain values for run.json."""
    return msgspec.to_builtins(settings)
