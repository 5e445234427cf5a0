"""Binary task logs: from the files on the disk to the table every later step takes.

A script, not a test: python tests/benchmarks/bench_taskdata.py [records]. Timed is
`read_task_data` and `task_logs` together: task file and header parsed, every record
walked and checked, records of one time stamp merged, values carried forward by their
rules, places checked, all in SI on the contract `RAW_FIXES`. Three invented logs:
*dense* as a harvester writes it, 17 values in every record; *lean*, 5 values in every
record; *events*, records of one second that share a stamp, with 0 to 2 values.

Each runs in a process of its own, files in memory: once with the compiled kernels on
the disk (first and best call; the first loads them, some 0.3 s), once with none (cold:
it compiles). *From the disk* is one read after the system was asked to drop the log
from its memory. Baselines in the same process: a loop with `struct` over the first
records, as in most readers, and `numpy.frombuffer` with a record type, scaled into the
same columns, which checks and carries nothing and can only read logs whose records all
have one length. Peak memory counts the copy of the log that the baselines hold.
"""

from __future__ import annotations

import os
import resource
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HEADER = '<TIM A="" D="4"><PTN A="" B="" D=""/>{}</TIM>'
NUMBERS = ("0043", "0054", "0057", "005A", "0063", "0074", "0075", "0076", "0077",
           "0078", "008D", "0094", "0095", "00B1", "EA60", "EA6A", "EA74")  # fmt: skip
SHAPES = {"dense": NUMBERS, "lean": ("0043", "0057", "0063", "0075", "008D")}
EVENTS = ("0043", "0057", "008D")
START_DAY = 16_356
RATES = {"008D": 1, "0043": 9000, "0057": 13_000_000}
LOOPED = 100_000


def record_type(count: int):
    """Return the numpy type of a record with `count` values."""
    import numpy as np

    names = [("ms", "<u4"), ("day", "<u2"), ("north", "<i4"), ("east", "<i4")]
    pairs = [p for k in range(count) for p in ((f"i{k}", "u1"), (f"v{k}", "<i4"))]
    return np.dtype([*names, ("status", "u1"), ("count", "u1"), *pairs])


def fill_places(log, seconds) -> None:
    """Drive north at 2 m/s, turning east every ten minutes."""
    import numpy as np

    log["ms"] = seconds % 86_400 * 1000
    log["day"] = START_DAY + seconds // 86_400
    leg, along = np.divmod(seconds, 600)
    log["north"] = 420_300_000 + np.where(leg % 2 == 0, along, 600 - along) * 180
    log["east"] = -936_200_000 + leg % 1000 * 900
    log["status"] = 4


def fixed_length(records: int, numbers: tuple[str, ...]) -> bytes:
    """Return a log with every value in every record."""
    import numpy as np

    log = np.zeros(records, dtype=record_type(len(numbers)))
    seconds = np.arange(records)
    fill_places(log, seconds)
    log["count"] = len(numbers)
    for k, number in enumerate(numbers):
        log[f"i{k}"] = k
        log[f"v{k}"] = RATES.get(number, seconds)
    return log.tobytes()


def events(records: int) -> bytes:
    """Return a log of records with none, one and two values, two a second."""
    import numpy as np

    seconds = np.arange(records) // 2
    parts = []
    for count in range(3):
        log = np.zeros(records, dtype=record_type(count))
        fill_places(log, seconds)
        log["count"] = count
        for k in range(count):
            log[f"i{k}"] = 1 + k
            log[f"v{k}"] = RATES[EVENTS[1 + k]]
        parts.append(log.view(np.uint8).reshape(records, -1))
    order = np.arange(records) % 3
    lengths = np.array([p.shape[1] for p in parts])[order]
    begin = np.cumsum(lengths) - lengths
    out = np.zeros(int(lengths.sum()), dtype=np.uint8)
    for count, part in enumerate(parts):
        at = begin[order == count, None] + np.arange(part.shape[1])
        out[at] = part[order == count]
    return out.tobytes()


def write_set(folder: Path, shape: str, records: int) -> None:
    """Write one task with one log."""
    folder.mkdir()
    numbers = EVENTS if shape == "events" else SHAPES[shape]
    made = events(records) if shape == "events" else fixed_length(records, numbers)
    (folder / "TLG00001.BIN").write_bytes(made)
    values = "".join(f'<DLV A="{n}" B="" C="DET-1"/>' for n in numbers)
    (folder / "TLG00001.XML").write_text(HEADER.format(values))
    task = '<TSK A="TSK1" B="job" G="4"><TLG A="TLG00001" C="1"/></TSK>'
    root = f'<ISO11783_TaskData VersionMajor="4">{task}</ISO11783_TaskData>'
    (folder / "TASKDATA.XML").write_text(root)


