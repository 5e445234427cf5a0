"""The text of a new field.toml: what the logs say, guesses marked, gaps asked for."""

from __future__ import annotations

import datetime as dt
import json
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from trafficmap.core.texture import TEXTURE_CENTROIDS
from trafficmap.field.receiver import guess_correction
from trafficmap.machines.catalogue import class_names
from trafficmap.machines.model import SIGMAS

if TYPE_CHECKING:
    from trafficmap.core.errors import TrafficmapError
    from trafficmap.field.scaffold import Found, NewField

_NO_ZONE = ("wall", "no_epoch")
_US_BOX = (-125.0, 24.0, -66.0, 49.5)
"""West, south, east, north of the contiguous United States [deg], rounded."""


def field_toml(one: NewField) -> str:
    """Return the whole text for one field.

    Lines that begin with ``# key =`` are questions: take the mark away and fill in.
    """
    sections = [_head(one), _crop(one), *map(_log, one.logs)]
    sections += [
        _machine(name, *guess, [f for f in one.logs if f.machine == name])
        for name, guess in sorted(one.machines.items())
    ]
    sections += [_SOIL.format(classes=", ".join(TEXTURE_CENTROIDS)), _REST]
    return "\n\n".join(section.strip("\n") for section in sections) + "\n"


def _head(one: NewField) -> str:
    years = _seasons(one.logs)
    lines = [
        "# What is known of this field and its season. Lines that begin with # are",
        "# questions: take the # away and fill in what you know. Everything left out",
        "# costs part of the answer; `trafficmap check` says which.",
        "schema = 1",
        "",
        "[field]",
        f"name = {_text(one.name)}",
    ]
    if years:
        also = f", the logs also hold {_words(years[:-1])}" if len(years) > 1 else ""
        lines.append(f"season = {years[-1]}  # from the clock of the logs{also}")
    else:
        lines.append("# season = 2026  # year of the harvest; no log says it")
    if one.outline is not None:
        lines.append('boundary = "boundary.geojson"  # from the task data')
    else:
        lines += [
            '# boundary = "boundary.geojson"  # outline of the field',
            "#   without it only ground covered by worked steps is mapped",
        ]
    if any(found.raw.clock in _NO_ZONE for found in one.logs if found.raw):
        lines += [
            '# time_zone = "America/Chicago"  # NEEDED: zone the clocks were set to',
            "#   without it soil water at each pass is not known",
        ]
    else:
        lines.append('# time_zone = "America/Chicago"  # for what people read')
    if _in_the_us(one.logs):
        lines.append('units = "us"  # a guess, by the place; or metric')
    else:
        lines.append('units = "metric"  # a guess, by the place; or us')
    lines += [
        '# utilities = "located"  # located or not located: buried lines',
        "# slope_pct = 0.5  # median slope; or slope_map, a file of slopes",
        "# erodible = false  # true where a conservation plan asks for residue",
        "# rows_heading_deg = 0.0  # direction of the rows, clockwise from north",
        "# end_row_width_m = 36.0",
        "# frost_cm = 0.0  # frozen thickness today",
    ]
    return "\n".join(lines)


def _crop(one: NewField) -> str:
    crops = sorted({f.raw.crop.strip() for f in one.logs if f.raw} - {""})
    lines = ["[crop]"]
    if len(crops) == 1:
        lines.append(f"now = {_text(crops[0].lower())}  # from the log")
    else:
        also = f"  # the logs say {_words(crops)}" if crops else "  # harvested crop"
        lines.append(f'# now = "corn"{also}')
    lines += [
        '# next = "corn"  # without it nothing is advised to be ripped',
        "# harvested = 2026-10-20",
        "# no_till = false",
        "# spring_pass = true  # a tillage pass is made in spring anyway",
        '# fall_pass = "none"  # usual fall tillage',
        "# last_ripped = 2022  # year, where it was",
        "# yield_t_ha = 12.5  # to expect of the next crop; or yield_bu_ac",
        "# harvested_yield_t_ha = 12.5  # of what was cut, where no log has mass flow",
        "# tickets_t = 512.3  # all that was hauled off, by the scale",
        "# price_per_t = 157.0  # or price_per_bu",
    ]
    return "\n".join(lines)


def _log(found: Found) -> str:
    raw = found.raw
    lines = [
        "[[log]]",
        f"file = {_text(str(found.path))}",
        f"machine = {_text(found.machine)}",
    ]
    if found.layer:
        lines.append(f"layer = {_text(found.layer)}")
    if found.part:
        lines.append(f"part = {_text(found.part)}")
    if found.asked is not None:
        lines += _question(found.asked)
    if raw is None:
        return "\n".join(lines)
    for finding in raw.findings:
        if finding.assumed:
            unit = f", {finding.unit}" if finding.unit else ""
            lines.append(
                f"# guess: {finding.field} is the column "
                f"{_comment(finding.column)}{unit} ({_comment(finding.why)})"
            )
    if raw.clock == "no_epoch":
        lines += [
            "# epoch = 2026-01-01  # NEEDED: the day the clock starts to count, or",
            "# clock_offset_s = 0.0  # seconds to add to a clock that was set wrong",
        ]
    return "\n".join(lines)


