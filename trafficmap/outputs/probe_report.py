"""What readings changed, on disk: the new run, and before and after side by side."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trafficmap import __version__
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.units import from_si
from trafficmap.formats import _files
from trafficmap.outputs import inks, probe_records, probe_words, words
from trafficmap.outputs.manifest import plain, run_mark
from trafficmap.outputs.pages import template
from trafficmap.outputs.run_folder import RUN_NAME, write_run
from trafficmap.zones.probe_value import readings_needed

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.field.readings import Told
    from trafficmap.probing import ProbeReading

FOLDER = "probed"
"""Where a run folder keeps what readings changed; a number for each time."""

_NEW_NAME = "readings/"


def write_reading(
    reading: ProbeReading,
    record: Path,
    place: Path,
    *,
    out: Path,
    told: Told,
    overwrite: bool = False,
) -> Path:
    """Write the run with its readings, and what they changed; return that folder.

    Parameters
    ----------
    reading : ProbeReading
    record : Path
        The file the readings came from; a copy is kept.
    place : Path
        The new run folder, or that of the earlier run.
    out : Path
        The earlier run; its run.json is kept as ``before.json``.
    told : Told
        What was said of the record.
    overwrite : bool
        Replace a finished run in `place`.
    """
    place, out = Path(place), Path(out)
    # Read before anything is written: both folders may be the same.
    earlier = (out / RUN_NAME).read_bytes()
    records = {
        name: (path.read_bytes(), said)
        for name, (path, said) in probe_records.kept_records(
            reading.before.field.inputs, out
        ).items()
    }
    old = {entry["name"] for entry in reading.before.field.inputs}
    for entry in reading.after.field.inputs:
        if entry["name"] not in old and entry["name"].startswith(_NEW_NAME):
            records[entry["name"]] = (Path(record).read_bytes(), told)
    sentence = sentence_of(reading)
    note = Note("probe.update", "info", sentence, len(reading.readings))
    notes = tuple(worst_first(_once([*reading.after.notes, *reading.notes, note])))
    for name, (content, said) in records.items():
        probe_records.keep_record(name, content, said, place)
    write_run(replace(reading.after, notes=notes), place, overwrite=overwrite)
    folder = _next(place / FOLDER)
    _files.write_bytes(folder / "before.json", earlier)
    _files.write_text(folder / "update.csv", csv_text(reading))
    _files.write_text(folder / "stops.csv", stops_text(reading))
    document = {
        "run": run_mark(reading.after),
        "before": json.loads(earlier)["run"],
        "sentence": sentence,
        "zones": reading.table.to_dict("records"),
        "by_class": reading.chances.classes.to_dict("records"),
        "stops": reading.chances.pairs.to_dict("records"),
        "areas_before_m2": reading.areas_before,
        "areas_m2": reading.areas,
        "net_before": reading.net_before,
        "net": reading.net,
        "spread": reading.spread,
        "notes": [note.as_dict() for note in reading.notes],
    }
    text = json.dumps(plain(document), indent=1, ensure_ascii=False, allow_nan=False)
    _files.write_text(folder / "update.json", text + "\n")
    _files.write_text(folder / "update.html", page(reading))
    return folder


def sentence_of(reading: ProbeReading) -> str:
    """Return what the readings changed, in plain words."""
    field = reading.after.field
    return probe_words.update_sentence(
        reading.table,
        before=reading.areas_before,
        after=reading.areas,
        net=(reading.net_before, reading.net),
        currency=field.prices.currency,
        units=field.units,
    )


def report_lines(reading: ProbeReading) -> list[str]:
    """Return the lines a person reads on the command line."""
    currency = reading.after.field.prices.currency
    lines = []
    for row in _rows(reading.table, currency, units=reading.after.field.units):
        if row["stops"] == "0" and row["same"]:
            continue
        lines.append(
            f"zone {row['zone']}: {row['advice']} (before {row['before']}); layer in "
            f"reach {row['chance']} (before {row['chance_before']}), found at "
            f"{row['found']} of {row['stops']} stops; ripping nets {row['net']} "
            f"(before {row['net_before']}). {row['reason']}"
        )
    lines += _precision(reading)
    return [*lines, sentence_of(reading)]


def csv_text(reading: ProbeReading) -> str:
    """Return the zones before and after as a table with units in the names."""
    table = reading.table.copy()
    table.insert(3, "area_ha", from_si(table["area"].to_numpy(float), "ha").round(3))
    table.insert(4, "area_ac", from_si(table["area"].to_numpy(float), "ac").round(2))
    table = table.drop(columns="area").round(
        {"chance_before": 3, "chance": 3, "net_before": 2, "net": 2}
    )
    return table.to_csv(index=False, lineterminator="\n")


def stops_text(reading: ProbeReading) -> str:
    """Return what every pair said beside what the model said there."""
    table = reading.chances.pairs.copy()
    for name in ("top", "bottom"):
        at = list(table.columns).index(name)
        table.insert(at, f"{name}_cm", from_si(table[name].to_numpy(float), "cm"))
    table["date"] = table["date"].dt.strftime("%Y-%m-%d").fillna("")
    table = table.drop(columns=["top", "bottom"])
    table = table.round({"top_cm": 1, "bottom_cm": 1})
    table = table.round({"easting": 2, "northing": 2, "ratio": 2, "probability": 3})
    return table.to_csv(index=False, lineterminator="\n")


def page(reading: ProbeReading) -> str:
    """Return the page that shows before and after."""
    field = reading.after.field
    currency, units = field.prices.currency, field.units
    return template("probe_update.html.j2").render(
        name=field.name,
        season=field.season,
        invented=field.invented,
        sentence=sentence_of(reading),
        rows=_rows(reading.table, currency, units=units),
        classes=_classes(reading),
        misses=_misses(reading, units),
        areas=_areas(reading, units),
        net=(
            probe_words.money(reading.net_before, currency),
            probe_words.money(reading.net, currency),
        ),
        precision=_precision(reading),
        notes=[words.as_sentence(note.sentence) for note in reading.notes],
        mark=run_mark(reading.after),
        version=__version__,
        light=inks.css_variables(inks.LIGHT),
        dark=inks.css_variables(inks.DARK),
    )


def _rows(table: pd.DataFrame, currency: str, *, units: str) -> list[dict[str, Any]]:
    rows = []
    for row in table.to_dict("records"):
        rows.append(
            {
                "zone": str(row["zone"]),
                "area": words.area_words(row["area"], units),
                "before": row["advice_before"] or "no zone",
                "advice": row["advice"],
                "reason": words.as_sentence(row["reason"]),
                "same": row["advice"] == row["advice_before"],
                "stops": str(row["stops"]),
                "found": str(row["found"]),
                "chance_before": words.chance_words(row["chance_before"]),
                "chance": words.chance_words(row["chance"]),
                "net_before": probe_words.money(row["net_before"], currency),
                "net": probe_words.money(row["net"], currency),
            }
        )
    return rows


def _classes(reading: ProbeReading) -> list[dict[str, str]]:
    soil = reading.after.field.soil
    names = [] if soil is None else soil.units["soil_unit"].astype(str).tolist()
    rows = []
    for row in reading.chances.classes.to_dict("records"):
        unit = int(row["soil_unit"])
        rows.append(
            {
                "soil": names[unit] if 0 <= unit < len(names) else "not known",
                "risk": row["risk"],
                "found": f"{row['found']} of {row['stops']}",
                "before": words.chance_words(row["before"]),
                "after": words.chance_words(row["after"]),
            }
        )
    return rows


def _misses(reading: ProbeReading, units: str) -> list[dict[str, str]]:
    """Return where model and probe disagree, one row a zone and finding."""
    pairs = reading.chances.pairs
    zones = reading.after.zones
    zones = zones[~zones["kind"].isin(("strip", "keep_out"))]
    zone_of = dict(zip(zones["unit"], zones["zone"], strict=True))
    rows = []
    missed = pairs[pairs["miss"]]
    for (unit, found), group in missed.groupby(["unit", "found"], sort=True):
        all_of = int((pairs["unit"] == unit).sum())
        what = "no layer"
        if found:
            bottom = float(group["bottom"].median())
            what = "a layer that goes deeper than the probe"
            if math.isfinite(bottom):
                what = f"a layer down to {words.depth_words(bottom, units)}"
        names = group["point"].tolist()
        told = ", ".join(names[:3]) + (" and others" if len(names) > 3 else "")
        zone = zone_of.get(unit, 0)
        rows.append(
            {
                "where": f"zone {zone}" if zone else "outside the zones",
                "stops": f"{len(group)} of {all_of}",
                "names": told,
                "model": words.chance_words(float(group["probability"].median())),
                "found": what,
                "ratio": f"{group['ratio'].median():.2f}",
            }
        )
    return rows


def _areas(reading: ProbeReading, units: str) -> list[dict[str, str]]:
    rows = []
    old = probe_words.left_together(reading.areas_before)
    new = probe_words.left_together(reading.areas)
    for word in sorted(set(old) | set(new), key=lambda word: -new.get(word, 0.0)):
        rows.append(
            {
                "advice": word,
                "before": words.area_words(old.get(word, 0.0), units),
                "after": words.area_words(new.get(word, 0.0), units),
            }
        )
    return rows


def _precision(reading: ProbeReading) -> list[str]:
    """Say how far readings spread, and how many that asks for."""
    if not math.isfinite(reading.spread):
        return []
    use = reading.after.settings.zones
    needed = max(
        readings_needed(max(reading.spread, 0.01), within=0.15), use.min_probes
    )
    usual = use.probe_spread
    return [
        f"Readings on this field spread by {words.share_words(reading.spread)} (taken "
        f"before: {words.share_words(usual)}): {needed} stops in a zone are enough to "
        "come within 15 % of its mean."
    ]


def _next(folder: Path) -> Path:
    """Return the first folder of a number that is free."""
    number = 1
    while (folder / str(number)).exists():
        number += 1
    return folder / str(number)


def _once(notes: list[Note]) -> list[Note]:
    return list(dict.fromkeys(notes))
