"""Column headings: the name, the unit written beside it, and what it means to us."""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass

from trafficmap.core.units import known_units, quantity

# As people and monitors write units, lower case, to the names in core.units.
_SPELLINGS: dict[str, str] = {
    "m": "m", "meter": "m", "meters": "m", "metre": "m", "metres": "m",
    "mm": "mm", "cm": "cm", "km": "km",
    "in": "in", "inch": "in", "inches": "in", "ft": "ft", "feet": "ft", "foot": "ft",
    "mi": "mi", "mile": "mi", "miles": "mi",
    "m2": "m2", "ha": "ha", "ac": "ac", "acre": "ac", "acres": "ac",
    "l": "L", "liter": "L", "liters": "L", "litre": "L", "litres": "L",
    "m3": "m3", "gal": "gal", "gallon": "gal", "gallons": "gal", "ft3": "ft3",
    "kg": "kg", "g": "g", "t": "t", "tonne": "t", "tonnes": "t",
    "lb": "lb", "lbs": "lb", "pound": "lb", "pounds": "lb", "short_ton": "short_ton",
    "m/s": "m/s", "mps": "m/s", "m_s": "m/s", "m/sec": "m/s",
    "km/h": "km/h", "kmh": "km/h", "kph": "km/h", "km_h": "km/h", "kmph": "km/h",
    "mph": "mph", "mi/h": "mph", "kn": "kn", "kt": "kn", "knots": "kn",
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "ms": "ms",
    "min": "min", "minutes": "min", "h": "h", "hr": "h", "hours": "h",
    "pa": "Pa", "kpa": "kPa", "mpa": "MPa", "bar": "bar", "psi": "psi",
    "kg/s": "kg/s", "kg_s": "kg/s", "kg/sec": "kg/s",
    "lb/s": "lb/s", "lb_s": "lb/s", "lbs/s": "lb/s", "lb/sec": "lb/s",
    "t/h": "t/h", "t_h": "t/h", "tph": "t/h", "t/hr": "t/h",
    "l/ha": "L/ha", "l_ha": "L/ha", "m3/ha": "m3/ha", "m3_ha": "m3/ha",
    "gal/ac": "gal/ac", "gal_ac": "gal/ac", "gpa": "gal/ac",
    "kg/m2": "kg/m2", "kg_m2": "kg/m2", "t/ha": "t/ha", "t_ha": "t/ha",
    "mg/ha": "t/ha", "lb/ac": "lb/ac", "lb_ac": "lb/ac",
    "%": "%", "pct": "%", "percent": "%", "fraction": "fraction", "ppm": "ppm",
    "deg": "deg", "degree": "deg", "degrees": "deg", "°": "deg",
    "degc": "degC", "deg_c": "degC", "°c": "degC", "c": "degC", "celsius": "degC",
    "degf": "degF", "deg_f": "degF", "°f": "degF", "f": "degF", "fahrenheit": "degF",
    "lbf": "lbf", "kw": "kW",
    "hp": "hp",
    "g/cm3": "g/cm3", "g_cm3": "g/cm3", "kg/m3": "kg/m3", "kg_m3": "kg/m3",
    "mj/m2": "MJ/m2", "mj_m2": "MJ/m2", "j/m2": "J/m2", "j_m2": "J/m2",
    "um/s": "um/s", "um_s": "um/s", "mm/h": "mm/h", "mm_h": "mm/h", "cm/h": "cm/h",
    "cm_h": "cm/h",
}  # fmt: skip
# After a blank these are words more often than units: "logged in", "class c".
_WORDS = {"in", "c", "f", "g", "h", "k", "l", "m", "n", "s", "t", "w", "min", "ha"}
# Compass points, high and least: units only inside brackets.
_ONLY_IN_BRACKETS = {"h", "k", "min", "n", "w"}
_BRACKETS = re.compile(r"^(.*?)\s*[(\[{]\s*([^)\]}]*?)\s*[)\]}]\s*$")


