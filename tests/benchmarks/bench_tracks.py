"""Tracks and sentences: fixes a second against general libraries, in one run.

A script, not a test: python tests/benchmarks/bench_tracks.py [fixes]. All readers take
the same invented files one after the other on this machine; only the ratios mean
anything. The baselines hand over what stands in the file; `read_logs` also settles
units and clock, counts what is broken and returns the table under our names in SI.
Baselines that are not installed are left out.
"""

from __future__ import annotations

import importlib.util
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import reduce
from pathlib import Path

from trafficmap.formats.logs import read_logs

START = datetime(2026, 10, 14, 6, 0, tzinfo=UTC)


def write_all(folder: Path, fixes: int) -> None:
    """Write one drive as GPX, KML and NMEA 0183."""
    gpx, when, coord, nmea = [], [], [], []
    for k in range(fixes):
        moment = START + timedelta(seconds=k)
        stamp = f"{moment:%Y-%m-%dT%H:%M:%SZ}"
        north = 42 + k * 1e-5 % 0.5
        gpx.append(
            f'<trkpt lat="{north:.8f}" lon="-93.62"><ele>300.1</ele><time>{stamp}'
            "</time><hdop>0.9</hdop><extensions><speed>1.1</speed></extensions>"
            "</trkpt>\n"
        )
        when.append(f"<when>{stamp}</when>\n")
        coord.append(f"<gx:coord>-93.62 {north:.8f} 300.1</gx:coord>\n")
        place = f"42{(north - 42) * 60:010.7f},N,09337.2000000,W"
        for body in (
            f"GNGGA,{moment:%H%M%S}.00,{place},4,12,0.7,301.5,M,-31.4,M,1.0,0031",
            f"GNRMC,{moment:%H%M%S}.00,A,{place},2.16,0.0,{moment:%d%m%y},,,R",
            "GNVTG,0.0,T,,M,2.16,N,4.0,K,R",
        ):
            total = reduce(lambda a, b: a ^ b, body.encode())
            nmea.append(f"${body}*{total:02X}\r\n")
    points = "".join(gpx)
    (folder / "a.gpx").write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>")
    track = f"<gx:Track>{''.join(when)}{''.join(coord)}</gx:Track>"
    (folder / "a.kml").write_text(f"<kml><Placemark>{track}</Placemark></kml>")
    (folder / "a.nmea").write_text("".join(nmea))


def seconds(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        work()
    return time.perf_counter() - began


def main() -> None:
    fixes = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_all(folder, fixes)
        read_logs(folder / "a.nmea")  # compiled once
        ours = {n: seconds(lambda n=n: read_logs(folder / n))
                for n in ("a.gpx", "a.kml", "a.nmea")}  # fmt: skip
        for name, took in ours.items():
            print(f"{name:8} {took:7.2f} s  {fixes / took / 1e3:8.0f} k fixes/s")
        import pyogrio

        took = seconds(
            lambda: pyogrio.read_dataframe(folder / "a.gpx", layer="track_points")
        )
        print(f"GDAL's GPX without extensions: {took / ours['a.gpx']:.1f} times ours")
        if importlib.util.find_spec("gpxpy"):
            import gpxpy

            with (folder / "a.gpx").open() as stream:
                took = seconds(lambda: gpxpy.parse(stream))
            print(f"gpxpy: {took / ours['a.gpx']:.1f} times ours")
        if importlib.util.find_spec("pynmea2"):
            import pynmea2

            lines = (folder / "a.nmea").read_text().splitlines()
            took = seconds(lambda: [pynmea2.parse(line) for line in lines])
            print(f"pynmea2, sentences only: {took / ours['a.nmea']:.1f} times ours")


if __name__ == "__main__":
    main()
