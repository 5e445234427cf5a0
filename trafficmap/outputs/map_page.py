"""map.html: one file that opens anywhere without a network, prints on two pages."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup
from scipy.spatial import cKDTree

from trafficmap import __version__
from trafficmap.core.constants import REPORT_DEPTHS
from trafficmap.core.layers import get_layer
from trafficmap.core.notes import worst_first
from trafficmap.core.reading import as_read
from trafficmap.outputs import (
    answers,
    axle_words,
    draw_words,
    inks,
    money_words,
    plan_words,
    squares,
    traffic_tables,
    when_view,
    words,
)
from trafficmap.outputs.map_shapes import (
    folium_parts,
    in_degrees,
    zone_cards,
    zone_rows,
)
from trafficmap.outputs.map_views import View, views_of, work_legend

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.pipeline import Result


NAME_PIXELS, TWIN_PIXELS = 52, 36
"""Room the name of a stop, and a stop beside its twin, need on the screen (choice)."""

NOTES_SHOWN = 10
"""Notes that stand open in the panel, worst first; the rest is folded (choice)."""


def map_page(result: Result, *, mark: str, date: pd.Timestamp) -> str:
    """Return the page as text; the same result gives the same text.

    Parameters
    ----------
    result : Result
    mark : str
        Name of the run, in the foot of the page.
    date : Timestamp
        Time of the newest input.
    """
    units = result.field.units
    views = views_of(result)
    zones = zone_cards(result.zones, units, day=plan_words.fit_day(result))
    notes = [
        replace(note, sentence=as_read(note.sentence, units))
        for note in worst_first(result.notes)
    ]
    script, div = folium_parts(result, views)
    limits = result.settings.risk
    template = _environment().get_template("map.html.j2")
    page = template.render(
        field=result.field,
        state=_state(result),
        sentence=words.sentence_of_the_day(result.zones, result.stops, units),
        assumed=getattr(result.settings.zones, "assume_confirmed", None),
        area=words.area_words(result.field.area, units),
        area_unit=words.area_unit(units),
        facts=[view for view in views if view.group == "facts"],
        depths=[view for view in views if view.group == "risk"],
        work_legend=work_legend(result.zones, units),
        first=answers.check_first(result),
        left=answers.left_alone(result),
        granted=answers.taken_for_granted(result),
        zones=zone_rows(zones),
        jobs=plan_words.jobs(result),
        total=plan_words.total(result),
        net=plan_words.NET,
        money=money_words.rows(result),
        money_told=money_words.told(result),
        currency=result.field.prices.currency or "",
        probe=plan_words.probe_zones(result),
        hand_roll=plan_words.HAND_ROLL if plan_words.asks_for_work(result) else (),
        when=when_view.zones(result),
        carrying=when_view.carrying(result),
        nights=when_view.nights(result),
        nights_asked=when_view.nights_asked(result),
        odds=when_view.odds_told(result),
        odds_rows=when_view.odds_rows(result),
        when_last=when_view.LAST,
        stops=words.probe_places(result.stops)[0],
        driven=traffic_tables.machine_rows(result),
        driven_told=traffic_tables.sentences(result),
        axles=axle_words.rows(result),
        axles_told=axle_words.told(result),
        notes=notes[:NOTES_SHOWN],
        folded=notes[NOTES_SHOWN:],
        cautions=[*words.about_field(result.field), *words.CAUTIONS],
        how_sure=[
            *words.how_sure(limits.class_limits, limits.undecided),
            *draw_words.joint(result),
        ],
        drawn_zones=draw_words.zone_rows(result),
        drawn_depths=draw_words.depth_heads(units),
        date=words.date_words(date.date()),
        version=__version__,
        mark=mark,
        run_angle=_run_angle(result),
        map_div=Markup(div),
        css=Markup(_css()),
        leaflet=Markup(_leaflet("leaflet.js")),
        map_script=Markup(script),
        page_script=Markup(_template_text("map.js")),
        data=Markup(_json(_page_data(result, views, zones))),
    )
    return _with_policy(page)


def _state(result: Result) -> str:
    zones = result.zones
    if not len(zones) or not _is_assessed(result):
        return "traffic only, risk not assessed"
    probed = {text for text in zones["probed"] if text not in ("none", "", "assumed")}
    return "modelled, partly dug" if probed else "modelled, nothing dug yet"


def _is_assessed(result: Result) -> bool:
    """Tell whether the risk under any wheel is known."""
    if "risk_worst" not in result.tray or "run_over" not in result.tray:
        return False
    risk = get_layer(result.tray, "risk_worst")
    driven = np.nan_to_num(get_layer(result.tray, "run_over")) > 0
    return bool(((risk >= 1) & (risk < 5) & driven).any())


def _page_data(result: Result, views: list[View], zones: list[dict]) -> dict[str, Any]:
    field_, units = result.field, result.field.units
    boundary = in_degrees(field_.boundary, field_.epsg)
    west, south, east, north = boundary.bounds
    machines = list(field_.machines)
    palettes: dict[str, dict[str, str]] = {}
    for view in views:
        palettes.setdefault(view.ramp, view.picture.palettes)
    return {
        "bounds": [[south, west], [north, east]],
        "cell": result.grid.cell,
        # Where the risk is known nowhere, what was driven is the answer.
        "first": "work" if _is_assessed(result) else "facts",
        "near": _near(result),
        "views": [
            {
                "key": view.key,
                "group": view.group,
                "title": view.title,
                "ramp": view.ramp,
                "layer": f"image_overlay_{view.key.replace('-', '_')}",
            }
            for view in views
        ],
        "palettes": palettes,
        "paletteAt": len("data:image/png;base64,") + 44,
        "zones": zones,
        "stops": _stops(result),
        "cells": squares.squares(result),
        "passes": _passes(result, machines),
        "told": squares.MAX_PASSES,
        "machines": [field_.machines[name].label or name for name in machines],
        "words": ["", *inks.RISK_WORDS],
        "depths": [words.depth_words(depth, units) for depth in REPORT_DEPTHS],
        "mass": {"unit": "tons", "factor": 100 / 907.18474}
        if units == "us"
        else {"unit": "t", "factor": 0.1},
        "length": {"unit": "ft", "factor": 1 / 0.3048}
        if units == "us"
        else {"unit": "m", "factor": 1.0},
    }


def _passes(result: Result, machines: list[str]) -> list[list[Any]]:
    """Return machine, state and start of every pass, in the order of its row."""
    zone = result.field.time_zone
    position = {name: k for k, name in enumerate(machines)}
    rows = []
    for row in result.passes.itertuples(index=False):
        start = float(row.start.timestamp()) if row.start == row.start else math.nan
        rows.append(
            [
                position.get(row.machine_id, -1),
                str(row.state),
                words.time_words(start, zone),
            ]
        )
    return rows


def _stops(result: Result) -> list[list[Any]]:
    """Return name and place of every stop for a probe; a twin has no name."""
    stops = result.stops
    if not len(stops):
        return []
    points = stops.geometry.to_crs(4326)
    twin = stops["twin_of"].fillna("") if "twin_of" in stops else [""] * len(stops)
    names = stops["point"] if "point" in stops else range(1, len(stops) + 1)
    return [
        ["" if other else str(name), round(point.y, 7), round(point.x, 7)]
        for name, other, point in zip(names, twin, points, strict=True)
    ]


def _near(result: Result) -> dict[str, float]:
    """Return the scales [m a pixel] at which names and twins of stops find room.

    Names: a quarter of the stops may still touch. Twins: half of them stand clear of
    the stop they belong to.
    """
    scales = {"names": 10.0, "twins": 10.0}
    if not len(result.stops):
        return scales
    named = [bool(name) for name, *_ in _stops(result)]
    place = shapely.get_coordinates(result.stops.geometry.to_numpy())
    own, twins = place[named], place[~np.array(named)]
    if len(own) > 1:
        gap = np.sort(cKDTree(own).query(own, k=2)[0][:, 1])
        scales["names"] = round(float(gap[len(gap) // 4]) / NAME_PIXELS, 4)
    if len(own) and len(twins):
        beside = float(np.median(cKDTree(own).query(twins)[0]))
        scales["twins"] = round(beside / TWIN_PIXELS, 4)
    return scales


def _run_angle(result: Result) -> float:
    """Return the turn of a vertical pattern line so that it follows the rows [deg]."""
    return float(result.field.rows_heading or 0.0)


def _css() -> str:
    leaflet = re.sub(r"url\((?!#)[^)]*\)", "none", _leaflet("leaflet.css"))
    leaflet = leaflet.replace("behavior: url(#default#VML);", "")
    own = _template_text("map.css")
    own = own.replace("/*light*/", inks.css_variables(inks.LIGHT))
    return f"{leaflet}\n{own.replace('/*dark*/', inks.css_variables(inks.DARK))}"


@cache
def _leaflet(name: str) -> str:
    from xstatic.pkg import leaflet

    text = (Path(leaflet.BASE_DIR) / name).read_text(encoding="utf-8")
    return re.sub(r"\n//# sourceMappingURL=.*", "", text)


@cache
def _template_text(name: str) -> str:
    folder = resources.files("trafficmap.outputs") / "templates"
    return (folder / name).read_text(encoding="utf-8")


@cache
def _environment():
    import jinja2

    made = jinja2.Environment(
        loader=jinja2.PackageLoader("trafficmap.outputs", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["first_up"] = words.first_up
    return made


def _json(value: Any) -> str:
    """Return JSON that cannot end the script element it stands in."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for letter in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text


def _with_policy(page: str) -> str:
    """Put a content policy in the head that allows this page's own scripts alone."""
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    style = re.findall(r"<style>(.*?)</style>", page, flags=re.DOTALL)
    policy = (
        "default-src 'none'; "
        f"script-src {_hashes(scripts)}; style-src {_hashes(style)}; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
    meta = f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
    return page.replace("<head>", f"<head>\n{meta}", 1)


def _hashes(texts: list[str]) -> str:
    return " ".join(
        "'sha256-"
        + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()
        + "'"
        for text in texts
    )
