"""README.txt of a run folder: which file goes where, and what to watch."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from trafficmap import __version__
from trafficmap.outputs import (
    answers,
    draw_words,
    plan_words,
    traffic_tables,
    when_view,
    words,
)

if TYPE_CHECKING:
    import pandas as pd

    from trafficmap.pipeline import Result

FIRST_LINE = "trafficmap run folder"
UNFINISHED = (
    f"{FIRST_LINE}\n\nUNFINISHED. A run was stopped while it wrote this folder, or is\n"
    "still writing it. Do not use these files. Run again with the same -o.\n"
)

_FILES = (
    ("map.html", "the map; open it in any browser, no network needed; prints the map "
     "on a page of its own, then the work and the zones"),
    ("display/TASKDATA", "copy this whole folder to the root of the stick for a "
     "display that takes ISO 11783-10 task data"),
    ("display/SHP", "shapefile for a display that takes shapefiles; pick the column "
     "RATE as the depth"),
    ("field.gpkg", "boundary, zones, passes, places to probe, loading spots and roads "
     "for a map program, styles inside"),
    ("tables/*.csv", "where wheels ran: by machine, part of the field and axle, how "
     "often, and where loads changed hands; with a forecast the hours fit for work and "
     "the frozen nights"),
    ("layers/*.tif", "every map as a GeoTIFF in the field's own coordinate system"),
    ("ledger.tif", "damage by season and depth; next year's run reads it"),
    ("explain.npz", "what 'trafficmap explain' reads to tell the story of one spot"),
    ("run.json", "every input by hash, every setting, every note, totals, zones, plan; "
     "without it the folder is unfinished"),
)  # fmt: skip


def readme(result: Result, *, mark: str, date: pd.Timestamp) -> str:
    """Return the text of README.txt.

    Parameters
    ----------
    result : Result
    mark : str
        Name of the run.
    date : Timestamp
        Time of the newest input.
    """
    field, units = result.field, result.field.units
    lines = [
        FIRST_LINE,
        "",
        f"{field.name}, season {field.season}, {words.area_words(field.area, units)}",
    ]
    if field.invented:
        lines.append("THIS FIELD IS INVENTED: made to show the program, not measured.")
    bottom = result.settings.zones.assume_confirmed
    if bottom is not None:
        lines.append(
            f"ASSUMED: a layer down to {words.depth_words(bottom, units)} is taken as "
            "confirmed wherever no finding settles it."
        )
        lines.append("Nobody dug. Try things out with this, do not work by it.")
    sentence = words.sentence_of_the_day(result.zones, result.stops, units)
    lines += ["", *_wrap(sentence)]
    lines += _listed("CHECK FIRST", answers.check_first(result), numbered=True)
    jobs = plan_words.jobs(result)
    if jobs:
        lines += ["", "WORK, IN ORDER", ""]
        for job in jobs:
            told = [f"{words.first_up(job.title)}, zone {job.zone}, {job.area}."]
            if job.effort:
                told.append(f"{words.first_up(job.effort)}.")
            text = " ".join([*told, *filter(None, (job.when, job.money, job.why))])
            lines += _wrap(text, first=f"  {job.order}. ", rest="     ")
        whole = plan_words.total(result)
        if whole:
            lines += ["", *_wrap(whole, first="  ", rest="  ")]
            lines += _wrap(plan_words.NET, first="  ", rest="  ")
    lines += _listed("WHEN", when_view.lines(result))
    if plan_words.asks_for_work(result):
        lines += ["", "ROLL THE SOIL BY HAND", ""]
        for number, text in enumerate(plan_words.HAND_ROLL, 1):
            lines += _wrap(text, first=f"  {number}. ", rest="     ")
    left = [
        f"{one.area}, {one.zones}: {one.reason} (row {one.row})"
        for one in answers.left_alone(result)
    ]
    lines += _listed("LEFT ALONE, AND WHY", left)
    lines += _listed("WHERE WHEELS RAN", traffic_tables.sentences(result))
    lines += _listed(
        "HOW LIKELY DAMAGE IS UNDER THE WHEELS, BY THE MODEL",
        answers.risk_lines(result),
    )
    lines += _listed("TAKEN FOR GRANTED", answers.taken_for_granted(result))
    lines += ["", "FILES", ""]
    for name, meaning in _FILES:
        lines += _wrap(meaning, first=f"  {name:<18}", rest=" " * 20)
    lines += ["", "ON THE DISPLAY", ""]
    for text in _display_rules(result):
        lines += _wrap(text, first="  - ", rest="    ")
    lines += ["", "CAUTIONS", ""]
    for text in (*words.about_field(field), *words.CAUTIONS):
        lines += _wrap(text, first="  - ", rest="    ")
    lines += ["", "HOW SURE", ""]
    limits = result.settings.risk
    for text in (
        *words.how_sure(limits.class_limits, limits.undecided),
        *draw_words.joint(result),
    ):
        lines += _wrap(text, first="  - ", rest="    ")
    lines += [
        "",
        f"Newest input {words.date_words(date.date())}. trafficmap {__version__}, "
        f"run {mark}.",
        "",
    ]
    return "\n".join(lines)


def is_ours(path: Path) -> bool:
    """Tell whether a README.txt was written by us."""
    try:
        return path.read_text(encoding="utf-8").startswith(FIRST_LINE)
    except (OSError, UnicodeDecodeError):
        return False


def _display_rules(result: Result) -> list[str]:
    units = result.field.units
    ripped = result.zones[words.is_ripped(result.zones)]
    depths = sorted({float(depth) for depth in ripped["depth"].dropna()})
    rules = [
        "Zone 0 is leave alone: ground outside the field, ground not decided, and the "
        "whole field when the position is lost. Zone 0 must lift the tool. Check it "
        "standing still before the first pass. If the implement holds the depth at 0 "
        "instead of lifting, the operator lifts.",
    ]
    if depths:
        told = ", ".join(
            f"{words.depth_words(d, units)} ({words.other_depth_words(d, units)})"
            for d in depths
        )
        rules.append(f"Depths in the files: {told}. Everything else is 0.")
    else:
        rules.append(
            "Nothing is to be ripped: every depth in the files is 0 (leave alone)."
        )
    rules.append(
        "Depths are setpoints below the surface. Measure the first 100 ft (30 m) with "
        "a rod and correct the implement, not the map."
    )
    rules.append(
        f"RATE in the shapefile is in {'whole inches' if units == 'us' else 'whole cm'}"
        "; task data carry whole millimetres."
    )
    return rules


def _listed(title: str, told: list[str], *, numbered: bool = False) -> list[str]:
    """Return a titled list, nothing where there is nothing to say."""
    if not told:
        return []
    lines = ["", title, ""]
    for number, text in enumerate(told, 1):
        lines += _wrap(
            text,
            first=f"  {number}. " if numbered else "  - ",
            rest="     " if numbered else "    ",
        )
    return lines


def _wrap(text: str, *, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(text, 78, initial_indent=first, subsequent_indent=rest)
