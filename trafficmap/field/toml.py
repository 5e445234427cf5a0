"""Every key of field.toml: its type, unit and range; and the reader of the file.

docs/reference/field_toml.md says what each key means and what is lost without it.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from trafficmap.core.errors import InputError, SettingsError
from trafficmap.field.strict import FILE, to_struct

SCHEMA = 1
MAX_BYTES = 2**20

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Percent = Annotated[float, Meta(ge=0, le=100)]
Text = Annotated[str, Meta(min_length=1)]

DateOrder = Literal["mdy", "dmy", "ymd"]
Texture = Literal[
    "sand",
    "loamy sand",
    "sandy loam",
    "loam",
    "silt loam",
    "silt",
    "sandy clay loam",
    "clay loam",
    "silty clay loam",
    "sandy clay",
    "silty clay",
    "clay",
]


class _Keys(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Base of all tables."""


class FieldKeys(_Keys, frozen=True, kw_only=True):
    """Table [field]."""

    name: Annotated[str, Meta(min_length=1, description="the name of the field")]
    season: Annotated[int, Meta(ge=1990, le=2200)] | None = None
    invented: bool = False
    time_zone: Text | None = None
    units: Literal["us", "metric"] | None = None
    boundary: Text | None = None
    boundary_part: Text | None = None
    boundary_layer: Text | None = None
    rows_heading_deg: Annotated[float, Meta(ge=0, le=360)] | None = None
    end_row_width_m: NotNegative | None = None
    slope_pct: Percent | None = None
    slope_map: Text | None = None
    slope_map_unit: Literal["percent", "degrees"] | None = None
    elevation_m: Annotated[float, Meta(ge=-500, le=6000)] | None = None
    frost_cm: NotNegative | None = None
    erodible: bool | None = None
    utilities: Literal["located", "not located", "unsaid"] = "unsaid"


class CropKeys(_Keys, frozen=True, kw_only=True):
    """Table [crop]."""

    now: str = ""
    next: str = ""
    harvested: dt.date | None = None
    cover_sown: dt.date | None = None
    no_till: bool = False
    spring_pass: bool | None = None
    fall_pass: str = ""
    last_ripped: Annotated[int, Meta(ge=1900, le=2200)] | None = None
    last_tillage_depth_cm: NotNegative | None = None
    yield_t_ha: Positive | None = None
    yield_bu_ac: Positive | None = None
    harvested_yield_t_ha: Positive | None = None
    harvested_yield_bu_ac: Positive | None = None
    forage_yield_t_ha: Positive | None = None
    tickets_t: Positive | None = None
    tickets_bu: Positive | None = None
    price_per_t: NotNegative | None = None
    price_per_bu: NotNegative | None = None
    loss_reachable_pct: Percent | None = None
    residue_counted_pct: Percent | None = None
    soybean_allowed: bool = False
    lanes_kept: bool = False


class LogKeys(_Keys, frozen=True, kw_only=True):
    """Table [[log]]."""

    file: Annotated[str, Meta(min_length=1, description="the file or folder")]
    machine: Annotated[
        str, Meta(min_length=1, description="the name of a [machine.NAME] table")
    ]
    part: Text | None = None
    layer: Text | None = None
    time_zone: Text | None = None
    clock_offset_s: float = 0.0
    epoch: Any = None
    date_format: DateOrder | None = None
    decimal: Literal[".", ","] | None = None
    epsg: Annotated[int, Meta(gt=0)] | None = None
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    position_lag_s: Annotated[float, Meta(ge=-5, le=5)] | None = None
    correction: Literal["rtk", "ppp", "submetre", "sbas", "phone"] | None = None
    frame_shift_m: (
        tuple[
            Annotated[float, Meta(ge=-10, le=10)], Annotated[float, Meta(ge=-10, le=10)]
        ]
        | None
    ) = None
    infer_turns: bool | None = None


class SoilKeys(_Keys, frozen=True, kw_only=True):
    """Table [soil]."""

    texture: Texture | None = None
    sand_pct: Percent | None = None
    clay_pct: Percent | None = None
    organic_matter_pct: Percent | None = None
    map: Text | None = None
    map_layer: Text | None = None
    map_key: Text | None = None
    horizons: Text | None = None
    components: Text | None = None
    mapunits: Text | None = None
    drained: bool | None = None
    swelling: bool | None = None
    plastic_limit_pct: Annotated[float, Meta(gt=0, le=100)] | None = None
    hydrologic_group: Literal["A", "B", "C", "D", "A/D", "B/D", "C/D"] | None = None


