"""One folder with field.toml to one Field, ready for the line."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from trafficmap.core.errors import SettingsError
from trafficmap.core.notes import Note, worst_first
from trafficmap.core.progress import Progress, silent
from trafficmap.field.access import read_access
from trafficmap.field.around import read_dug, read_obstacles
from trafficmap.field.boundary import Outline, read_boundary
from trafficmap.field.clock import require_zone
from trafficmap.field.columns import table_columns
from trafficmap.field.described import (
    ANTENNA_REACH,
    antenna_height,
    described_notes,
)
from trafficmap.field.earlier import read_earlier, read_tillage
from trafficmap.field.extras import (
    settle_crop,
    settle_liquid,
    settle_prices,
    settle_tile,
    settle_tools,
)
from trafficmap.field.forecast import settle_forecast
from trafficmap.field.heights import read_rise
from trafficmap.field.hull import worked_hull
from trafficmap.field.inputs import Inputs
from trafficmap.field.logs import NamedLog, join_logs, open_logs
from trafficmap.field.missing import missing_facts
from trafficmap.field.model import Field
from trafficmap.field.past import settle_past
from trafficmap.field.place import Place, utm_epsg
from trafficmap.field.receiver import with_correction
from trafficmap.field.slopes import read_slopes, slope_of_field
from trafficmap.field.soil_map import read_soil
from trafficmap.field.strict import FILE
from trafficmap.field.tickets import read_tickets
from trafficmap.field.toml import FieldToml, read_field_toml
from trafficmap.field.weather import settle_weather
from trafficmap.machines.read import read_machine

_TRAILED = ("grain_cart", "tanker", "forage_trailer")


def read_field(
    folder: Path, *, progress: Progress = silent, today: dt.date | None = None
) -> tuple[Field, list[Note]]:
    """Read and check everything handed in for one field; compute nothing.

    Parameters
    ----------
    folder : Path
        Holds field.toml.
    progress : callable
        Told how far reading is, from 0 to 1.
    today : date, optional
        Used where no season is given; the clock of the computer when left out.

    Returns
    -------
    field : Field
    notes : list of Note
        What was assumed, mended or is missing, worst first; also in ``field.notes``.

    Raises
    ------
    InputError
        A file is missing or cannot be what it is said to be.
    SettingsError
        A key of field.toml is wrong; the sentence holds its path.
    """
    folder = Path(folder)
    keys = read_field_toml(folder)
    inputs = Inputs(folder)
    inputs.add(folder / FILE)
    require_zone(keys.field.time_zone, "field.time_zone")
    today = today or dt.datetime.now(dt.UTC).date()
    logs, notes = open_logs(
        keys, inputs, progress=lambda share, what: progress(0.7 * share, what)
    )
    machines, more = _machines(keys, logs, inputs)
    notes += more
    progress(0.75, "putting the fixes on the map")
    ground, more = _ground(keys, logs, inputs, today)
    notes += more
    season, more = _season(keys, ground.fixes, today)
    notes += more
    progress(0.85, "reading soil and weather")
    soil, more = read_soil(keys.soil, outline=ground.outline, inputs=inputs)
    notes += more
    weather, more = _weather(keys, ground.fixes, inputs, season)
    notes += more
    forecast, more = _forecast(keys, weather, inputs)
    notes += more
    past, more = _past(keys, inputs, season)
    notes += more
    liquid, more = settle_liquid(
        keys.liquid, fixes=ground.fixes, machines=set(keys.machine)
    )
    notes += more
    tickets, more = read_tickets(keys.ticket, crop=keys.crop, inputs=inputs)
    notes += more
    obstacles, more = read_obstacles(
        keys.keep_out, place=ground.place, outline=ground.outline, inputs=inputs
    )
    notes += more
    access, more = read_access(
        keys.access, place=ground.place, outline=ground.outline, inputs=inputs
    )
    notes += more
    mapped, more = read_slopes(
        keys.field, place=ground.place, outline=ground.outline, inputs=inputs
    )
    notes += more
    rise, more = read_rise(
        keys.slope,
        epsg=ground.place.epsg,
        ground=ground.outline.geometry if ground.outline else None,
        inputs=inputs,
    )
    notes += more
    slopes = rise if mapped is None else mapped
    dug, more = read_dug(keys.dug, place=ground.place, inputs=inputs)
    notes += more
    tillage, more = read_tillage(keys.tillage, place=ground.place, inputs=inputs)
    notes += more
    earlier, more = read_earlier(keys.earlier, season=season, inputs=inputs)
    notes = worst_first([*notes, *more, *missing_facts(keys)])
    given = keys.field
    field = Field(
        name=given.name,
        season=season,
        folder=folder,
        invented=given.invented,
        epsg=ground.place.epsg,
        boundary=ground.outline.geometry if ground.outline else None,
        area=ground.outline.area if ground.outline else 0.0,
        time_zone=given.time_zone,
        units=given.units or "metric",
        logs=ground.sources,
        fixes=ground.fixes,
        machines=machines,
        soil=soil,
        weather=weather,
        forecast=forecast,
        past=past,
        station_distance=_station_distance(keys),
        crop=settle_crop(keys.crop),
        liquid=liquid,
        tickets=tickets,
        obstacles=obstacles,
        tile=settle_tile(keys.tile),
        tools=settle_tools(keys.tool),
        prices=settle_prices(keys.price),
        dug=dug,
        rows_heading=given.rows_heading_deg,
        end_row_width=given.end_row_width_m,
        slope=slope_of_field(given, slopes, ground.outline, ground.place.epsg),
        slopes=slopes,
        ground=rise,
        erodible=given.erodible,
        frost=None if given.frost_cm is None else given.frost_cm / 100.0,
        elevation=given.elevation_m,
        utilities=given.utilities,
        inputs=inputs.listed(),
        notes=tuple(notes),
        latitude=_latitude(ground),
        boundary_given=given.boundary is not None,
        tillage=tillage,
        earlier=earlier,
        access=access,
    )
    progress(1.0, "read")
    return field, notes


@dataclass(frozen=True)
class _Ground:
    """Where the field is and what drove on it."""

    place: Place
    outline: Outline | None
    fixes: pd.DataFrame
    sources: tuple


def _ground(
    keys: FieldToml, logs: list[NamedLog], inputs: Inputs, today: dt.date
) -> tuple[_Ground, list[Note]]:
    """Return boundary and fixes on one metric system.

    A boundary settles the system; without one the logs do, and the ground they worked
    becomes the boundary.
    """
    given = keys.field
    if given.boundary is not None:
        path = inputs.find(given.boundary, "field.boundary")
        inputs.add(path)
        outline, notes = read_boundary(
            path, part=given.boundary_part, layer=given.boundary_layer
        )
        fixes, sources, more = join_logs(
            logs, keys=keys, outline=outline, place=outline.place, today=today
        )
        notes += more
        return _Ground(outline.place, outline, fixes, sources), notes
    if not logs:
        msg = f"{FILE}: names neither a boundary nor a log, need one to know the place."
        raise SettingsError(msg, 'add boundary = "boundary.geojson" to [field]')
    place = _place_of_logs(logs)
    fixes, sources, notes = join_logs(
        logs, keys=keys, outline=None, place=place, today=today
    )
    hull, more = worked_hull(fixes, place=place)
    notes += more
    worked = None if hull is None else Outline(place, hull, place.area(hull))
    return _Ground(place, worked, fixes, sources), notes


def _place_of_logs(logs: list[NamedLog]) -> Place:
    """Return the UTM zone of the middle fix; one far-off fix is outvoted."""
    longitude = np.concatenate([log.raw.table["longitude"].to_numpy() for log in logs])
    latitude = np.concatenate([log.raw.table["latitude"].to_numpy() for log in logs])
    good = (np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 360.0)
    good &= (longitude != 0.0) | (latitude != 0.0)
    if not good.any():
        return Place(utm_epsg(longitude, latitude))
    if np.ptp(longitude[good]) > 180.0:
        longitude = np.where(longitude < 0, longitude + 360.0, longitude)
    return Place(utm_epsg(np.median(longitude[good]), np.median(latitude[good])))


def _machines(
    keys: FieldToml, logs: list[NamedLog], inputs: Inputs
) -> tuple[dict, list[Note]]:
    """Return every machine of field.toml, built by the machines room."""
    machines, notes = {}, []
    for name, table in keys.machine.items():
        for file in _machine_files(table):
            inputs.add(inputs.find(file, f"machine.{name}.file"))
        table, more = _with_antenna(table, name, logs)
        notes += more
        if not str(table.get("class", "")).startswith(_TRAILED):
            table, more = with_correction(table, name=name, logs=logs)
            notes += more
        machines[name], more = read_machine(table, name=name, folder=inputs.folder)
        notes += more
        notes += described_notes(machines[name], name=name, logs=logs)
    return machines, notes


def _with_antenna(
    table: dict, name: str, logs: list[NamedLog]
) -> tuple[dict, list[Note]]:
    """Return the machine table with the antenna's place as its own logs describe it.

    What a person wrote counts before what the machine says, and a trailed class has
    its antenna on the tractor in front.
    """
    said = {
        log.raw.antenna
        for log in logs
        if log.keys.machine == name and log.raw.antenna is not None
    }
    own = "antenna" in table or "file" in table
    trailed = str(table.get("class", "")).startswith(_TRAILED)
    if own or trailed or len(said) != 1:
        return table, []
    forward, right, up = said.pop()
    if not (abs(forward) <= ANTENNA_REACH[0] and abs(right) <= ANTENNA_REACH[1]):
        return table, []
    sentence = (
        f"{name}: its log says that the antenna sits {forward:.2f} m ahead and "
        f"{right:.2f} m right of its reference axle; taken from there. If its places "
        "are already those of the axle, write antenna = { x = 0, y = 0 }."
    )
    note = Note("machine.antenna", "info", sentence, 1, name)
    place = {"x": forward, "y": right} | antenna_height(up, name=name, logs=logs)
    return {**table, "antenna": place}, [note]


def _machine_files(table: dict) -> list[str]:
    """Return the files a machine table names, its trailers' too."""
    found = [table["file"]] if isinstance(table.get("file"), str) else []
    for trailer in table.get("trails", []):
        if isinstance(trailer, dict) and isinstance(trailer.get("file"), str):
            found.append(trailer["file"])
    return found


