"""The answer of ``trafficmap when``: a finished run asked again with new weather."""

from __future__ import annotations

import json
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trafficmap import pipeline
from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.progress import Progress, silent
from trafficmap.field.later import with_forecast, with_past
from trafficmap.formats import _files
from trafficmap.outputs import when_view
from trafficmap.outputs.manifest import told_ahead
from trafficmap.outputs.reopen import reopen
from trafficmap.outputs.traffic_tables import FOLDER

NAMES = ("when.txt", "when.json", "windows.csv", "when.csv", "nights.csv", "odds.csv")
_ROOMS = ("when", "odds", "past", "forecast")
_CODES = ("soil.nights_unknown",)


@dataclass(frozen=True)
class Answer:
    """When to work, ready to be shown and written.

    Parameters
    ----------
    text : str
        For a person.
    document : dict
        The same for programs.
    tables : dict of str to str
        Text of each table by its name.
    notes : tuple of Note
        What was found about forecast and past years, worst first.
    """

    text: str
    document: dict[str, Any]
    tables: dict[str, str]
    notes: tuple[Note, ...]

    def write(self, folder: Path) -> Path:
        """Write text, document and tables into a folder."""
        _files.make_folder(folder)
        for name, content in self.tables.items():
            _files.write_text(folder / name, content)
        _files.write_text(folder / "when.txt", self.text)
        document = json.dumps(
            self.document, ensure_ascii=False, indent=1, allow_nan=False
        )
        _files.write_text(folder / "when.json", document + "\n")
        return folder


def answer(
    out: Path,
    *,
    forecast: Path | None = None,
    past: Path | None = None,
    folder: Path | None = None,
    progress: Progress = silent,
) -> Answer:
    """Ask a finished run when its zones are fit.

    Parameters
    ----------
    out : Path
        Run folder.
    forecast, past : Path, optional
        Files in place of those of field.toml.
    folder : Path, optional
        Of field.toml, where it is not where the run left it.
    progress : callable, optional

    Raises
    ------
    InputError
        There is no forecast, it cannot be used, or the run or its field are not
        what they were.
    """
    again = reopen(out, folder=folder)
    field = again.field(progress=lambda share, m: progress(0.15 * share, m))
    told: list[Note] = []
    if forecast is not None:
        field, notes = with_forecast(field, forecast)
        told += notes
    if past is not None:
        field, notes = with_past(field, past)
        told += notes
    if field.forecast is None:
        why = next(
            (n.sentence for n in field.notes if n.code.startswith("forecast.")),
            f"{field.name}: no forecast is named, need the coming days or hours.",
        )
        raise InputError(why, "give one: --forecast FILE")
    if field.weather is None or field.soil is None:
        msg = f"{field.name}: has no [weather] or no [soil], need both to follow water."
        raise InputError(msg, "add them to field.toml and run again")
    result = pipeline.run(
        field,
        again.settings,
        progress=lambda share, m: progress(0.15 + 0.85 * share, m),
    )
    told += [
        note
        for note in result.notes
        if note.code.split(".")[0] in _ROOMS or note.code in _CODES
    ]
    lines = when_view.lines(result) or [when_view.LAST]
    text = "\n".join(
        textwrap.fill(
            line, 78, initial_indent="", subsequent_indent="  ", break_on_hyphens=False
        )
        for line in [f"{field.name}, season {field.season}", *lines]
    )
    notes = worst_first(dict.fromkeys(told))
    document = {
        "field": field.name,
        "season": field.season,
        "time_zone": field.time_zone,
        "forecast": None if forecast is None else forecast.name,
        "past": None if past is None else past.name,
        **told_ahead(result),
        "notes": [note.as_dict() for note in notes],
    }
    tables = {
        name.removeprefix(f"{FOLDER}/"): content
        for name, content in when_view.csv_files(result).items()
    }
    shown = [note for note in notes if note.code not in ("when.hours", "odds.told")]
    return Answer(text + "\n", document, tables, tuple(shown))


def refuse_taken(folder: Path, *, overwrite: bool) -> None:
    """Refuse a folder that holds an earlier answer, unless it may be replaced.

    Raises
    ------
    InputError
        One of the files is there already, or the name is that of a file.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        msg = f"{folder.name}: is a file, need a folder."
        raise InputError(msg, "name another folder")
    there = [name for name in NAMES if (folder / name).exists()]
    if there and not overwrite:
        msg = f"{folder.name}: holds {there[0]} already."
        raise InputError(msg, "name another folder, or add --overwrite")