class SlopeKeys(_Keys, frozen=True, kw_only=True):
    """Table [slope]."""

    file: Annotated[str, Meta(min_length=1, description="the GeoTIFF of heights")]
    unit: Literal["m", "ft"] | None = None
    epsg: Annotated[int, Meta(gt=0)] | None = None


class TileKeys(_Keys, frozen=True, kw_only=True):
    """Table [tile]."""

    state: Literal["none", "known", "position_only", "exists", "unsaid"] = "unsaid"
    cover_m: Positive | None = None


class WeatherKeys(_Keys, frozen=True, kw_only=True):
    """Table [weather]."""

    file: Annotated[str, Meta(min_length=1, description="the table of daily weather")]
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    date_format: DateOrder | None = None
    forecast: Text | None = None
    past: Annotated[
        str | None,
        Meta(description="table of daily weather of past years, for odds of fit days"),
    ] = None
    station_km: (
        Annotated[
            float,
            Meta(ge=0, le=200, description="from the gauge to the field, 0 in it"),
        ]
        | None
    ) = None


class LiquidKeys(_Keys, frozen=True, kw_only=True):
    """Table [[liquid]]."""

    machine: Annotated[
        str, Meta(min_length=1, description="the name of a [machine.NAME] table")
    ]
    rate_m3_ha: Annotated[float, Meta(gt=0, description="liquid put down")]
    dry_matter_pct: Percent | None = None
    injected_depth_m: Annotated[float, Meta(ge=0, le=0.6)] | None = None
    width_m: Positive | None = None


class TicketKeys(_Keys, frozen=True, kw_only=True):
    """Table [[ticket]]: one load, or a file with one load a row."""

    file: Text | None = None
    mass_t: Positive | None = None
    day: dt.date | None = None
    name: str = ""
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    date_format: DateOrder | None = None


class KeepOutKeys(_Keys, frozen=True, kw_only=True):
    """Table [[keep_out]]."""

    kind: Literal[
        "buried line",
        "tile",
        "waterway",
        "slope",
        "organic soil",
        "wet spot",
        "lane",
        "crossing",
        "other",
    ]
    file: Annotated[str, Meta(min_length=1, description="the file with the shapes")]
    layer: Text | None = None
    name: str = ""
    buffer_m: NotNegative | None = None
    located: bool | None = None
    cover_m: Positive | None = None


class AccessKeys(_Keys, frozen=True, kw_only=True):
    """Table [[access]]."""

    file: Text | None = None
    layer: Text | None = None
    points: (
        Annotated[
            tuple[
                tuple[
                    Annotated[float, Meta(ge=-180, le=180)],
                    Annotated[float, Meta(ge=-90, le=90)],
                ],
                ...,
            ],
            Meta(min_length=2, max_length=1000),
        ]
        | None
    ) = None
    width_m: Annotated[float, Meta(gt=0, le=100)] | None = None
    name: str = ""


class ToolKeys(_Keys, frozen=True, kw_only=True):
    """Table [[tool]]."""

    name: Annotated[str, Meta(min_length=1, description="what the tool is called")]
    kind: Text = "subsoiler"
    width_m: Annotated[float, Meta(gt=0, description="the working width")]
    shanks: Annotated[int, Meta(ge=1, description="the number of shanks")]
    depth_min_m: NotNegative
    depth_max_m: Positive
    foot_width_m: Positive | None = None
    winged: bool = False
    leading_tines: bool = False
    power_kw: Positive | None = None
    drive: Literal["2wd", "front_assist", "4wd", "tracks", ""] = ""
    length_m: Positive | None = None
    owned: bool = False
    speed_km_h: Positive | None = None
    price: Positive | None = None
    salvage_pct: Percent | None = None
    keep_years: Annotated[float, Meta(gt=0, le=60)] | None = None
    hours_a_year: Annotated[float, Meta(gt=0, le=8760)] | None = None
    tractor_mass_t: Annotated[float, Meta(gt=0, le=60)] | None = None


class TillageKeys(_Keys, frozen=True, kw_only=True):
    """Table [[tillage]]."""

    date: Annotated[dt.date, Meta(description="the day it was done")]
    depth_cm: Annotated[float, Meta(gt=0, le=120, description="how deep the tool ran")]
    tool: str = ""
    file: Text | None = None
    layer: Text | None = None


