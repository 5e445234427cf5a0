"""What the map can show: pictures of facts and risk, each with its legend."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from trafficmap.core.constants import COMPUTE_DEPTHS, REPORT_DEPTHS
from trafficmap.core.layers import get_layer
from trafficmap.outputs import inks, pictures, words
from trafficmap.risk.classes import risk_class

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.pipeline import Result

AXLE_LIMITS = (10_000.0, 20_000.0)
"""Steps between the classes of the heaviest axle [kg]; 10 t is common advice for moist
ground (common practice, no source), twice that tells carts from the rest (choice)."""

LOAD_DISTANCE_LIMITS = (50.0, 150.0)
"""Steps of load-distance [Mg km/ha]; choice."""

_EARLIER_DEPTHS = (0.35, 0.50)
"""Depths of what earlier seasons left [m]: 14 in, which fades, and 20 in, which does
not."""

_STYLE_WORDS = {
    "rip": "rip",
    "probe": "probe first",
    "dotted": "wait, level ruts, carry, stop",
    "leave": "leave",
    "not-assessed": "not assessed",
    "keep-out": "keep out (K)",
    "strip": "check strip",
}


@dataclass(frozen=True)
class View:
    """One picture of the map with its legend, as the page needs it."""

    key: str
    group: str
    label: str
    title: str
    picture: pictures.Picture
    ramp: str
    legend: list[dict[str, str]] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Areas:
    """Area of the field, and by cell of the ground under wheels and of all [m2]."""

    field: float
    under: np.ndarray
    whole: np.ndarray

    def rest(self, classes: np.ndarray) -> float:
        """Return the area of the field that is in none of the classes [m2]."""
        return self.field - float(self.under[classes > 0].sum())


def views_of(result: Result) -> list[View]:
    """Return every picture the map can show, facts first, then risk by depth."""
    tray, units = result.tray, result.field.units
    inside = (
        get_layer(tray, "inside") if "inside" in tray else np.ones(result.grid.shape)
    )
    # Areas of cells are scaled so that each legend adds up to the field.
    covered = float(inside.sum())
    whole = inside * (result.field.area / covered if covered else 0.0)
    run_over = np.ones(result.grid.shape)
    if "run_over" in tray:
        run_over = np.nan_to_num(get_layer(tray, "run_over"))
    # A wheel is narrower than a cell: a legend tells the ground under the wheels.
    area = Areas(float(whole.sum()), whole * run_over, whole)
    views = _fact_views(result, inside, area)
    if "risk" not in tray:
        return views
    risk = get_layer(tray, "risk")
    # Unlikely is a finding under wheels; ground without wheels has none.
    driven = run_over > 0
    low, high = result.settings.risk.undecided
    chance = get_layer(tray, "probability") if "probability" in tray else None
    for depth in REPORT_DEPTHS:
        k = COMPUTE_DEPTHS.index(depth)
        classes = _under_wheels(risk[k], driven)
        dots = None
        if chance is not None:
            dots = (chance[k] >= low) & (chance[k] <= high) & driven
        told = words.depth_words(depth, units)
        views.append(
            View(
                key=f"risk-{round(depth * 100)}",
                group="risk",
                label=told,
                title=f"Chance of damage at {told}, under the wheels",
                picture=pictures.picture(
                    classes, grid=result.grid, ramp=pictures.RISK, dots=dots
                ),
                ramp="risk",
                legend=_risk_legend(classes, dots, area, units),
            )
        )
    views += _earlier_views(result, area)
    if "rut" in tray:
        classes = _under_wheels(get_layer(tray, "rut"), driven)
        views.append(
            View(
                key="rut",
                group="risk",
                label="ruts",
                title="Chance of ruts and puddling",
                picture=pictures.picture(classes, grid=result.grid, ramp=pictures.RISK),
                ramp="risk",
                legend=_risk_legend(classes, None, area, units),
            )
        )
    return views


def _earlier_views(result: Result, area: Areas) -> list[View]:
    """Return what earlier seasons left below the topsoil, one picture a depth."""
    if "carried_over" not in result.tray:
        return []
    units = result.field.units
    left = get_layer(result.tray, "carried_over")
    views = []
    for depth in _EARLIER_DEPTHS:
        layer = left[COMPUTE_DEPTHS.index(depth)]
        classes = risk_class(layer, settings=result.settings.risk)
        bare = (layer == 0) | (area.whole == 0)
        classes = np.where(bare, 0, classes).astype(np.uint8)
        told = words.depth_words(depth, units)
        views.append(
            View(
                key=f"earlier-{round(depth * 100)}",
                group="risk",
                label=f"{told}, earlier seasons",
                title=f"Damage left at {told} from earlier seasons, shown apart",
                picture=pictures.picture(
                    classes, grid=result.grid, ramp=pictures.RISK
                ),
                ramp="risk",
                legend=_risk_legend(
                    classes, None, Areas(area.field, area.whole, area.whole), units,
                    bare="none left",
                ),
            )
        )  # fmt: skip
    return views


def _under_wheels(risk: np.ndarray, driven: np.ndarray) -> np.ndarray:
    """Return classes with 0 where nothing is known or no wheel was."""
    bare = (risk == 255) | ((risk < 5) & ~driven)
    return np.where(bare, 0, risk).astype(np.uint8)


def _fact_views(result: Result, inside: np.ndarray, area: Areas) -> list[View]:
    tray, units = result.tray, result.field.units
    views = []

    def add(
        key: str, label: str, title: str, classes, told: tuple[str, ...], exact=None
    ) -> None:
        classes = np.where(inside > 0, classes, 0).astype(np.uint8)
        areas = exact or [
            float(area.under[classes == k].sum()) for k in range(1, len(told) + 1)
        ]
        legend = [
            _row(f"fact-{k}", text, areas[k - 1], units)
            for k, text in enumerate(told, 1)
        ]
        rest = area.field - sum(areas) if exact else area.rest(classes)
        legend.append(_row("none", "not run over", rest, units))
        views.append(
            View(
                key=key,
                group="facts",
                label=label,
                title=title,
                picture=pictures.picture(
                    classes, grid=result.grid, ramp=pictures.FACTS
                ),
                ramp="fact",
                legend=legend,
            )
        )

    if "passes" in tray:
        passes = get_layer(tray, "passes").astype(np.int64)
        passes = np.where(passes == 65535, 0, passes)
        if "run_over_again" in tray:
            # Two passes that merely touch one cell are not one on the other.
            again = np.nan_to_num(get_layer(tray, "run_over_again"))
            over = np.nan_to_num(get_layer(tray, "run_over"))
            passes = np.where(again > over / 2, passes, np.minimum(passes, 1))
        add(
            "passes",
            "passes",
            "Run over, by number of passes",
            np.digitize(passes, (1, 2, 4)),
            ("once", "2 or 3 times", "4 times and more"),
            exact=_ground_by_passes(result, area),
        )
    if "heaviest_axle" in tray:
        axle = np.nan_to_num(get_layer(tray, "heaviest_axle"))
        low, high = (words.mass_words(limit, units) for limit in AXLE_LIMITS)
        add(
            "axle",
            "heaviest axle",
            "Heaviest axle that passed",
            np.digitize(axle, (1.0, *AXLE_LIMITS)),
            (f"under {low}", f"{low.split()[0]} to {high}", f"over {high}"),
        )
    if "load_distance" in tray:
        told = np.nan_to_num(get_layer(tray, "load_distance"))
        low, high = (f"{limit:.0f}" for limit in LOAD_DISTANCE_LIMITS)
        add(
            "load",
            "load-distance",
            "Load-distance, t km a hectare",
            np.digitize(told, (1e-6, *LOAD_DISTANCE_LIMITS)),
            (f"under {low}", f"{low} to {high}", f"over {high}"),
        )
    return views


def _ground_by_passes(result: Result, area: Areas) -> list[float]:
    """Return the ground run over once, 2 or 3 times, and more often [m2].

    Exact, where a cell shows what most of its ground has seen; empty where not known.
    """
    if result.driven is None:
        return []
    table = result.driven.depth
    depth: Any = table[table["part"] == "field"].set_index("times")["passes"]
    inside = float(np.nan_to_num(get_layer(result.tray, "inside")).sum())
    scale = area.field / (inside * result.grid.cell_area) if inside else 0.0
    once, twice, often = (float(depth.get(times, 0.0)) * scale for times in (1, 2, 4))
    return [once - twice, twice - often, often]


def _risk_legend(
    classes, dots, area: Areas, units: str, bare: str = "not run over"
) -> list[dict[str, str]]:
    under = area.under
    legend = [
        _row(f"risk-{k}" if k < 5 else "not-assessed", word, under[classes == k], units)
        for k, word in enumerate(inks.RISK_WORDS, 1)
    ]
    legend.append(_row("none", bare, area.rest(classes), units))
    if dots is not None:
        legend.append(
            _row("undecided", "of these undecided", under[dots & (classes > 0)], units)
        )
    return legend


def _row(swatch: str, text: str, areas: Any, units: str) -> dict[str, str]:
    area = words.area_number(float(np.sum(areas)), units)
    return {"swatch": swatch, "text": text, "area": area}


def work_legend(zones: gpd.GeoDataFrame, units: str) -> list[dict[str, str]]:
    """Return a row of the legend for every way a zone is drawn."""
    if not len(zones):
        return []
    drawn = np.array(
        [
            words.zone_style(advice, kind)
            for advice, kind in zip(zones["advice"], zones["kind"], strict=True)
        ]
    )
    shown = np.array(words.shown_areas(zones, units), dtype=object)
    told = dict(_STYLE_WORDS)
    if (zones["advice"] == "manage").any():
        told["leave"] = "leave, manage"
    # Of the words that share a way to be drawn only those on this map.
    dotted = [word for word in words.WORK_DOTTED if (zones["advice"] == word).any()]
    told["dotted"] = ", ".join(dotted)
    return [
        {
            "swatch": f"zone {style}",
            "text": text,
            "area": words.added(*shown[drawn == style]),
        }
        for style, text in told.items()
        if (drawn == style).any()
    ]