def _season(
    keys: FieldToml, fixes: pd.DataFrame, today: dt.date
) -> tuple[int, list[Note]]:
    """Return the season given, else the year most fixes are from."""
    if keys.field.season is not None:
        return keys.field.season, []
    dated = fixes["time"].dropna()
    year = int(dated.dt.year.mode().iloc[0]) if len(dated) else today.year
    why = "of the logs" if len(dated) else "of today"
    sentence = f"No season is given; {year}, the year {why}, is assumed."
    return year, [Note("season.assumed", "info", sentence)]


def _weather(
    keys: FieldToml, fixes: pd.DataFrame, inputs: Inputs, season: int
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the weather around the passes, or None with what that costs."""
    if keys.weather is None:
        return None, []
    path = inputs.find(keys.weather.file, "weather.file")
    inputs.add(path)
    columns = table_columns(path, told=keys.weather.columns, units=keys.weather.units)
    days = fixes["time"].dropna()
    first = last = None
    if len(days):
        local = days.dt.tz_convert(keys.field.time_zone or "UTC")
        first, last = local.min().date(), local.max().date()
    return settle_weather(
        columns,
        first_pass=first,
        last_pass=last,
        season=season,
        date_format=keys.weather.date_format,
    )


def _station_distance(keys: FieldToml) -> float | None:
    """Return the way from the rain gauge to the field [m], None where not said."""
    if keys.weather is None or keys.weather.station_km is None:
        return None
    return 1e3 * keys.weather.station_km


def _forecast(
    keys: FieldToml, weather: pd.DataFrame | None, inputs: Inputs
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the coming days or hours, None where there is no forecast."""
    if keys.weather is None or keys.weather.forecast is None:
        return None, []
    path = inputs.find(keys.weather.forecast, "weather.forecast")
    inputs.add(path)
    return settle_forecast(
        table_columns(path),
        time_zone=keys.field.time_zone,
        weather=weather,
        date_format=keys.weather.date_format,
    )


def _past(
    keys: FieldToml, inputs: Inputs, season: int
) -> tuple[pd.DataFrame | None, list[Note]]:
    """Return the weather of past years, None where no table is named."""
    if keys.weather is None or keys.weather.past is None:
        return None, []
    path = inputs.find(keys.weather.past, "weather.past")
    inputs.add(path)
    told, units = keys.weather.columns, keys.weather.units
    return settle_past(
        table_columns(path, told=told, units=units),
        season=season,
        date_format=keys.weather.date_format,
    )


def _latitude(ground: _Ground) -> float:
    """Return the latitude of the middle of the field [deg]."""
    if ground.outline is not None:
        middle = shapely.centroid(ground.outline.geometry)
        east, north = middle.x, middle.y
    elif len(ground.fixes):
        east = float(ground.fixes["easting"].median())
        north = float(ground.fixes["northing"].median())
    else:
        return float("nan")
    return float(ground.place.to_degrees(east, north)[1])
