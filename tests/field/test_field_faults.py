"""What people hand in wrong: each case with its words, and its exit code or Note."""

from __future__ import annotations

import datetime as dt
import json
import re
from dataclasses import dataclass, field

import pytest

from trafficmap.core.errors import TrafficmapError
from trafficmap.field.read import read_field

WEST, SOUTH, SIDE = -93.62, 42.03, 0.002
TODAY = dt.date(2026, 11, 25)


@dataclass
class Case:
    """One folder: how it differs from a good one, and what must be said."""

    words: str
    note: str = ""
    severity: str = ""
    hint: str = ""
    build: dict = field(default_factory=dict)


def ring(west=WEST, south=SOUTH, side=SIDE):
    return [
        [west, south],
        [west + side, south],
        [west + side, south + side],
        [west, south + side],
        [west, south],
    ]


def outline(*rings, kind="Polygon"):
    return json.dumps({"type": kind, "coordinates": list(rings)})


def several(*rings):
    features = [
        {
            "type": "Feature",
            "properties": {"name": f"part {k}"},
            "geometry": {"type": "Polygon", "coordinates": [one]},
        }
        for k, one in enumerate(rings)
    ]
    return json.dumps({"type": "FeatureCollection", "features": features})


def log(*, west=WEST + SIDE / 2, south=SOUTH, times=None, swap=False, sign=1.0):
    """Return a log of two minutes that drives north."""
    start = dt.datetime(2026, 10, 14, 15, 0, tzinfo=dt.UTC)
    count = len(times) if times else 120
    lines = ["longitude,latitude,time,speed_m_s,width_m,work_state"]
    for k in range(count):
        lon, lat = sign * west, south + 0.0002 + k * 1.35e-5
        if swap:
            lon, lat = lat, lon
        moment = start + dt.timedelta(seconds=k)
        text = times[k] if times else moment.strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append(f"{lon:.8f},{lat:.8f},{text},1.5,6.0,1")
    return "\n".join(lines) + "\n"


def stamps(first: str, count=120, step=1.0, form="%Y-%m-%d %H:%M:%S"):
    start = dt.datetime.fromisoformat(first)
    return [
        (start + dt.timedelta(seconds=k * step)).strftime(form) for k in range(count)
    ]


def weather(first="2026-06-01", last="2026-10-31", *, skip=(), put=None, unit="c"):
    """Return daily weather as text, days left out or with their own row."""
    day, end = dt.date.fromisoformat(first), dt.date.fromisoformat(last)
    lines = [f"date,rain_mm,t_min_{unit},t_max_{unit}"]
    while day <= end:
        text = day.isoformat()
        if text not in skip:
            lines.append((put or {}).get(text, f"{text},2.0,8.0,21.0"))
        day += dt.timedelta(days=1)
    return "\n".join(lines) + "\n"


def with_weather(text):
    return {"more": '[weather]\nfile = "weather.csv"', "files": {"weather.csv": text}}


TINY = WEST + 1e-5
CROSSED = [
    [WEST, SOUTH],
    [WEST + SIDE, SOUTH],
    [WEST + SIDE, SOUTH + SIDE],
    [TINY, SOUTH + SIDE],
    [WEST - 1e-5, SOUTH + SIDE - 1e-5],
    [WEST, SOUTH + SIDE + 1e-5],
    [WEST, SOUTH],
]
BOW_TIE = [ring()[0], ring()[2], ring()[1], ring()[3], ring()[0]]
HOLE_OUTSIDE = [[x + 0.01, y] for x, y in ring(side=0.0005)]