def _question(asked: TrafficmapError) -> list[str]:
    """Return a question with each answer as a line to take the mark away from."""
    lines = ["# NEEDED before this log can be read:"]
    lines += [f"#   {line}" for line in textwrap.wrap(_comment(asked.sentence), 78)]
    several = len(asked.choices) > 1
    lines.append(f"# Take the # away from {'the right line' if several else 'it'}:")
    lines += [
        f"# {line}  # {_comment(meaning)}" for line, meaning in asked.choices
    ]  # choices are TOML already
    return lines


def _machine(name: str, class_name: str, why: str, logs: list[Found]) -> str:
    guess = guess_correction([found.raw for found in logs if found.raw])
    correction = '# correction = "rtk"  # rtk, ppp, submetre, sbas or phone'
    if guess is not None:
        correction = f'correction = "{guess[0]}"  # a guess: {_comment(guess[1])}; or '
        correction += ", ".join(word for word in SIGMAS if word != guess[0])
    return "\n".join(
        [
            f"[machine.{name}]",
            f'class = "{class_name}"  # a guess: {_comment(why)}; one of:',
            *_wrapped(class_names()),
            '# label = "combine, 12-row"',
            correction,
            "# mass.empty_kg = 19000  # weigh it; the class value is used without",
            "# pressure_kpa = { front = 200, rear = 180 }  # tyres, by axle",
            '# trails = [{ class = "grain_cart_single" }]  # what it pulls',
        ]
    )


_SOIL = """
# [soil]  # NEEDED for soil water and the risk of damage
# texture = "silty clay"  # {classes}
# organic_matter_pct = 3.0
# drained = true
# map = "soil.geojson"  # instead: polygons with an attribute soil_unit, and
# horizons = "horizons.csv"
"""

_REST = """
# [weather]  # NEEDED for soil water, and the days fit for work
# file = "weather.csv"  # columns date, rain_mm, tmin_c, tmax_c; every day of the season
# forecast = "forecast.csv"  # coming days like that, or hours: time, temperature_c,
#                            # rain_mm: for the hours fit for work
# past = "station.csv"  # the same of past years: how often a day was fit
# station_km = 0  # from the rain gauge to the field; 10 if not said

# [slope]  # slopes from heights: loads use them as well
# file = "heights.tif"

# [tile]
# state = "known"  # none, known, position_only or exists
# cover_m = 0.9  # soil above it

# [[liquid]]  # manure or other liquid put down
# machine = "hose_tractor"
# rate_m3_ha = 90.0  # or rate_gal_ac
# dry_matter_pct = 4.0
# injected_depth_m = 0.12  # 0 on the surface
# width_m = 9.0

# [[keep_out]]  # also kind = "crossing": loaded wheels cross again before planting
# kind = "buried line"  # tile, waterway, slope, organic soil, wet spot, lane, other
# file = "buried_line.geojson"
# buffer_m = 5.0
# located = true

# [[tool]]
# name = "in-line ripper, 7 shanks"
# width_m = 5.33
# shanks = 7
# depth_min_m = 0.25
# depth_max_m = 0.46
# foot_width_m = 0.07
# winged = true
# power_kw = 300.0
# drive = "4wd"
# tractor_mass_t = 16.0  # with ballast: does it slip?
# owned = true  # with the four below and hourly prices: its own cost
# price = 45000.0
# salvage_pct = 30.0
# keep_years = 12.0
# hours_a_year = 80.0

# [[access]]  # ground outside the boundary whose traffic counts
# file = "lane.geojson"  # or points = [[-93.6, 42.0], [-93.6, 42.001]]
# width_m = 6.0

# [[tillage]]  # done between the passes of this season; deeper soil keeps its damage
# date = 2026-10-20
# depth_cm = 20.0
# file = "ripped.geojson"  # where; the whole field if left out

# [earlier]  # what earlier seasons left in the ground
# run = "last-year-out"  # folder of that run, in this folder or as a whole path

# [price]
# currency = "USD"
# ripping_per_ha = 66.7
# levelling_per_ha = 39.5
# diesel_per_l = 1.0
# fall_pass_per_ha = 54.4  # the pass that ripping stands in for
# driver_per_h = 25.0  # these three for a tool of your own, without ripping_per_ha
# tractor_per_h = 90.0
# interest_pct = 6.0

# [dug]  # what probe and spade found
# file = "dug.csv"
"""


def _seasons(logs: list[Found]) -> list[int]:
    """Return the years the logs are from, as far as their clocks say."""
    years = set()
    for found in logs:
        if found.raw and not found.asked and found.raw.clock in ("utc", "wall"):
            middle = float(np.median(found.raw.table["seconds"]))
            years.add(dt.datetime.fromtimestamp(middle, dt.UTC).year)
    return sorted(year for year in years if 1990 <= year <= 2200)


def _in_the_us(logs: list[Found]) -> bool:
    west, south, east, north = _US_BOX
    raws = [found.raw for found in logs if found.raw]
    if not raws:
        return False
    table = raws[0].table
    longitude, latitude = table["longitude"].median(), table["latitude"].median()
    return west <= longitude <= east and south <= latitude <= north


def _wrapped(words: tuple[str, ...]) -> list[str]:
    return [f"#   {line}" for line in textwrap.wrap(", ".join(words), 80)]


def _words(values: list) -> str:
    return _comment(", ".join(map(str, values)))


def _text(value: str) -> str:
    """Return text as a TOML string; JSON escapes are TOML's, but for one letter."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(value: str) -> str:
    """Return text that cannot end a comment."""
    return "".join(letter if letter.isprintable() else " " for letter in value)