@dataclass(frozen=True)
class Heading:
    """A column heading taken apart.

    ``name`` is lower case with underscores, without the unit; ``whole`` the same with
    the unit left in; ``unit`` a name from `core.units`, or "" where none was written.
    """

    text: str
    name: str
    whole: str
    unit: str


def read_heading(text: str) -> Heading:
    """Take a heading apart.

    Parameters
    ----------
    text : str
        As "Speed (mph)", "flow_lb_s", "gps_time" or "hzdept.r".

    Returns
    -------
    Heading

    Examples
    --------
    >>> read_heading("Speed (mph)").name, read_heading("Speed (mph)").unit
    ('speed', 'mph')
    >>> read_heading("flow_lb_s").unit, read_heading("gps_time").unit
    ('lb/s', '')
    """
    whole = plain_name(text)
    if match := _BRACKETS.match(text.strip()):
        unit = unit_named(match.group(2))
        name = plain_name(match.group(1))
        return Heading(text, name or whole, whole, unit)
    words = re.split(r"[_\s]+", text.strip())
    for count in (2, 1):
        if len(words) <= count:
            continue
        tail, spaced = "_".join(words[-count:]), " " in text.strip()
        if tail.lower() in _ONLY_IN_BRACKETS or (spaced and tail.lower() in _WORDS):
            continue
        unit = unit_named(tail)
        if unit:
            return Heading(text, plain_name(" ".join(words[:-count])), whole, unit)
    return Heading(text, whole, whole, "")


def unit_named(text: str) -> str:
    """Return the name in `core.units` of a unit as people write it, else ""."""
    bare = text.strip()
    if bare in known_units():
        return bare
    bare = bare.lower().replace(" ", "").replace("²", "2").replace("³", "3")
    return _SPELLINGS.get(bare.strip("()[]{}."), "")


def plain_name(text: str) -> str:
    """Return a heading in lower case ASCII with single underscores."""
    flat = unicodedata.normalize("NFKD", text)
    flat = "".join(c for c in flat if not unicodedata.combining(c)).lower()
    return re.sub(r"[^a-z0-9]+", "_", flat).strip("_")


@dataclass(frozen=True)
class LogField:
    """One thing a log can tell: its words, its quantity, and the range it lies in.

    ``low`` and ``high`` are SI; a value outside is not believed.
    """

    name: str
    quantity: str
    low: float
    high: float
    words: tuple[str, ...]


def _fields(*rows: tuple) -> dict[str, LogField]:
    return {
        row[0]: LogField(row[0], row[1], row[2], row[3], tuple(row[4].split()))
        for row in rows
    }


