"""Did it pay: the yields of treated ground against check strips, for a person."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trafficmap import __version__
from trafficmap.core.errors import InputError
from trafficmap.core.units import MASS_PER_BUSHEL, from_si
from trafficmap.field.model import Crop, Prices
from trafficmap.formats import _files
from trafficmap.outputs import inks
from trafficmap.outputs.pages import template
from trafficmap.outputs.words import area_words, first_up, money_range

if TYPE_CHECKING:
    import geopandas as gpd

    from trafficmap.season import Review

NAMES = ("review.csv", "review.json", "review.txt", "review.html")
HEAD = ("Strip", "Zone", "Treated", "Left alone", "Difference", "Counts")


def zones_of_run(out: Path) -> gpd.GeoDataFrame:
    """Return the zones of a finished run as its GeoPackage holds them.

    Raises
    ------
    InputError
        The run drew no zones, or its GeoPackage was changed or is gone.
    """
    import pyogrio

    from trafficmap.formats import _gdal  # noqa: F401  before any other GDAL user
    from trafficmap.outputs.run_folder import read_run, sha256_of

    document = read_run(out)
    path = out / "field.gpkg"
    if not path.is_file():
        msg = f"{out.name}: field.gpkg is gone, need the zones that were worked."
        raise InputError(msg, "take the folder the run wrote, whole")
    if document["outputs"].get("field.gpkg") != sha256_of(path):
        msg = f"{out.name}: field.gpkg was changed since the run, need it as it was."
        raise InputError(msg, "copy the run folder again; edit zones in a copy")
    if "zones" not in {name for name, _ in pyogrio.list_layers(path)}:
        msg = f"{out.name}: this run drew no zones, need zones to compare."
        raise InputError(msg, "give the folder of the run that was worked from")
    return pyogrio.read_dataframe(path, layer="zones")


def told_money(document: dict[str, Any]) -> tuple[Crop, Prices]:
    """Return crop and prices as run.json holds them; names it does not know are left.

    Parameters
    ----------
    document : dict
        run.json.
    """
    crop, prices = document["field"]["crop"], document["prices"]
    return (
        Crop(**{k: v for k, v in crop.items() if k in Crop.__dataclass_fields__}),
        Prices(**{k: v for k, v in prices.items() if k in Prices.__dataclass_fields__}),
    )


def write_review(
    found: Review, folder: Path, *, document: dict[str, Any], crop: str
) -> Path:
    """Write a review into a folder; see `NAMES`.

    Parameters
    ----------
    found : Review
    folder : Path
    document : dict
        run.json of the run reviewed.
    crop : str
        What was harvested, for bushels.
    """
    _files.make_folder(folder)
    stream = io.StringIO()
    found.pairs.to_csv(stream, index=False, lineterminator="\n", float_format="%.6g")
    _files.write_text(folder / "review.csv", stream.getvalue())
    told: dict[str, Any] = {"document": document, "crop": crop}
    _files.write_text(folder / "review.txt", review_text(found, **told))
    _files.write_text(folder / "review.html", review_page(found, **told))
    text = json.dumps(
        review_document(found, **told), indent=1, ensure_ascii=False, allow_nan=False
    )
    _files.write_text(folder / "review.json", text + "\n")
    return folder


def review_document(
    found: Review, *, document: dict[str, Any], crop: str
) -> dict[str, Any]:
    """Return everything as plain values for JSON, in SI units."""
    rows = [
        {key: _plain(value) for key, value in row.items()}
        for row in found.pairs.to_dict("records")
    ]
    values = {
        name: _plain(getattr(found, name))
        for name in (
            *("difference_low", "difference", "difference_high"),
            *("net_low", "net", "net_high"),
            *("cost", "price", "area", "strips_wanted", "confidence"),
        )
    }
    return {
        "program": "trafficmap",
        "version": __version__,
        "run": document["run"],
        "field": document["field"]["name"],
        "season": document["field"]["season"],
        "crop": crop,
        "verdict": found.verdict,
        "sentence": found.sentence,
        **values,
        "strips": rows,
        "notes": [note.as_dict() for note in found.notes],
    }


def review_text(found: Review, *, document: dict[str, Any], crop: str) -> str:
    """Return the review as plain text."""
    field = document["field"]
    lines = [f"{field['name']}, season {field['season']}: did it pay?", ""]
    if field.get("invented"):
        lines += ["Invented field, for trying out.", ""]
    lines += [found.sentence, *facts(found, document=document, crop=crop), ""]
    rows = shown_pairs(found, units=field["units"], crop=crop)
    wide = [max(len(r[k]) for r in [list(HEAD), *rows]) for k in range(len(HEAD))]
    for row in [list(HEAD), *rows]:
        cells = [
            cell.ljust(w) if k == len(HEAD) - 1 else cell.rjust(w)
            for k, (cell, w) in enumerate(zip(row, wide, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    lines += ["", *(first_up(note.sentence) for note in found.notes)]
    return "\n".join(lines) + "\n"


def review_page(found: Review, *, document: dict[str, Any], crop: str) -> str:
    """Return the review as one page that needs nothing else."""
    field = document["field"]
    return template("review.html.j2").render(
        light=inks.css_variables(inks.LIGHT),
        dark=inks.css_variables(inks.DARK),
        name=field["name"],
        season=field["season"],
        invented=bool(field.get("invented")),
        sentence=found.sentence,
        facts=facts(found, document=document, crop=crop),
        head=HEAD,
        rows=shown_pairs(found, units=field["units"], crop=crop),
        notes=[first_up(note.sentence) for note in found.notes],
        mark=document["run"],
        version=__version__,
    )


def facts(found: Review, *, document: dict[str, Any], crop: str) -> list[str]:
    """Return what the verdict rests on, one sentence each."""
    units = document["field"]["units"]
    currency = document["prices"]["currency"]
    share = f"{100 * found.confidence:.0f} %"
    out = []
    if not math.isnan(found.difference):
        word = "more" if found.difference >= 0.0 else "less"
        text = (
            f"Treated ground yielded {_yield(abs(found.difference), units, crop)} "
            f"{word} than the strips"
        )
        if not math.isnan(found.difference_low):
            low, high = (
                _yield(value, units, crop, unit=last)
                for value, last in (
                    (found.difference_low, False),
                    (found.difference_high, True),
                )
            )
            text += f" ({share} range: {low} to {high})"
        out.append(text + ".")
    per, factor = ("an acre", 4046.8564224) if units == "us" else ("a hectare", 1e4)
    out.append(
        f"The work cost {found.cost * factor:.0f} {currency} {per} beyond what would "
        f"have been done anyway; {area_words(found.area, units)} were treated."
    )
    if not math.isnan(found.net_low):
        each, whole = (
            money_range(found.net_low * size, found.net_high * size, currency)
            for size in (factor, found.area)
        )
        out.append(f"Gain less cost, {per}: {each}; on all treated ground: {whole}.")
    if found.strips_wanted is not None:
        out.append(
            f"About {found.strips_wanted} strips as different as these would settle it."
        )
    return out


def shown_pairs(found: Review, *, units: str, crop: str) -> list[list[str]]:
    """Return what a person reads of each strip, in the order of `HEAD`."""
    return [
        [
            str(row["strip"]),
            str(row["zone"] or ""),
            _yield(row["treated"], units, crop),
            _yield(row["untreated"], units, crop),
            _yield(row["difference"], units, crop),
            "yes" if row["used"] else f"no: {row['reason']}",
        ]
        for row in found.pairs.to_dict("records")
    ]


def _yield(value: float, units: str, crop: str, *, unit: bool = True) -> str:
    """Return a yield [kg/m2] in bu/ac where the crop has a bushel, else lb/ac; t/ha."""
    if math.isnan(value):
        return "not known"
    bushel = MASS_PER_BUSHEL.get(crop, math.nan)
    if units != "us":
        number, word = f"{value * 10:.2f}", "t/ha"
    elif math.isfinite(bushel):
        number, word = f"{value / bushel * 4046.8564224:.1f}", "bu/ac"
    else:
        number, word = f"{from_si(value, 'lb') * 4046.8564224:.0f}", "lb/ac"
    number = number.replace("-", "−")
    return f"{number} {word}" if unit else number


def _plain(value: Any) -> Any:
    """Return a value JSON can hold; unknown numbers are null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.item() if hasattr(value, "item") else value
