"""Styles that travel inside the GeoPackage: QML and SLD made from the inks."""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import quoteattr

from trafficmap.outputs.inks import LIGHT, rgb


@dataclass(frozen=True)
class Pen:
    """How one kind of line or outline is drawn; widths in millimetres on paper."""

    value: str
    label: str
    ink: str
    width: float
    dash: str = "solid"
    lines: bool = False
    filled: bool = False


ZONE_PENS = (
    Pen("rip", "rip", LIGHT["work"], 0.8, lines=True),
    Pen("probe", "probe first", LIGHT["work"], 0.6, "dash"),
    Pen("dotted", "wait, level ruts only, carry only, stop", LIGHT["work"], 0.4, "dot"),
    Pen("leave", "leave", LIGHT["leave"], 0.26),
    Pen("not-assessed", "not assessed", LIGHT["not-assessed"], 0.2, lines=True),
    Pen("keep-out", "keep out", LIGHT["keep-out"], 0.5, "dash dot"),
    Pen("strip", "check strip", LIGHT["strip"], 0.5),
)
BOUNDARY_PENS = (Pen("", "boundary", LIGHT["boundary"], 0.5),)
PASS_PENS = (
    Pen("working", "working", LIGHT["fact-3"], 0.3),
    Pen("turning", "turning", LIGHT["fact-2"], 0.3, "dash"),
    Pen("hauling", "hauling", LIGHT["fact-3"], 0.5, "dash"),
    Pen("loading", "loading", LIGHT["fact-3"], 0.7, "dot"),
)
STOP_PENS = (
    Pen("stop", "place to probe, in a wheel track", LIGHT["work"], 0.4, filled=True),
    Pen("twin", "beside it, where no wheel ran", LIGHT["work"], 0.4),
)
SPOT_PENS = (Pen("", "loads changed hands here", LIGHT["fact-3"], 0.4, filled=True),)
ROAD_PENS = (Pen("", "driven outside the field", LIGHT["fact-3"], 0.6, "dash"),)
LANE_PENS = (Pen("", "lane for next year", LIGHT["work"], 0.5, "dash"),)
PLACE_PENS = (Pen("", "load trucks here", LIGHT["work"], 0.4, filled=True),)
_POINT_SIZE = 2.6
"""Across a point [mm]."""
_SLD_DASH = {"dash": "6 4", "dot": "1 3", "dash dot": "8 3 1 3"}


def qml(pens: tuple[Pen, ...], *, column: str, geometry: str, label: str = "") -> str:
    """Return a QML style: one symbol a value of `column`, or a single symbol.

    Parameters
    ----------
    pens : tuple of Pen
    column : str
        Column that chooses the pen; empty for a single symbol.
    geometry : {"fill", "line", "marker"}
    label : str
        Expression printed in each shape, or empty.
    """
    symbols = "".join(
        f'<symbol type="{geometry}" name="{number}" alpha="1" '
        f'clip_to_extent="1">{_qml_layers(pen, geometry)}</symbol>'
        for number, pen in enumerate(pens)
    )
    if column:
        categories = "".join(
            f'<category symbol="{number}" value={quoteattr(pen.value)} '
            f'label={quoteattr(pen.label)} render="true"/>'
            for number, pen in enumerate(pens)
        )
        renderer = (
            f'<renderer-v2 type="categorizedSymbol" attr={quoteattr(column)} '
            f'enableorderby="0" symbollevels="0"><categories>{categories}</categories>'
            f"<symbols>{symbols}</symbols></renderer-v2>"
        )
    else:
        renderer = (
            '<renderer-v2 type="singleSymbol" enableorderby="0" symbollevels="0">'
            f"<symbols>{symbols}</symbols></renderer-v2>"
        )
    labelling = ""
    if label:
        labelling = (
            '<labeling type="simple"><settings calloutType="simple">'
            f'<text-style fieldName={quoteattr(label)} isExpression="1" fontSize="9" '
            f'textColor="{_rgba(LIGHT["text"])}"/></settings></labeling>'
        )
    enabled = "1" if label else "0"
    return (
        '<!DOCTYPE qgis PUBLIC "http://mrcc.com/qgis.dtd" "SYSTEM">'
        f'<qgis version="3.28" styleCategories="Symbology|Labeling" '
        f'labelsEnabled="{enabled}">{renderer}{labelling}</qgis>'
    )


