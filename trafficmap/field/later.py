"""Weather handed in after the run: a new forecast, or the years before."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from trafficmap.core.errors import InputError
from trafficmap.core.notes import Note
from trafficmap.field.columns import table_columns
from trafficmap.field.forecast import settle_forecast
from trafficmap.field.model import Field
from trafficmap.field.past import settle_past
from trafficmap.field.toml import read_field_toml


def with_forecast(field: Field, path: Path) -> tuple[Field, list[Note]]:
    """Return the field with the forecast of a file in place of its own.

    Parameters
    ----------
    field : Field
    path : Path
        Days or hours to come, as ``[weather] forecast`` of field.toml.

    Returns
    -------
    Field
    list of Note

    Raises
    ------
    InputError
        There is no such file, or it cannot be used; the sentence says why.
    """
    forecast, notes = settle_forecast(
        table_columns(_there(path)),
        time_zone=field.time_zone,
        weather=field.weather,
        date_format=_date_format(field),
    )
    if forecast is None:
        raise _refused(notes, path)
    return replace(field, forecast=forecast), notes


def with_past(field: Field, path: Path) -> tuple[Field, list[Note]]:
    """Return the field with the past years of a file in place of its own.

    Parameters and errors are those of `with_forecast`; the file is one as
    ``[weather] past`` of field.toml.
    """
    past, notes = settle_past(
        table_columns(_there(path)),
        season=field.season,
        date_format=_date_format(field),
    )
    if past is None:
        raise _refused(notes, path)
    return replace(field, past=past), notes


def _there(path: Path) -> Path:
    """Return the path of a file that is there."""
    if not Path(path).is_file():
        msg = (
            f"{Path(path).name}: is not there, need a table of daily or hourly weather."
        )
        raise InputError(msg, "correct the name")
    return Path(path)


def _refused(notes: list[Note], path: Path) -> InputError:
    """Return the reason a table cannot be used as an error."""
    told = next((n.sentence for n in notes if n.severity != "info"), "")
    return InputError(told or f"{path.name}: cannot be used.", "hand in another file")


def _date_format(field: Field) -> str | None:
    """Return the order of month and day the field's own weather has."""
    weather = read_field_toml(field.folder).weather
    return None if weather is None else weather.date_format
