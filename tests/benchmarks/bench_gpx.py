"""GPX: from the file on the disk to the table every later step takes.

A script, not a test: python tests/benchmarks/bench_gpx.py [points]. An invented track
of one point a second with height and time, in one segment. Timed is `read_logs`:
streamed and checked as a file from a stranger (no document types, no entities, bounded
depth), times with their zones, places, speed and course where they are. Baselines in
the same process: the standard library's `ElementTree.parse` with a loop over the points
that takes place, height and time (`datetime.fromisoformat`), which checks nothing and
holds the whole tree; and the parse alone, what no reader through it can be faster than.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

POINT = '<trkpt lat="{:.7f}" lon="{:.7f}"><ele>{:.1f}</ele><time>{}</time></trkpt>'
SPACE = "{http://www.topografix.com/GPX/1/1}"


def write_track(path: Path, points: int) -> None:
    """Write a drive north and south at 2 m/s."""
    start = datetime(2026, 10, 14, 6, tzinfo=UTC)
    rows = []
    for k in range(points):
        leg, along = divmod(k, 600)
        north = 42.03 + 1.8e-5 * (along if leg % 2 == 0 else 600 - along)
        moment = (start + timedelta(seconds=k)).strftime("%Y-%m-%dT%H:%M:%SZ")
        rows.append(POINT.format(north, -93.62 + 9e-5 * leg, 300.0, moment))
    head = f'<gpx version="1.1" creator="made" xmlns="{SPACE[1:-1]}"><trk><trkseg>'
    path.write_text(head + "\n".join(rows) + "</trkseg></trk></gpx>", encoding="utf-8")


def tree_loop(path: Path) -> int:
    """Read place, height and time of every point through a tree."""
    from xml.etree import ElementTree as ET

    rows = [
        (
            float(point.get("lat")),
            float(point.get("lon")),
            float(point.find(f"{SPACE}ele").text),
            datetime.fromisoformat(point.find(f"{SPACE}time").text),
        )
        for point in ET.parse(path).iter(f"{SPACE}trkpt")
    ]
    return len(rows)


def tree_alone(path: Path) -> int:
    """Parse and look at nothing."""
    from xml.etree import ElementTree as ET

    return len(ET.parse(path).getroot())


def timed(call, repeats: int = 3) -> float:
    """Return the least processor time of some calls [s]."""
    best = float("inf")
    for _ in range(repeats):
        begin = time.process_time()
        call()
        best = min(best, time.process_time() - begin)
    return best


def main(points: int) -> None:
    """Print points a second and ratios."""
    from trafficmap.formats.logs import read_logs

    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "track.gpx"
        write_track(path, points)
        (log,) = read_logs(path)
        assert len(log.table) == points
        ours = timed(lambda: read_logs(path))
        loop, alone = timed(lambda: tree_loop(path)), timed(lambda: tree_alone(path))
        print(
            f"{points} points, {path.stat().st_size / 1e6:.0f} MB: {ours:.2f} s, "
            f"{points / ours / 1e3:.0f} k points/s; the tree with its loop takes "
            f"{loop / ours:.2f} times as long, the tree alone {alone / ours:.2f} times"
        )


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[2]))
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000)