class EarlierKeys(_Keys, frozen=True, kw_only=True):
    """Table [earlier]."""

    run: Annotated[str, Meta(min_length=1, description="the folder of an earlier run")]


class PriceKeys(_Keys, frozen=True, kw_only=True):
    """Table [price]."""

    currency: Text = ""
    ripping_per_ha: NotNegative | None = None
    levelling_per_ha: NotNegative | None = None
    fall_pass_per_ha: NotNegative | None = None
    diesel_per_l: NotNegative | None = None
    driver_per_h: NotNegative | None = None
    tractor_per_h: NotNegative | None = None
    interest_pct: Annotated[float, Meta(ge=0, le=50)] | None = None


class DugKeys(_Keys, frozen=True, kw_only=True):
    """Table [dug]."""

    file: Annotated[
        Annotated[str, Meta(min_length=1)] | tuple[str, ...],
        Meta(description="the table of readings, or a list of them"),
    ]
    epsg: Annotated[int, Meta(gt=0)] | None = None
    date_format: DateOrder | None = None
    cone_mm: Annotated[float, Meta(ge=10, le=26)] | None = None
    unit_checked: bool = False

    @property
    def cone(self) -> float | None:
        """Diameter of the cone [m]."""
        return None if self.cone_mm is None else self.cone_mm / 1000.0


class FieldToml(_Keys, frozen=True, kw_only=True):
    """The whole file; a machine's own keys are read by `machines.read_machine`."""

    schema: int = SCHEMA
    field: Annotated[FieldKeys, Meta(description="a table [field] with a name")]
    crop: CropKeys = CropKeys()
    log: tuple[LogKeys, ...] = ()
    machine: dict[str, dict[str, Any]] = {}
    soil: SoilKeys | None = None
    slope: SlopeKeys | None = None
    tile: TileKeys = TileKeys()
    weather: WeatherKeys | None = None
    liquid: tuple[LiquidKeys, ...] = ()
    ticket: tuple[TicketKeys, ...] = ()
    keep_out: tuple[KeepOutKeys, ...] = ()
    access: tuple[AccessKeys, ...] = ()
    tool: tuple[ToolKeys, ...] = ()
    tillage: tuple[TillageKeys, ...] = ()
    earlier: EarlierKeys | None = None
    price: PriceKeys = PriceKeys()
    dug: DugKeys | None = None


TABLES: dict[str, type[_Keys]] = {
    "field": FieldKeys,
    "crop": CropKeys,
    "log": LogKeys,
    "soil": SoilKeys,
    "slope": SlopeKeys,
    "tile": TileKeys,
    "weather": WeatherKeys,
    "liquid": LiquidKeys,
    "ticket": TicketKeys,
    "keep_out": KeepOutKeys,
    "access": AccessKeys,
    "tool": ToolKeys,
    "tillage": TillageKeys,
    "earlier": EarlierKeys,
    "price": PriceKeys,
    "dug": DugKeys,
}


_NAMED = 3
"""So many folders are named in a sentence; choice."""


def read_field_toml(folder: Path) -> FieldToml:
    """Return the keys of ``folder/field.toml``, checked one by one.

    Raises
    ------
    InputError
        There is no such file, or it is no text.
    SettingsError
        A key is unknown, missing, of the wrong type or out of range; the sentence
        holds its path, as ``crop.yield_t_ha``. Lists are counted from 1.
    """
    path = Path(folder) / FILE
    if not path.is_file():
        msg = f"{folder}: holds no {FILE}, need one to know the field."
        raise InputError(msg, _where_else(Path(folder)))
    content = path.read_bytes()
    if len(content) > MAX_BYTES:
        msg = f"{FILE}: has {len(content):,} bytes, need {MAX_BYTES:,} at most."
        raise InputError(msg, "put tables into files of their own and name them")
    return parse_field_toml(content)


