"""What kind of machine a log may come from; always a guess, and marked as one."""

from __future__ import annotations

import numpy as np

from trafficmap.formats.rawlog import RawLog

_WORDS: tuple[tuple[str, str], ...] = (
    ("forage_harvester", "forage harvester silage chopper"),
    ("beet_harvester", "beet"),
    ("grain_cart_single", "cart auger chaser"),
    ("combine_mid", "combine header grain yield thresh"),
    ("hose_tractor", "hose drag umbilical"),
    ("tanker_tandem", "tanker slurry manure"),
    ("forage_trailer", "wagon trailer"),
    ("truck", "truck semi lorry"),
    ("sprayer", "sprayer spray boom"),
    ("tractor_articulated", "tillage plow plough ripper chisel disk articulated"),
)
_SILAGE = ("silage", "forage", "grass", "silomais", "haylage", "whole crop")
_WET = 0.40
"""Crop wetter than this is silage, grain is never [fraction]; choice."""

_TORRENT = 30.0
"""More crop than this in a second is silage [kg/s]; choice, 108 t/h."""

_BEETS = ("beet", "ruebe", "rübe")


def guess_class(name: str, raw: RawLog | None = None) -> tuple[str, str]:
    """Return the class of machine that a name or a log speaks for, and why.

    Grain flow speaks for a combine, harvested silage for a forage harvester, liquid
    put down for a hose tractor. With nothing to go by it is a front-assist tractor.
    """
    if raw is not None:
        said = f"{raw.crop} {raw.machine} {raw.part}".casefold()
        if any(word in said for word in _SILAGE):
            return "forage_harvester", "the log speaks of silage"
        if any(word in said for word in _BEETS):
            return "beet_harvester", "the log speaks of beets"
        if _is_silage(raw):
            return "forage_harvester", "the crop is as wet or as much as silage"
        if _has(raw, "mass_flow") and _has(raw, "moisture"):
            return "combine_mid", "the log holds grain flow and moisture"
        if _has(raw, "application_rate"):
            return "hose_tractor", "the log holds liquid put down"
        if _has(raw, "tank_mass"):
            return "grain_cart_single", "the log holds the mass in a tank"
        if _has(raw, "mass_flow"):
            return "combine_mid", "the log holds crop flow"
        name = f"{name} {raw.machine}"
    words = name.casefold().replace("_", " ").replace("-", " ")
    for class_name, marks in _WORDS:
        if any(mark in words for mark in marks.split()):
            return class_name, "by its name"
    if "tractor" in words:
        return "tractor_front_assist", "by its name"
    return "tractor_front_assist", "nothing in the log says what it is"


def _has(raw: RawLog, column: str) -> bool:
    """Return whether a column holds more than nothing and zeros."""
    if column not in raw.table.columns:
        return False
    values = raw.table[column].to_numpy(float)
    return bool((np.nan_to_num(values) > 0).any())


def _is_silage(raw: RawLog) -> bool:
    """Return whether flow and moisture are those of silage and not of grain."""
    if not _has(raw, "mass_flow"):
        return False
    flow = raw.table["mass_flow"].to_numpy(float)
    running = flow > 0
    if np.median(flow[running]) > _TORRENT:
        return True
    if not _has(raw, "moisture"):
        return False
    moisture = raw.table["moisture"].to_numpy(float)[running]
    moisture = moisture[moisture > 0]
    return bool(moisture.size and np.median(moisture) > _WET)