_INF = float("inf")
LOG_FIELDS: dict[str, LogField] = _fields(
    # name, quantity, low, high, words; ranges are choices far beyond any machine
    ("latitude", "angle", -90, 90,
     "lat latitude latitud gpslat gpslatitude y breite breitengrad breedtegraad"),
    ("longitude", "angle", -180, 180,
     "lon long lng longitude gpslon gpslong gpslongitude x laenge lange laengengrad "
     "langengrad lengtegraad"),
    ("easting", "length", -_INF, _INF, "easting eastings east xcoord utmx utme"),
    ("northing", "length", -_INF, _INF, "northing northings north ycoord utmy utmn"),
    ("time", "time", -_INF, _INF,
     "time timestamp datetime dateandtime gpstime utc utctime isotime unix unixtime "
     "epoch gpsseconds localtime timeutc zeit clock elapsed elapsedtime"),
    ("date", "time", -_INF, _INF, "date day gpsdate utcdate datum"),
    ("gps_week", "time", 0, 9999, "gpsweek week wn gpswn weekno weeknumber"),
    ("gps_seconds", "time", 0, 7e8,
     "tow gpstow itow gpsitow sow gpssow secondsofweek weekseconds timeofweek "
     "gpssecondsofweek gpstimeofweek"),
    ("year", "", 0, 9999, "year yyyy jahr"),
    ("month", "", 1, 12, "month monat"),
    ("hour", "time", 0, 24, "hour hours hh hr stunde"),
    ("minute", "time", 0, 59, "minute minutes mm min"),
    ("second", "time", 0, 61, "second seconds ss sec"),
    ("milliseconds", "time", 0, 999, "milliseconds millisecond msec ms msecs"),
    ("counter", "", 0, _INF,
     "counter sequence seq sample sampleno record recordno recordnumber packet"),
    ("latitude_side", "", 0, 0,
     "ns latns nsindicator latitudens latitudehemisphere lathemisphere latdir "
     "latituderef latref latitudedirection"),
    ("longitude_side", "", 0, 0,
     "ew lonew ewindicator longitudeew longitudehemisphere lonhemisphere londir "
     "longituderef lonref longitudedirection"),
    ("speed", "speed", 0, 60,
     "speed groundspeed velocity gpsspeed spd vehiclespeed travelspeed "
     "speedoverground sog geschwindigkeit vitesse velocidad snelheid"),
    ("heading", "angle", -360, 720,
     "heading course bearing track cog azimuth direction trackangle trackdeg"),
    ("altitude", "length", -500, 9000, "altitude alt elevation elev height"),
    ("fix_quality", "", 0, 9, "fixquality fix gpsquality quality gpsfix fixtype"),
    ("width", "length", 0, 80,
     "width swath swathwidth workingwidth headerwidth cutwidth toolwidth"),
    ("work_state", "", -_INF, _INF,
     "workstate state logging recording header headerstatus headerstate "
     "implementstatus workstatus onoff pumpon working active"),
    ("mass_flow", "mass flow", 0, 200,
     "massflow flow flowrate grainflow cropflow wetflow throughput"),
    ("yield_mass", "areal mass", 0, 50,
     "yield wetyield drymatteryield massyield yieldmass yieldwet yieldwetmass"),
    ("tank_mass", "mass", 0, 1e5,
     "tankmass binweight binmass tanklevel netweight cartweight scale scalereading "
     "tankweight payload loadmass"),
    ("moisture", "share", 0, 1, "moisture moist h2o grainmoisture cropmoisture"),
    ("application_rate", "application", 0, 0.1,
     "applicationrate appliedrate apprate rateapplied targetrateapplied"),
    ("distance", "length", 0, 1000, "distance dist steplength distancetravelled"),
    ("cycle", "time", 0, 3600, "cycle cycles duration interval logginginterval dt"),
    ("machine", "", 0, 0, "machine machineid vehicle equipment unitid machinename"),
    ("crop", "", 0, 0, "crop cropname product grain commodity"),
    ("field", "", 0, 0, "field fieldname fieldid"),
)  # fmt: skip
"""Everything a text log may hold, by our name; common trade words."""


_ONLY_THE_WORD = (
    "gps_week", "gps_seconds", "year", "month", "hour", "minute", "second",
    "milliseconds", "counter", "latitude_side", "longitude_side",
)  # fmt: skip
"""Short words that begin many others; they count only when they stand alone."""


def score(heading: Heading, target: LogField) -> int:
    """Return how well a heading fits a field.

    3 the word itself, 2 begins with it, 1 fits but for a unit that does not, 0 not.
    """
    best = 0
    for name in {heading.name, heading.whole}:
        bare = name.replace("_", "")
        if bare in target.words:
            best = 3
        elif any(len(w) > 3 and bare.startswith(w) for w in target.words):
            best = max(best, 2)
    if target.name in _ONLY_THE_WORD and best < 3:
        return 0
    return best if fits_quantity(heading.unit, target) else min(best, 1)


def fits_quantity(unit: str, target: LogField) -> bool:
    """Tell whether a unit can be that of a field; no unit fits every field."""
    return not unit or not target.quantity or quantity(unit) == target.quantity


def nearest(name: str, names: list[str]) -> str:
    """Return the name most like `name`, for sentences."""
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.0)
    return near[0] if near else ""