def parse_field_toml(content: bytes) -> FieldToml:
    """Return the keys in the bytes of a field.toml; see `read_field_toml`."""
    try:
        table = tomllib.loads(content.decode("utf-8-sig").replace("\r\n", "\n"))
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        msg = f"{FILE}: line {line} holds a letter that is not UTF-8."
        raise SettingsError(msg, "save the file as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        msg = f"{FILE}: cannot be read, {error}."
        raise SettingsError(
            msg, 'mend that line; text and dates look like name = "corn", 2026-10-20'
        ) from None
    version = table.get("schema", SCHEMA)
    if version != SCHEMA or isinstance(version, bool):
        msg = f"{FILE}: schema is {version}, need {SCHEMA}."
        raise SettingsError(msg, f"write schema = {SCHEMA}, or use the newer program")
    keys = to_struct(table, FieldToml)
    _check_together(keys)
    return keys


_SAME = (
    ("yield_t_ha", "yield_bu_ac"),
    ("harvested_yield_t_ha", "harvested_yield_bu_ac"),
    ("tickets_t", "tickets_bu"),
    ("price_per_t", "price_per_bu"),
)
"""Keys of [crop] that say the same in tonnes and in bushels."""


def _check_together(keys: FieldToml) -> None:
    """Refuse keys that contradict each other."""
    for number, tool in enumerate(keys.tool, start=1):
        if tool.depth_min_m > tool.depth_max_m:
            msg = (
                f"{FILE}: tool[{number}] goes from {tool.depth_min_m:g} m to "
                f"{tool.depth_max_m:g} m, need the smaller depth first."
            )
            raise SettingsError(msg, "swap depth_min_m and depth_max_m")
    for one, two in _SAME:
        if getattr(keys.crop, one) is not None and getattr(keys.crop, two) is not None:
            msg = f"{FILE}: crop.{one} and crop.{two} are both given."
            raise SettingsError(msg, "keep one of them")
    for number, ticket in enumerate(keys.ticket, start=1):
        if (ticket.file is None) == (ticket.mass_t is None):
            given = "both" if ticket.file else "neither"
            msg = f"{FILE}: ticket[{number}] has {given} of file and mass_t, need one."
            raise SettingsError(msg, "give the net mass of one load, or name a table")
    if keys.ticket and (keys.crop.tickets_t or keys.crop.tickets_bu):
        msg = f"{FILE}: crop.tickets_t and [[ticket]] are both given."
        raise SettingsError(msg, "give the sum of all tickets, or the tickets")
    if keys.tile.state == "known" and keys.tile.cover_m is None:
        msg = f'{FILE}: tile.state is "known" but tile.cover_m is missing.'
        raise SettingsError(
            msg, 'add cover_m = ... (soil above the tile), or say "position_only"'
        )
    for number, strip in enumerate(keys.access, start=1):
        if (strip.file is None) == (strip.points is None):
            given = "both" if strip.file else "neither"
            msg = f"{FILE}: access[{number}] has {given} of file and points, need one."
            raise SettingsError(
                msg, "name a file, or write points = [[longitude, latitude], ...]"
            )
        if strip.points is not None and strip.width_m is None:
            msg = f"{FILE}: access[{number}].width_m is missing, need it with points."
            raise SettingsError(msg, "say how wide the strip is: width_m = 6.0")
    for number, log in enumerate(keys.log, start=1):
        _check_epoch(log.epoch, f"log[{number}].epoch")
    soil = keys.soil
    if soil is not None and (soil.sand_pct is None) != (soil.clay_pct is None):
        msg = f"{FILE}: soil.sand_pct and soil.clay_pct must come together."
        raise SettingsError(msg, "give both, or texture alone")
    if soil is not None and soil.horizons is None:
        for key in ("components", "mapunits"):
            if getattr(soil, key) is not None:
                msg = f"{FILE}: soil.{key} is given without soil.horizons."
                raise SettingsError(msg, "add the table of horizons they belong to")


def _check_epoch(epoch: object, where: str) -> None:
    """Refuse what cannot be the start of a count; the reader turns it into a moment."""
    words = ("unix", "gps", "as logged")
    if epoch is None or isinstance(epoch, dt.date) or epoch in words:
        return
    if isinstance(epoch, str):
        try:
            dt.datetime.fromisoformat(epoch)
        except ValueError:
            pass
        else:
            return
    msg = f'{FILE}: {where} is {epoch!r}, need a day, a moment, "unix" or "gps".'
    raise SettingsError(msg, "write epoch = 2026-01-01, the day the count starts")


def _where_else(folder: Path) -> str:
    """Return what to do where a folder holds no field.toml."""
    fields = sorted(path.parent for path in folder.glob(f"*/{FILE}"))
    if not fields:
        return f"make one with: trafficmap new {folder} LOG..."
    if len(fields) == 1:
        return f"the field is in {fields[0]}; give that folder"
    named = ", ".join(str(field) for field in fields[:_NAMED])
    more = f" and {len(fields) - _NAMED} more" if len(fields) > _NAMED else ""
    return f"it holds {len(fields)} fields; give one of them: {named}{more}"
