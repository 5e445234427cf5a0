"""The season with each change side by side: table, text, page and GeoPackage."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trafficmap import __version__
from trafficmap.core.errors import InputError
from trafficmap.core.settings import settings_as_dict
from trafficmap.core.units import from_si
from trafficmap.formats import _files
from trafficmap.outputs import inks
from trafficmap.outputs.geopackage import write_layers
from trafficmap.outputs.pages import template
from trafficmap.outputs.words import (
    area_words,
    as_sentence,
    first_up,
    mass_words,
    money_range,
    share_words,
)
from trafficmap.season._say import way
from trafficmap.season.changes import AS_IT_WAS, TOGETHER

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.season import Comparison

NAMES = ("compare.csv", "compare.json", "compare.txt", "compare.html", "next_year.gpkg")

HEAD = (
    "Change",
    "Run over",
    "Damaged deep",
    "Likely or worse",
    "Heaviest wheel",
    "Driven",
    "Loads more",
    "Next crop saved",
)

MEANING = (
    "Run over: share of the field with a wheel on it at least once. Damaged deep: "
    "ground expected to be damaged at the worst of 10, 14 and 20 in (25, 35 and "
    "50 cm), from where it is very likely to where it is at least possible. Likely or "
    "worse: ground under wheels where damage is likely. Next crop saved: what wheels "
    "take from the next crop less than as it was, less what the change was told to "
    "cost; it is yield x price x loss within reach x damaged ground, the same for both "
    "seasons."
)


def write_comparison(
    found: Comparison, folder: Path, *, mark: str, date: pd.Timestamp
) -> Path:
    """Write a comparison into a folder; see `NAMES`.

    Parameters
    ----------
    found : Comparison
    folder : Path
    mark : str
        Name of the run compared with.
    date : Timestamp
        Newest input of that run.
    """
    _files.make_folder(folder)
    _files.write_text(folder / "compare.csv", comparison_csv(found))
    if found.suggestion is not None:
        layers = {}
        if len(found.suggestion.lines):
            layers["lanes"] = (found.suggestion.lines, "LineString")
        if len(found.suggestion.places):
            layers["loading_places"] = (found.suggestion.places, "Point")
        if layers:
            write_layers(layers, folder / "next_year.gpkg", mark=mark, date=date)
    _files.write_text(folder / "compare.txt", comparison_text(found))
    _files.write_text(folder / "compare.html", comparison_page(found, mark=mark))
    document = comparison_document(found, mark=mark)
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    _files.write_text(folder / "compare.json", text + "\n")
    return folder


def require_free(
    folder: Path, names: tuple[str, ...], *, overwrite: bool, what: str
) -> None:
    """Refuse a folder that holds an earlier answer, unless it may be replaced.

    Raises
    ------
    InputError
    """
    there = [name for name in names if (folder / name).exists()]
    if there and not overwrite:
        msg = f"{folder.name}: holds {what} already ({there[0]}), need a new folder."
        raise InputError(msg, "add --overwrite, or choose another folder with -o")


def comparison_csv(found: Comparison) -> str:
    """Return the table with SI units, as its contract names them."""
    stream = io.StringIO()
    found.table.to_csv(stream, index=False, lineterminator="\n", float_format="%.6g")
    return stream.getvalue()


def comparison_document(found: Comparison, *, mark: str) -> dict[str, Any]:
    """Return everything as plain values for JSON."""
    rows = [
        {key: _plain(value) for key, value in row.items()}
        for row in found.table.to_dict("records")
    ]
    document: dict[str, Any] = {
        "program": "trafficmap",
        "version": __version__,
        "run": mark,
        "field": found.field.name,
        "season": found.field.season,
        "invented": found.field.invented,
        "seasons": rows,
        "notes": {
            name: [note.as_dict() for note in notes]
            for name, notes in found.notes.items()
        },
        "not_together": found.alone,
        "money": {key: _plain(value) for key, value in found.money.items()},
        "settings": settings_as_dict(found.settings),
    }
    tip = found.suggestion
    if tip is not None:
        document["suggested"] = {
            "lanes": None
            if tip.lanes is None
            else {
                "heading_deg": math.degrees(tip.lanes.heading),
                "spacing_m": tip.lanes.spacing,
                "offset_m": tip.lanes.offset,
                "on_lanes": _plain(tip.on_lanes),
                "misfits_m": tip.misfits,
            },
            "places": [
                {
                    "place": int(row.place),
                    "loads": int(row.loads),
                    "mass_kg": float(row.mass),
                    "easting": float(row.geometry.x),
                    "northing": float(row.geometry.y),
                }
                for row in tip.places.itertuples()
            ],
            "loaded_now_m": _plain(tip.loaded_now),
            "loaded_then_m": _plain(tip.loaded_then),
            "sentences": list(tip.sentences),
        }
    return document


def shown_rows(found: Comparison) -> list[list[str]]:
    """Return what a person reads of each season, in the order of `HEAD`."""
    units, currency = found.field.units, found.money["currency"]
    out = []
    for row in found.table.to_dict("records"):
        deep = (
            "not known"
            if math.isnan(row["deep"])
            else f"{area_words(row['deep'], units)} "
            f"({_range(row['deep_low'], row['deep_high'], units)})"
        )
        saved = (
            ""
            if row["change"] == AS_IT_WAS
            else money_range(row["saved_low"], row["saved_high"], currency)
        )
        out.append(
            [
                _called(row["change"]),
                f"{area_words(row['run_over'], units)}, "
                f"{share_words(row['run_over_share'])}",
                deep,
                _area(row["deep_likely"], units),
                mass_words(row["heaviest_wheel"], units),
                way(row["driven"], units),
                f"{row['trips_added']:+d}" if row["trips_added"] else "none",
                saved,
            ]
        )
    return out


def answer(found: Comparison) -> str:
    """Return the sentence a person reads first."""
    table = found.table
    if len(table) < 2:
        return (
            "No change was driven; what is suggested comes from the season as it was."
        )
    first = table.iloc[0]
    alone = table[~table["change"].isin([AS_IT_WAS, TOGETHER])]
    units = found.field.units
    if math.isnan(float(first["deep"])):
        best = alone.iloc[int(alone["run_over"].to_numpy().argmin())]
        less = float(first["run_over"] - best["run_over"])
        if less <= 0.0:
            return "None of the changes leaves less ground run over."
        return (
            f"Of the changes, {_called(best['change'])} leaves the least ground run "
            f"over: {area_words(less, units)} less. Damage could not be assessed."
        )
    best = alone.iloc[int(alone["deep"].fillna(math.inf).to_numpy().argmin())]
    less = float(first["deep"] - best["deep"])
    if less <= 0.005 * max(float(first["deep"]), 1.0):
        return "None of the changes leaves clearly less ground damaged deep."
    spared = float(first["run_over"] - best["run_over"])
    word = "less" if spared >= 0.0 else "more"
    text = (
        f"Of the changes, {_called(best['change'])} helps most: "
        f"{area_words(less, units)} less damaged deep "
        f"({share_words(less / float(first['deep']))} of it), "
        f"{area_words(abs(spared), units)} {word} run over."
    )
    high = float(best["saved_high"])
    if high < 0.0:
        text += " It costs more than the next crop gets back."
    elif float(best["saved_low"]) <= 0.0 <= high:
        text += " Whether it pays for itself next year is not sure."
    worse = alone[alone["deep"] > first["deep"] * 1.005]["change"].tolist()
    if worse:
        names = ", ".join(_called(name) for name in worse)
        text += f" Worse than as it was: {names}."
    return text


def comparison_text(found: Comparison) -> str:
    """Return the comparison as plain text."""
    field = found.field
    lines = [f"{field.name}, season {field.season}: what if", ""]
    if field.invented:
        lines += ["Invented field, for trying out.", ""]
    lines += [answer(found), ""]
    rows = shown_rows(found)
    wide = [max(len(r[k]) for r in [list(HEAD), *rows]) for k in range(len(HEAD))]
    for row in [list(HEAD), *rows]:
        line = "  ".join(
            cell.ljust(w) if k == 0 else cell.rjust(w)
            for k, (cell, w) in enumerate(zip(row, wide, strict=True))
        )
        lines.append(line.rstrip())
    lines += ["", MEANING, ""]
    for name, words, notes in _told(found):
        lines.append(f"{name}: {words}" if words else name)
        lines += [f"  {note}" for note in notes]
    if found.alone:
        lines += ["", as_sentence(found.alone)]
    if found.suggestion is not None:
        lines += ["", "Suggested for next year"]
        lines += [f"  {sentence}" for sentence in found.suggestion.sentences]
    return "\n".join(lines) + "\n"


def comparison_page(found: Comparison, *, mark: str) -> str:
    """Return the comparison as one page that needs nothing else."""
    field = found.field
    return template("compare.html.j2").render(
        light=inks.css_variables(inks.LIGHT),
        dark=inks.css_variables(inks.DARK),
        name=field.name,
        season=field.season,
        invented=field.invented,
        sentence=answer(found),
        head=HEAD,
        rows=shown_rows(found),
        meaning=MEANING,
        told=_told(found),
        alone=as_sentence(found.alone) if found.alone else "",
        suggested=found.suggestion.sentences if found.suggestion else (),
        mark=mark,
        version=__version__,
    )


def _told(found: Comparison) -> list[tuple[str, str, list[str]]]:
    """Return name, words and notes of each season that has any."""
    out = []
    for row in found.table.to_dict("records"):
        notes = found.notes.get(row["change"], ())
        said = [first_up(note.sentence) for note in notes]
        if row["words"] or said:
            out.append((_called(row["change"]), row["words"], said))
    return out


def _called(name: str) -> str:
    """Return the name of a change as a person reads it."""
    return name.replace("_", " ")


def _area(value: float, units: str) -> str:
    return "not known" if math.isnan(value) else area_words(value, units)


def _range(low: float, high: float, units: str) -> str:
    unit = "ac" if units == "us" else "ha"
    digits = 1 if units == "us" else 2
    return f"{from_si(low, unit):.{digits}f} to {from_si(high, unit):.{digits}f}"


def _plain(value: Any) -> Any:
    """Return a value JSON can hold; unknown numbers are null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.item() if hasattr(value, "item") else value