REFUSED = {
    "outline a bow tie": Case(
        "the outline crosses itself near (-93.6190, 42.0310); mending it changes the "
        "area from 0.00 ha (0.0 ac) to 1.84 ha (4.5 ac), more than 0.5 %.",
        hint="draw the outline again",
        build={"boundary": outline(BOW_TIE)},
    ),
    "outline twice": Case(
        "boundary.geojson: outline 1 is given twice, 3.68 ha (9.1 ac) in common",
        hint="boundary_part",
        build={"boundary": several(ring(), ring())},
    ),
    "outlines overlap": Case(
        "outline 1 overlaps outline 2, 1.84 ha (4.5 ac) in common",
        hint="boundary_part",
        build={"boundary": several(ring(), ring(west=WEST + SIDE / 2))},
    ),
    "outline above the limit": Case(
        "the limit is 2000.00 ha",
        hint="one field at a time",
        build={"boundary": outline(ring(side=0.1))},
    ),
    "outline a point": Case(
        "holds a point, need the outline of the field as an area.",
        hint="closed area",
        build={"boundary": json.dumps({"type": "Point", "coordinates": [WEST, SOUTH]})},
    ),
    "outline a line": Case(
        "holds a line, need the outline of the field as an area.",
        hint="closed area",
        build={"boundary": outline(*ring(), kind="LineString")},
    ),
    "outline with a corner that is no number": Case(
        "a corner that is no number",
        build={
            "boundary": outline([[WEST, SOUTH], [WEST, float("nan")], *ring()[2:]]),
        },
    ),
    "outline with longitude and latitude swapped": Case(
        "boundary.geojson: says degrees, but its places reach",
        build={"boundary": outline([[y, x] for x, y in ring()])},
    ),
    "outline beyond the metric grid": Case(
        "latitude 84.5020 lies beyond 84 N or 80 S, where the metric grid ends.",
        hint="swapped",
        build={"boundary": outline(ring(south=84.5))},
    ),
    "boundary part that is not there": Case(
        "no shape is called 'part 7'; its attributes say part 0, part 1.",
        hint="boundary_part",
        build={
            "boundary": several(ring(), ring(west=WEST + 0.01)),
            "field": 'boundary_part = "part 7"',
        },
    ),
    "log with longitude and latitude swapped": Case(
        "no fix lies inside the boundary",
        hint="longitude and latitude look swapped",
        build={"logs": {"combine.csv": log(west=42.031, south=-70.0)}}
        | {"boundary": outline(ring(west=-70.0, south=42.03))},
    ),
    "log whose minus sign is lost": Case(
        "no fix lies inside the boundary, the log is",
        hint="minus sign of the longitude looks lost",
        build={"logs": {"combine.csv": log(sign=-1.0)}},
    ),
    "log outside the boundary": Case(
        "combine.csv: no fix lies inside the boundary, the log is 41 km away.",
        hint="belong together",
        build={"logs": {"combine.csv": log(west=WEST - 0.5)}},
    ),
    "log of a machine that has no table": Case(
        'log[1].machine is "combine", but there is no [machine.combine].',
        hint='[machine.combine]\nclass = "combine_mid"',
        build={
            "base": '[field]\nname = "a"\n{boundary}\n{logs}\n{field}{more}'
            '[machine.other]\nclass = "truck"\n'
        },
    ),
    "two logs of one machine at the same time": Case(
        'one.csv and two.csv: machine "combine" drives in both at the same time for '
        "2 min.",
        hint="two names",
        build={"logs": {"one.csv": log(), "two.csv": log(west=WEST + SIDE / 3)}},
    ),
    "log that is not there": Case(
        "log[1].file is 'combin.csv', which is not there.",
        hint="look whether 'combine.csv' is meant",
        build={
            "base": '[field]\nname = "a"\n{boundary}\n{field}{more}[[log]]\n'
            'file = "combin.csv"\nmachine = "x"\n[machine.x]\nclass = "truck"\n'
        },
    ),
    "satellite weeks run over": Case(
        "combine.csv: is dated 2007-02-28, which is 1024 weeks before 2026-10-14",
        hint="clock_offset_s = 619315200",
        build={
            "logs": {"combine.csv": log(times=stamps("2007-02-28 15:00:00"))},
            "field": 'time_zone = "UTC"',
        },
    ),
    "many dates that cannot be true": Case(
        "50 % of the fixes carry a date that cannot be true, as 2031-10-14.",
        hint="season",
        build={
            "logs": {
                "combine.csv": log(
                    times=stamps("2026-10-14 15:00:00", 60)
                    + stamps("2031-10-14 15:00:00", 60)
                )
            },
            "field": 'time_zone = "UTC"',
        },
    ),
    "a time zone nobody knows": Case(
        'field.time_zone is "America/Chicgo", need a zone such as "America/Chicago".',
        hint='write "America/Chicago"',
        build={"field": 'time_zone = "America/Chicgo"'},
    ),
    "weather misses a day before the harvest": Case(
        "weather.csv: rain of 2026-10-02 is missing, in the season.",
        hint="rain is not made up",
        build=with_weather(weather(skip=("2026-10-02",))),
    ),
    "weather with a fill for rain": Case(
        "weather.csv: rain of 2026-10-02 is missing, in the season.",
        hint="rain is not made up",
        build=with_weather(weather(put={"2026-10-02": "2026-10-02,-9999,8.0,21.0"})),
    ),
    "weather with rain below zero": Case(
        "weather.csv: rain is below zero on 2026-10-02.",
        hint="correct that day",
        build=with_weather(weather(put={"2026-10-02": "2026-10-02,-3.0,8.0,21.0"})),
    ),
    "weather with a day twice": Case(
        "weather.csv: 2026-10-02 is there twice.",
        hint="one row a day",
        build=with_weather(weather() + "2026-10-02,2.0,8.0,21.0\n"),
    ),
    "weather without a temperature for three days": Case(
        "weather.csv: temperature of 2026-10-02 is missing, in the season.",
        hint="from a station nearby",
        build=with_weather(
            weather(put={f"2026-10-0{k}": f"2026-10-0{k},2.0,," for k in (2, 3, 4)})
        ),
    ),
    "weather that ends before the last pass": Case(
        "weather.csv: runs from 2026-06-01 to 2026-10-10, the field was driven on",
        hint="add the missing days",
        build=with_weather(weather(last="2026-10-10")),
    ),
    "rain without a unit": Case(
        "weather.csv: column 'rain' does not say its unit.",
        hint='units = { rain = "..." }',
        build=with_weather(weather().replace("rain_mm", "rain")),
    ),
    "weather without a column of rain": Case(
        "weather.csv: column 'rain' is missing; found date, wet_mm, t_min_c, t_max_c.",
        hint="rename it to 'rain'",
        build=with_weather(weather().replace("rain_mm", "wet_mm")),
    ),
    "a path that climbs out": Case(
        "weather.file is '../weather.csv', which climbs out of the folder.",
        hint="write the whole path",
        build={"more": '[weather]\nfile = "../weather.csv"'},
    ),
    "an address for a path": Case(
        "weather.file is 'https://example.org/w.csv', need a path on this computer.",
        hint="save the file here",
        build={"more": '[weather]\nfile = "https://example.org/w.csv"'},
    ),
    "neither boundary nor log": Case(
        "names neither a boundary nor a log",
        hint="boundary",
        build={"boundary": "", "logs": {}},
    ),
    "soil map of another place": Case(
        "soil.geojson: no soil unit lies on the field.",
        hint="of this place",
        build={
            "more": '[soil]\nmap = "soil.geojson"\nmap_key = "name"\ntexture = "clay"',
            "files": {"soil.geojson": several(ring(west=WEST + 1))},
        },
    ),
    "soil map without the named attribute": Case(
        "soil.geojson: no attribute 'unit_name' names the soil unit; found name.",
        hint='map_key = "name"',
        build={
            "more": '[soil]\nmap = "soil.geojson"\nmap_key = "unit_name"\n'
            'texture = "clay"',
            "files": {"soil.geojson": several(ring())},
        },
    ),
    "horizons that sum to more than the whole": Case(
        "horizons.csv: horizon 1 has 80 % sand and 45 % clay",
        hint="percent",
        build={
            "more": '[soil]\nhorizons = "horizons.csv"',
            "files": {
                "horizons.csv": "soil_unit,top_cm,bottom_cm,sand_pct,clay_pct\n"
                "a,0,100,80,45\n"
            },
        },
    ),
    "liquid of a machine that is not there": Case(
        'liquid[1].machine is "hose", no machine here.',
        hint="use one of: combine",
        build={"more": '[[liquid]]\nmachine = "hose"\nrate_m3_ha = 90'},
    ),
    "a bushel of a crop that has none": Case(
        'crop.yield_bu_ac needs the mass of a bushel of "chicory", not known.',
        hint="by the tonne",
        build={"more": '[crop]\nnext = "chicory"\nyield_bu_ac = 100'},
    ),
    "readings without a place": Case(
        "dug.csv: has no longitude and latitude.",
        hint="epsg",
        build={
            "more": '[dug]\nfile = "dug.csv"',
            "files": {"dug.csv": "point,kind,value_psi\nP1,probe,300\n"},
        },
    ),
    "readings of a kind nobody knows": Case(
        "dug.csv: kind 'auger', need one of probe, spade, hand_roll, rut, trial, "
        "moisture, feel.",
        hint="correct the column kind",
        build={
            "more": '[dug]\nfile = "dug.csv"',
            "files": {
                "dug.csv": "point,longitude,latitude,kind,value_psi\n"
                f"P1,{WEST},{SOUTH},auger,300\n"
            },
        },
    ),
    "soil wetter than it can be": Case(
        "dug.csv: soil moisture is 310 %, need 0 to 90 % of the volume of the soil.",
        hint="moisture_pct",
        build={
            "more": '[dug]\nfile = "dug.csv"',
            "files": {
                "dug.csv": "point,longitude,latitude,kind,depth_cm,moisture_pct\n"
                f"P1,{WEST},{SOUTH},moisture,25,310\n"
            },
        },
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_words_and_a_hint(make_field, name):
    case = REFUSED[name]
    folder = make_field(**case.build)
    with pytest.raises(TrafficmapError, match=re.escape(case.words)) as caught:
        read_field(folder, today=TODAY)
    assert caught.value.exit_code == 3
    assert case.hint in (caught.value.hint or "")


NOTED = {
    "outline that crosses itself in a corner": Case(
        "Mended: 3.68 ha (9.1 ac) before, 3.68 ha (9.1 ac) after.",
        note="boundary.crosses_itself",
        severity="check",
        build={"boundary": outline(CROSSED)},
    ),
    "outline left open": Case(
        "the last corner was joined to the first",
        note="vector.open_ring",
        severity="check",
        build={"boundary": outline(ring()[:-1])},
    ),
    "hole outside the outline": Case(
        "1 hole outside the outline left out",
        note="boundary.hole_outside",
        severity="check",
        build={"boundary": outline(ring(), HOLE_OUTSIDE)},
    ),
    "outline of a garden": Case(
        "the outline holds only 920 m2",
        note="boundary.small",
        severity="check",
        build={"boundary": outline(ring(west=WEST + 0.0009, side=0.0003162))},
    ),
    "two separate pieces": Case(
        "2 separate pieces are taken as one field",
        note="boundary.pieces",
        severity="info",
        build={"boundary": several(ring(), ring(west=WEST + 0.01))},
    ),
    "clock without a zone": Case(
        'until you add time_zone = "America/Chicago"',
        note="clock.zone_missing",
        severity="stop",
        build={"logs": {"combine.csv": log(times=stamps("2026-10-14 10:00:00"))}},
    ),
    "clock that only counts": Case(
        "until you add epoch = 2026-01-01, the day the count starts",
        note="clock.epoch_missing",
        severity="stop",
        build={
            "logs": {
                "combine.csv": log(times=[str(24_538_000 + k) for k in range(120)])
            }
        },
    ),
    "hour that came twice": Case(
        "fixes lie in the hour that came twice when the clock went back",
        note="clock.hour_twice",
        severity="info",
        build={
            "logs": {
                "combine.csv": log(
                    times=stamps("2026-11-01 01:59:30", 30)
                    + stamps("2026-11-01 01:00:00", 90)
                )
            },
            "field": 'time_zone = "America/Chicago"',
        },
    ),
    "hour that never was": Case(
        "fixes lie in the hour that is skipped in spring",
        note="clock.hour_skipped",
        severity="check",
        build={
            "logs": {"combine.csv": log(times=stamps("2026-03-08 02:10:00"))},
            "field": 'time_zone = "America/Chicago"',
        },
    ),
    "few fixes of 1980": Case(
        "combine.csv: 6 fixes dropped, their date cannot be true.",
        note="clock.impossible",
        severity="info",
        build={
            "logs": {
                "combine.csv": log(
                    times=stamps("2030-01-06 00:00:00", 6)
                    + stamps("2026-10-14 15:00:00", 114)
                )
            },
            "field": 'time_zone = "UTC"',
        },
    ),
    "log of another year": Case(
        "combine.csv: is from 2023, but season in [field] is 2026",
        note="clock.other_season",
        severity="check",
        build={
            "logs": {"combine.csv": log(times=stamps("2023-10-14 15:00:00"))},
            "field": 'time_zone = "UTC"',
        },
    ),
    "same log twice": Case(
        "copy.csv: holds the same fixes as combine.csv; counted once.",
        note="log.twice",
        severity="info",
        build={"logs": {"combine.csv": log(), "copy.csv": log() + "\n"}},
    ),
    "weather in Fahrenheit": Case(
        'until you add units = { t_min = "degF", t_max = "degF" } to [weather]',
        note="weather.fahrenheit",
        severity="stop",
        build=with_weather(weather(put={"2026-07-01": "2026-07-01,0,66.0,91.0"})),
    ),
    "temperature missing for two days": Case(
        "4 missing temperatures drawn straight between days",
        note="weather.temperature_gap",
        severity="info",
        build=with_weather(
            weather(put={f"2026-10-0{k}": f"2026-10-0{k},2.0,," for k in (2, 3)})
        ),
    ),
    "lowest above highest": Case(
        "on 1 days the lowest temperature is above the highest",
        note="weather.crossed",
        severity="check",
        build=with_weather(weather(put={"2026-10-02": "2026-10-02,2.0,25,21.0"})),
    ),
    "weather that starts late": Case(
        "starts 2026-09-15, less than 90 days before the first pass",
        note="weather.short",
        severity="check",
        build=with_weather(weather(first="2026-09-15")),
    ),
    "no soil": Case(
        'Add texture = "..." to [soil]', note="soil.missing", severity="stop"
    ),
    "no weather": Case("Add [weather]", note="weather.missing", severity="stop"),
    "soil by its class": Case(
        "silty clay, taken as 10 % sand and 45 % clay",
        note="soil.assumed",
        severity="check",
        build={"more": '[soil]\ntexture = "silty clay"'},
    ),
    "no boundary": Case(
        "only the ground covered by worked steps is mapped",
        note="boundary.from_logs",
        severity="check",
        build={"boundary": ""},
    ),
    "no boundary and no work": Case(
        "this looks like road travel only, so there is no map",
        note="boundary.road_only",
        severity="stop",
        build={
            "boundary": "",
            "logs": {"combine.csv": log().replace(",6.0,1", ",6.0,0")},
        },
    ),
    "soil map that leaves ground out": Case(
        "50 % of the field has no soil unit and is not assessed",
        note="soil.uncovered",
        severity="check",
        build={
            "more": '[soil]\nmap = "soil.geojson"\nmap_key = "name"\ntexture = "clay"',
            "files": {"soil.geojson": several(ring(west=WEST + SIDE / 2))},
        },
    ),
    "buried line nobody located": Case(
        "taken as not located",
        note="keep_out.located",
        severity="check",
        build={
            "more": '[[keep_out]]\nkind = "buried line"\nfile = "line.geojson"',
            "files": {
                "line.geojson": outline(
                    [WEST, SOUTH], [WEST + SIDE, SOUTH + SIDE], kind="LineString"
                )
            },
        },
    ),
    "liquid without its depth": Case(
        "put on the surface assumed",
        note="liquid.assumed",
        severity="check",
        build={"more": '[[liquid]]\nmachine = "combine"\nrate_m3_ha = 90'},
    ),
}


@pytest.mark.parametrize("name", NOTED)
def test_read_on_with_a_note(make_field, name):
    case = NOTED[name]
    _, notes = read_field(make_field(**case.build), today=TODAY)
    said = [note for note in notes if note.code == case.note]
    assert said, [note.code for note in notes]
    assert any(case.words in note.sentence for note in said), said
    assert said[0].severity == case.severity


def test_heights_are_dropped_in_silence(make_field):
    high = outline([[x, y, 312.0] for x, y in ring()])
    field_high, notes = read_field(make_field(boundary=high), today=TODAY)
    assert not field_high.boundary.has_z
    assert not [note for note in notes if note.code.startswith("boundary")]


def test_a_leap_second_is_no_fault(make_field):
    before = stamps("2016-12-31 23:59:58", 2)
    after = stamps("2017-01-01 00:00:00", 117)
    times = [*before, "2016-12-31 23:59:60", *after]
    folder = make_field(logs={"combine.csv": log(times=times)})
    text = (folder / "field.toml").read_text().replace("2026", "2016")
    (folder / "field.toml").write_text(text + '\n[tile]\nstate = "none"\n')
    one, _ = read_field(folder, today=TODAY)
    assert len(one.fixes) >= 119


def test_one_fix_far_off_is_left_to_cleaning(make_field):
    text = log()
    lines = text.splitlines()
    lines[60] = lines[60].replace("-93.619", "-38.619")
    one, _ = read_field(make_field(logs={"combine.csv": "\n".join(lines)}), today=TODAY)
    assert len(one.fixes) == 120


def test_links_out_of_the_folder_are_refused(make_field, tmp_path):
    outside = tmp_path / "outside.csv"
    outside.write_text(weather())
    folder = make_field(more='[weather]\nfile = "weather.csv"')
    (folder / "weather.csv").symlink_to(outside)
    with pytest.raises(TrafficmapError, match="leads out of the folder"):
        read_field(folder, today=TODAY)
    (folder / "weather.csv").unlink()
    (folder / "weather.csv").symlink_to(tmp_path / "gone.csv")
    with pytest.raises(TrafficmapError, match="link to something that is not there"):
        read_field(folder, today=TODAY)
