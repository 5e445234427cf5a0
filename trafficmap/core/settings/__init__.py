"""Every choice of the method, with its unit, range, default and source.

One section a room; unknown keys are refused with their path. The settings used go
into run.json as they are.
"""

from __future__ import annotations

import difflib
import re
from pathlib import Path

import msgspec

from trafficmap.core.errors import SettingsError
from trafficmap.core.settings.loads import LoadSettings
from trafficmap.core.settings.plan import PlanSettings
from trafficmap.core.settings.risk import RiskSettings
from trafficmap.core.settings.season import SeasonSettings
from trafficmap.core.settings.soil import SoilSettings
from trafficmap.core.settings.tracks import TrackSettings
from trafficmap.core.settings.traffic import TrafficSettings
from trafficmap.core.settings.zones import ZoneSettings

_UNKNOWN = re.compile(r"unknown field `(.*)`")


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All settings of a run, one section a room."""

    tracks: TrackSettings = TrackSettings()
    loads: LoadSettings = LoadSettings()
    soil: SoilSettings = SoilSettings()
    traffic: TrafficSettings = TrafficSettings()
    risk: RiskSettings = RiskSettings()
    zones: ZoneSettings = ZoneSettings()
    plan: PlanSettings = PlanSettings()
    season: SeasonSettings = SeasonSettings()


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
        raise SettingsError(*_said(str(error))) from None


def read_settings(path: Path) -> Settings:
    """Return the settings in a TOML file; what it does not name keeps its default."""
    import tomllib

    name = Path(path).name
    if not Path(path).is_file():
        msg = f"{name}: there is no such file, need a file of settings."
        raise SettingsError(msg, "look for a typing error in the name")
    try:
        values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        msg = f"{name}: cannot be read as TOML ({error})."
        raise SettingsError(msg, "mend that line") from None
    return settings_from_dict(values)


def settings_as_dict(settings: Settings) -> dict:
    """Return the settings as plain values for run.json."""
    return msgspec.to_builtins(settings)


def _said(error: str) -> tuple[str, str]:
    """Return what the library says of a wrong setting as a sentence and a hint."""
    what, _, path = error.partition(" - at `$")
    path = path.strip("`.")
    if unknown := _UNKNOWN.search(what):
        key = f"{path}.{unknown[1]}" if path else unknown[1]
        near = difflib.get_close_matches(key, _all_keys(), n=1, cutoff=0.5)
        hint = f"write {near[0]}" if near else "look it up in the list of settings"
        return f"settings: {key} is not a known setting.", hint
    what = what.replace("Expected ", "need ").replace("`", "")
    return f"settings: {path or 'the file'}: {what}.", f"mend the line of {path}"


def _all_keys() -> list[str]:
    """Return the path of every setting and of every section."""
    keys = []
    for section, values in settings_as_dict(Settings()).items():
        keys += [section, *(f"{section}.{name}" for name in values)]
    return keys