def sld(pens: tuple[Pen, ...], *, column: str, geometry: str, name: str) -> str:
    """Return an SLD 1.0 style with the same rules."""
    rules = "".join(_sld_rule(pen, column, geometry) for pen in pens)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<StyledLayerDescriptor version="1.0.0" '
        'xmlns="http://www.opengis.net/sld" xmlns:ogc="http://www.opengis.net/ogc">'
        f"<NamedLayer><Name>{name}</Name><UserStyle><FeatureTypeStyle>{rules}"
        "</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )


def _qml_layers(pen: Pen, geometry: str) -> str:
    if geometry == "marker":
        inside = pen.ink if pen.filled else LIGHT["paper"]
        return _layer(
            "SimpleMarker",
            name="circle",
            size=_POINT_SIZE,
            size_unit="MM",
            color=_rgba(inside),
            outline_color=_rgba(pen.ink),
            outline_width=pen.width,
            outline_width_unit="MM",
            outline_style="solid",
        )
    if geometry == "line":
        return _layer(
            "SimpleLine",
            line_color=_rgba(pen.ink),
            line_width=pen.width,
            line_width_unit="MM",
            line_style=pen.dash,
        )
    outline = _layer(
        "SimpleFill",
        style="no",
        outline_color=_rgba(pen.ink),
        outline_width=pen.width,
        outline_width_unit="MM",
        outline_style=pen.dash,
    )
    if not pen.lines:
        return outline
    pattern = (
        '<layer class="LinePatternFill" enabled="1" locked="0" pass="0">'
        + _options(
            angle=45,
            distance=4,
            distance_unit="MM",
            color=_rgba(pen.ink),
            line_width=0.15,
        )
        + '<symbol type="line" name="@pattern" alpha="1" clip_to_extent="1">'
        + _layer(
            "SimpleLine",
            line_color=_rgba(pen.ink),
            line_width=0.15,
            line_width_unit="MM",
            line_style="solid",
        )
        + "</symbol></layer>"
    )
    return pattern + outline


def _layer(kind: str, **options: object) -> str:
    return (
        f'<layer class="{kind}" enabled="1" locked="0" pass="0">'
        f"{_options(**options)}</layer>"
    )


def _options(**options: object) -> str:
    rows = "".join(
        f'<Option type="QString" name="{key}" value={quoteattr(str(value))}/>'
        for key, value in options.items()
    )
    return f'<Option type="Map">{rows}</Option>'


def _sld_rule(pen: Pen, column: str, geometry: str) -> str:
    test = ""
    if column:
        test = (
            "<ogc:Filter><ogc:PropertyIsEqualTo>"
            f"<ogc:PropertyName>{column}</ogc:PropertyName>"
            f"<ogc:Literal>{pen.value}</ogc:Literal>"
            "</ogc:PropertyIsEqualTo></ogc:Filter>"
        )
    dash = _SLD_DASH.get(pen.dash)
    stroke = (
        f'<Stroke><CssParameter name="stroke">{pen.ink}</CssParameter>'
        f'<CssParameter name="stroke-width">{pen.width / 0.28:.2f}</CssParameter>'
        + (
            f'<CssParameter name="stroke-dasharray">{dash}</CssParameter>'
            if dash
            else ""
        )
        + "</Stroke>"
    )
    if geometry == "marker":
        inside = pen.ink if pen.filled else LIGHT["paper"]
        return (
            f"<Rule><Title>{pen.label}</Title>{test}<PointSymbolizer><Graphic><Mark>"
            "<WellKnownName>circle</WellKnownName><Fill>"
            f'<CssParameter name="fill">{inside}</CssParameter></Fill>{stroke}</Mark>'
            f"<Size>{_POINT_SIZE / 0.28:.1f}</Size></Graphic></PointSymbolizer></Rule>"
        )
    shape = "PolygonSymbolizer" if geometry == "fill" else "LineSymbolizer"
    return f"<Rule><Title>{pen.label}</Title>{test}<{shape}>{stroke}</{shape}></Rule>"


def _rgba(ink: str) -> str:
    red, green, blue = rgb(ink)
    return f"{red},{green},{blue},255"