def struct_loop(data: bytes, limit: int) -> float:
    """Return seconds a record of the loop most readers are."""
    begin = time.perf_counter()
    at = done = 0
    rows = []
    while at < len(data) and done < limit:
        ms, day, north, east, status, count = struct.unpack_from("<IHiiBB", data, at)
        at += 16
        values = {}
        for _ in range(count):
            index, value = struct.unpack_from("<Bi", data, at)
            values[index] = value
            at += 5
        rows.append((ms, day, north * 1e-7, east * 1e-7, status, values))
        done += 1
    return (time.perf_counter() - begin) / done


def frombuffer(data: bytes, numbers: tuple[str, ...]) -> float:
    """Return seconds a record of the plain numpy read of records of one length."""
    import numpy as np
    import pandas as pd

    begin = time.perf_counter()
    log = np.frombuffer(data, dtype=record_type(len(numbers)))
    place = {n: log[f"v{k}"] for k, n in enumerate(numbers)}
    nothing = np.full(len(log), np.nan)
    columns = {
        "longitude": log["east"] * 1e-7,
        "latitude": log["north"] * 1e-7,
        "seconds": log["day"] * 86_400.0 + log["ms"] * 1e-3,
        "row": np.arange(1, len(log) + 1),
        "fix_quality": log["status"].astype(float),
        "width": place["0043"] * 1e-3,
        "work_state": place["008D"].astype(float),
        "mass_flow": place["0057"] * 1e-6,
        "moisture": place["0063"] * 1e-6,
    }
    for name in ("speed", "heading", "altitude", "tank_mass", "application_rate"):
        columns[name] = nothing.copy()
    pd.DataFrame(columns, copy=False)
    return (time.perf_counter() - begin) / len(log)


def one(folder: str, shape: str, kind: str) -> None:
    """Read one set in this process and print records a second."""
    from trafficmap.formats.isoxml import read_task_data, task_logs

    data = Path(folder, "TLG00001.BIN").read_bytes()  # and so into memory
    took = []
    for _ in range(1 if kind == "cold" else 4):
        begin = time.perf_counter()
        set_read = read_task_data(folder)
        (log,) = task_logs(set_read)
        took.append(time.perf_counter() - begin)
        records = set_read.tasks[0].logs[0].n_records
        rows = len(log.table)
        del set_read, log
    if kind == "cold":
        print(f"{shape:7s} cold (compiles): {took[0]:.2f} s in all")
        return
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    first, best = records / took[0] / 1e6, records / min(took) / 1e6
    disk = from_the_disk(folder)
    loop = struct_loop(data, LOOPED)
    said = (
        f"{shape:7s} {records:,} records, {len(data) / records:.0f} bytes each, "
        f"{rows:,} rows: {best:.2f} M records/s (first call {first:.2f} M), "
        f"{loop * records / min(took):.0f} x a struct loop"
    )
    if disk:
        said += f", {records / disk / 1e6:.2f} M from the disk"
    if shape in SHAPES:
        plain = min(frombuffer(data, SHAPES[shape]) for _ in range(3))
        said += f", {plain * records / min(took):.2f} x numpy.frombuffer"
    print(f"{said}; peak memory {peak:.0f} MB")


def from_the_disk(folder: str) -> float:
    """Return seconds of one read with the log put out of memory, 0 where it cannot."""
    from trafficmap.formats.isoxml import read_task_data, task_logs

    if not hasattr(os, "posix_fadvise"):
        return 0.0
    with open(Path(folder, "TLG00001.BIN"), "rb") as stream:
        os.fsync(stream.fileno())
        os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    begin = time.perf_counter()
    task_logs(read_task_data(folder))
    return time.perf_counter() - begin


def main(records: int) -> None:
    """Write each set, then read it in processes of their own."""
    with tempfile.TemporaryDirectory() as name:
        for shape in (*SHAPES, "events"):
            folder = Path(name, shape)
            write_set(folder, shape, records)
            # A first process leaves the compiled kernels for the second.
            for kind in ("cold", "warm"):
                where = {"NUMBA_CACHE_DIR": str(Path(name, f"compiled_{shape}"))}
                words = [sys.executable, __file__, "--one", str(folder), shape, kind]
                subprocess.run(words, check=True, env=os.environ | where)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(*sys.argv[2:])
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000_000)
