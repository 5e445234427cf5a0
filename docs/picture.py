"""Draw docs/picture.png: facts, risk and work on the invented sample field.

Run ``python docs/picture.py`` from the checkout; it needs about half a minute.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from matplotlib.colors import ListedColormap
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path as Outline

import trafficmap as tm
from trafficmap.core.constants import COMPUTE_DEPTHS
from trafficmap.core.units import from_si
from trafficmap.outputs.inks import LIGHT, RISK_WORDS
from trafficmap.outputs.words import (
    advice_words,
    depth_words,
    other_depth_words,
    zone_style,
)

HERE = Path(__file__).resolve().parent
DEPTH = 0.35
HEAVY = (3_000.0, 5_000.0)
FACTS = ("fact-1", "fact-2", "fact-3")
HATCH = "////"


def draw(result: tm.Result, path: Path) -> None:
    """Draw the three panels and write the picture."""
    plt.switch_backend("Agg")
    plt.rcParams.update(
        {
            "font.family": "DejaVu Sans",
            "font.size": 12.5,
            "hatch.linewidth": 0.7,
            "text.color": LIGHT["text"],
        }
    )
    figure, axes = plt.subplots(1, 3, figsize=(15.0, 8.75), facecolor=LIGHT["paper"])
    figure.subplots_adjust(0.008, 0.105, 0.992, 0.935, wspace=0.03)
    facts(axes[0], result)
    risk(axes[1], result)
    work(axes[2], result)
    heads = (
        ("FACTS", "heaviest wheel that ran there"),
        ("RISK", f"damage under the wheels at {_both(DEPTH)}"),
        ("WORK", "what is worth doing this fall"),
    )
    for axis, (head, line) in zip(axes, heads, strict=True):
        west, south, east, north = result.field.boundary.bounds
        axis.set(xlim=(west - 6, east + 6), ylim=(south - 34, north + 6))
        axis.set_aspect("equal")
        axis.axis("off")
        outline(axis, result.field.boundary, LIGHT["boundary"], linewidth=1.4)
        axis.set_title(f"{head}  ", loc="left", fontsize=17, fontweight="bold", pad=8)
        axis.set_title(line, loc="right", fontsize=13.5, color=LIGHT["secondary"])
    scale_bar(axes[0], result.field.boundary)
    figure.savefig(path, dpi=110, facecolor=LIGHT["paper"])
    plt.close(figure)
    _shrink(path)


def facts(axis, result: tm.Result) -> None:
    """Draw where wheels ran, in three greys by the mass on the heaviest wheel."""
    mass = result.layers["heaviest_wheel"].values
    classes = np.digitize(mass, HEAVY).astype(float)
    classes[~(result.layers["run_over"].values > 0.1)] = np.nan
    cells(axis, result, classes, FACTS)
    words = (
        "under 3 t (3.3 tons)",
        "3 to 5 t (3.3 to 5.5 tons)",
        "over 5 t (5.5 tons)",
    )
    handles = [
        Patch(color=LIGHT[k], label=w) for k, w in zip(FACTS, words, strict=True)
    ]
    legend(axis, handles, columns=1)


def risk(axis, result: tm.Result) -> None:
    """Draw the class of risk at 14 in, and where it is not assessed."""
    at = COMPUTE_DEPTHS.index(DEPTH)
    classes = result.layers["risk"].values[at].astype(float) - 1
    driven = result.layers["run_over"].values > 0.1
    classes[~driven | (classes > 4)] = np.nan
    unknown = classes == 4
    classes[unknown] = np.nan
    names = tuple(f"risk-{k}" for k in range(1, 5))
    cells(axis, result, classes, names)
    cells(axis, result, np.where(unknown, 0.0, np.nan), ("not-assessed",), alpha=0.45)
    handles = [
        Patch(color=LIGHT[k], label=w) for k, w in zip(names, RISK_WORDS, strict=False)
    ]
    handles.append(
        Patch(facecolor=LIGHT["not-assessed"], alpha=0.45, label="not assessed")
    )
    legend(axis, handles, columns=3)


def work(axis, result: tm.Result) -> None:
    """Draw the zones with their words."""
    units = result.field.units
    for zone in result.zones.itertuples():
        style = zone_style(zone.advice, zone.kind)
        shape = zone.geometry
        if style == "rip":
            fill(axis, shape, LIGHT["work"], alpha=0.88)
        elif style == "probe":
            outline(axis, shape, LIGHT["work"], linewidth=1.6)
            fill(axis, shape, LIGHT["work"], alpha=0.10)
        elif style == "dotted":
            fill(axis, shape, LIGHT["work"], alpha=0.10)
            outline(axis, shape, LIGHT["work"], linewidth=1.6, linestyle=(0, (1, 1.5)))
        elif style == "keep-out":
            fill(axis, shape, LIGHT["keep-out"], alpha=0.55)
        elif style == "strip":
            fill(axis, shape, LIGHT["paper"])
            outline(axis, shape, LIGHT["strip"], linewidth=0.9)
        elif style == "not-assessed":
            hatch(axis, shape, LIGHT["not-assessed"])
    label_zones(axis, result.zones, units)
    work_legend(axis, result)


def label_zones(axis, zones, units: str) -> None:
    """Write the advice on every zone that has room for it."""
    for zone in zones.itertuples():
        style = zone_style(zone.advice, zone.kind)
        if style in ("strip", "keep-out", "not-assessed"):
            continue
        words = advice_words(zone.advice, zone.depth, units)
        if style == "rip":
            words += f" ({other_depth_words(zone.depth, units)})"
        elif zone.kind == "rest":
            words = "leave"
        west, _, east, _ = zone.geometry.bounds
        wide = east - west > 200 and zone.kind != "rest"
        spot = zone.geometry.representative_point()
        if style == "rip":
            spot = zone.geometry.convex_hull.centroid
        axis.text(
            spot.x,
            spot.y,
            words if wide else _stacked(words),
            ha="center",
            va="center",
            linespacing=1.05,
            fontsize=12 if style != "leave" else 11.5,
            color=LIGHT["secondary"] if style == "leave" else LIGHT["text"],
            fontweight="bold" if style == "rip" else "normal",
            bbox={"boxstyle": "round,pad=0.15", "facecolor": LIGHT["paper"],
                  "edgecolor": "none", "alpha": 0.85 if style == "rip" else 0.0},
        )  # fmt: skip


def _stacked(words: str) -> str:
    """Return words one below the other, numbers beside their unit."""
    for pair in (" in", " cm", " at"):
        words = words.replace(pair, pair.replace(" ", "\N{NO-BREAK SPACE}"))
    return words.replace(" ", "\n")


def work_legend(axis, result: tm.Result) -> None:
    """Say what each pattern means and how much of it there is."""
    areas = result.areas()

    def said(word: str) -> str:
        area = areas.get(word, 0.0)
        return f"{from_si(area, 'ac'):.1f} ac ({from_si(area, 'ha'):.1f} ha)"

    ink = LIGHT["work"]
    handles = [
        Patch(facecolor=ink, alpha=0.88, label=f"rip, {said('rip')}"),
        Patch(
            facecolor=(*mpl.colors.to_rgb(ink), 0.1),
            edgecolor=ink,
            linewidth=1.5,
            label=f"probe first, {said('probe first')}",
        ),
        Line2D([], [], color=ink, linestyle=(0, (1, 1.5)), label="wait, or level ruts"),
        Patch(facecolor=LIGHT["keep-out"], alpha=0.55, label="keep out"),
        Patch(
            facecolor="none",
            edgecolor=LIGHT["not-assessed"],
            hatch=HATCH,
            label="not assessed",
        ),
        Patch(facecolor=LIGHT["paper"], edgecolor=LIGHT["strip"], label="check strip"),
    ]
    legend(axis, handles, columns=2)


def cells(axis, result: tm.Result, classes, names, alpha: float = 1.0) -> None:
    """Draw classes of cells in the inks of `names`, nothing where NaN."""
    west, south, east, north = result.grid.bounds
    axis.imshow(
        classes,
        extent=(west, east, south, north),
        cmap=ListedColormap([LIGHT[name] for name in names]),
        vmin=-0.5,
        vmax=len(names) - 0.5,
        interpolation="none",
        alpha=alpha,
    )


def fill(axis, shape, ink: str, alpha: float = 1.0) -> None:
    """Fill a shape."""
    for part in _parts(shape):
        axis.add_patch(PathPatch(_path(part), facecolor=ink, alpha=alpha, linewidth=0))


def hatch(axis, shape, ink: str) -> None:
    """Fill a shape with strokes."""
    for part in _parts(shape):
        axis.add_patch(
            PathPatch(
                _path(part), facecolor="none", edgecolor=ink, hatch=HATCH, linewidth=0.5
            )
        )


def outline(axis, shape, ink: str, **line) -> None:
    """Draw the outline of a shape."""
    for part in _parts(shape):
        axis.add_patch(PathPatch(_path(part), facecolor="none", edgecolor=ink, **line))


def legend(axis, handles, columns: int) -> None:
    """Put a legend below the panel."""
    axis.legend(
        handles=handles,
        loc="upper center",
        bbox_to_anchor=(0.5, -0.005),
        ncols=columns,
        frameon=False,
        handlelength=1.6,
        columnspacing=1.2,
        fontsize=12.5,
    )


def scale_bar(axis, boundary) -> None:
    """Draw 100 m, in both units."""
    west, south, east, _ = boundary.bounds
    left, low = east - 120, south - 18
    axis.plot([left, left + 100], [low, low], color=LIGHT["text"], linewidth=2.5)
    axis.text(left - 8, low, "100 m (328 ft)", ha="right", va="center", fontsize=12)
    axis.annotate(
        "N",
        (west + 12, south - 8),
        (west + 12, south - 30),
        ha="center",
        va="center",
        arrowprops={"arrowstyle": "->", "color": LIGHT["text"]},
        fontsize=12,
    )


def _both(depth: float) -> str:
    return f"{depth_words(depth, 'us')} ({depth_words(depth, 'metric')})"


def _parts(shape) -> list:
    return [p for p in getattr(shape, "geoms", [shape]) if p.geom_type == "Polygon"]


def _path(polygon) -> Outline:
    rings = [polygon.exterior, *polygon.interiors]
    return Outline.make_compound_path(
        *(Outline(np.asarray(ring.coords)[:, :2], closed=True) for ring in rings)
    )


def _shrink(path: Path) -> None:
    """Store as a palette: flat inks lose nothing by it."""
    from PIL import Image

    with Image.open(path) as picture:
        small = picture.convert("RGB").quantize(64, dither=Image.Dither.NONE)
    small.save(path, optimize=True)


if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parent))
    from sample_fields.make import write_sample

    with tempfile.TemporaryDirectory() as folder:
        field, _ = tm.read_field(write_sample(Path(folder) / "field"))
        draw(tm.run(field), HERE / "picture.png")
