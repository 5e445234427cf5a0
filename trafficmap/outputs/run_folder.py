"""The run folder: locked while it is written, finished once run.json stands in it."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import socket
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from trafficmap.core.errors import InputError, OutputError, RunFolderBusyError
from trafficmap.field.earlier import LEDGER_NAME
from trafficmap.formats import _files
from trafficmap.outputs import (
    axle_words,
    display,
    draw_words,
    explain_store,
    geopackage,
    geotiff,
    map_page,
    readme_txt,
    traffic_tables,
    when_view,
    words,
)
from trafficmap.outputs.manifest import SCHEMA, newest_input, run_document, run_mark

if TYPE_CHECKING:
    from collections.abc import Iterator

    from trafficmap.pipeline import Result

LOCK_NAME = "trafficmap.lock"
RUN_NAME = "run.json"
README_NAME = "README.txt"
ORIGIN_NAME = "origin.json"
"""Where the field's folder is, seen from the run folder: the only file with a place."""

MAP_LIMIT = 5_000_000
"""Largest map page [bytes]; beyond it a browser on a phone gives up (choice)."""

_held: dict[Path, int] = {}


def write_run(
    result: Result, folder: Path, *, overwrite: bool = False, events: bool = False
) -> Path:
    """Write a whole result into a folder; run.json comes last and makes it valid.

    Parameters
    ----------
    result : Result
        What the line made.
    folder : Path
        Where to; made when missing. May be locked already by `run_folder`.
    overwrite : bool
        Replace a finished earlier run. Files that are not ours stay.
    events : bool
        Put every wheel event into the GeoPackage as well.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    InputError
        The folder holds something else, or a finished run and `overwrite` is off.
    RunFolderBusyError
        Another run is writing there.
    OutputError
        The disk is full, read-only, or not permitted.
    """
    with run_folder(folder, overwrite=overwrite) as place:
        # Said first: if not even this can be written, the earlier result stays whole.
        _files.write_text(place / README_NAME, readme_txt.UNFINISHED)
        _remove_ours(place)
        mark, date = run_mark(result), newest_input(result)
        # What stands in every layer about the run it came from.
        told = f"{mark}. {words.ASSUMED}" if words.is_assumed(result.zones) else mark
        # Compressing lets go of the interpreter, so it goes on beside the map page;
        # files are still written one after the other, in a fixed order.
        with ThreadPoolExecutor(max_workers=2) as pool:
            store = pool.submit(explain_store.store_bytes, result)
            layers = {
                name: pool.submit(
                    geotiff.geotiff_bytes,
                    result.tray,
                    name,
                    grid=result.grid,
                    mark=told,
                )
                for name in sorted(map(str, result.tray.data_vars))
            }
            page = map_page.map_page(result, mark=mark, date=date).encode("utf-8")
        made = [
            _files.write_bytes(place / "layers" / f"{name}.tif", layer.result())
            for name, layer in layers.items()
        ]
        made.append(
            geopackage.write_geopackage(
                result, place / "field.gpkg", mark=told, date=date, events=events
            )
        )
        if result.ledger is not None:
            content = geotiff.ledger_bytes(result.ledger, grid=result.grid, mark=mark)
            made.append(_files.write_bytes(place / LEDGER_NAME, content))
        tables = axle_words.csv_file(result) | when_view.csv_files(result)
        tables |= draw_words.csv_files(result)
        if result.driven is not None:
            tables |= traffic_tables.csv_files(result.driven)
        made += [_files.write_text(place / name, text) for name, text in tables.items()]
        made += display.write_display(result, place / "display", date=date)
        made.append(_files.write_bytes(place / "explain.npz", store.result()))
        if len(page) > MAP_LIMIT:
            msg = (
                f"map.html: is {len(page) / 1e6:.1f} MB, need at most "
                f"{MAP_LIMIT / 1e6:.0f} MB."
            )
            raise OutputError(msg, "use larger cells: --cell 2")
        made.append(_files.write_bytes(place / "map.html", page))
        made.append(
            _files.write_text(
                place / README_NAME, readme_txt.readme(result, mark=mark, date=date)
            )
        )
        hashes = {
            path.relative_to(place).as_posix(): sha256_of(path) for path in sorted(made)
        }
        document = run_document(result, mark=mark, date=date, outputs=hashes)
        _files.write_text(place / ORIGIN_NAME, _origin(result.field.folder, place))
        text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
        _files.write_text(place / RUN_NAME, text + "\n")
    return place


def read_run(folder: Path) -> dict:
    """Return run.json of a finished run folder.

    Raises
    ------
    InputError
        There is no such folder, or it is unfinished, or a newer program wrote it.
    """
    folder = Path(folder)
    if not folder.is_dir():
        msg = f"{folder.name}: is not a folder, need the folder of a finished run."
        raise InputError(msg, "give the folder that was named with run -o")
    document = _run_json(folder)
    if document is None:
        msg = f"{folder.name}: is unfinished, it holds no valid {RUN_NAME}."
        raise InputError(msg, f"run again: trafficmap run DIR -o {folder.name}")
    if document["schema"] != SCHEMA:
        msg = (
            f"{folder.name}: {RUN_NAME} has schema {document['schema']!r}, this "
            f"program reads {SCHEMA}."
        )
        raise InputError(msg, "use the version of trafficmap that wrote it")
    return document


@contextmanager
def run_folder(folder: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Hold the lock of a run folder, from before a long run until it is written.

    A process that already holds the lock may enter again, so `write_run` works both
    alone and inside. The lock of a dead process on this host is taken over.

    Parameters
    ----------
    folder : Path
        The run folder; made when missing.
    overwrite : bool
        Allow a folder that holds a finished run.

    Yields
    ------
    Path
        The folder.
    """
    place = Path(folder)
    key = place.resolve()
    if key in _held:
        _held[key] += 1
        try:
            yield place
        finally:
            _held[key] -= 1
        return
    fresh = not place.exists()
    _files.make_folder(place)
    _lock(place)
    _held[key] = 1
    try:
        _require_free(place, overwrite=overwrite)
        _files.sweep_parts(place)
        yield place
    finally:
        del _held[key]
        (place / LOCK_NAME).unlink(missing_ok=True)
        if fresh:
            # Only an empty folder goes: what a failed run wrote stays to be seen.
            with suppress(OSError):
                place.rmdir()


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with open(path, "rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def is_ours(name: str) -> bool:
    """Tell whether a path inside a run folder is one we write."""
    head = name.split("/", 1)[0]
    return name in _OURS or head in ("layers", "display", traffic_tables.FOLDER)


def _origin(field: Path, place: Path) -> str:
    """Return the text that leads from a run folder back to its field."""
    field, place = Path(field).resolve(), place.resolve()
    try:
        told = Path(os.path.relpath(field, place)).as_posix()
    except ValueError:  # another drive: there is no way from here to there
        told = field.as_posix()
    return json.dumps({"folder": told}, ensure_ascii=False) + "\n"


def _run_json(folder: Path) -> dict | None:
    """Return the content of run.json, or None when it is absent or broken."""
    try:
        document = json.loads((folder / RUN_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    good = isinstance(document, dict) and document.get("program") == "trafficmap"
    return document if good and "schema" in document else None


def _require_free(place: Path, *, overwrite: bool) -> None:
    names = sorted(
        path.name
        for path in place.iterdir()
        if path.name != LOCK_NAME and _files.PART_SUFFIX not in path.suffixes
    )
    if not names:
        return
    if _run_json(place) is not None:
        if not overwrite:
            msg = f"{place.name}: holds a finished run, need an empty or new folder."
            raise InputError(msg, "add --overwrite, or choose another folder with -o")
        return
    if not readme_txt.is_ours(place / README_NAME):
        msg = (
            f"{place.name}: is not empty and holds no run of ours (it has "
            f"{names[0]!r}), need an empty or new folder."
        )
        raise InputError(msg, "choose another folder with -o")


def _remove_ours(place: Path) -> None:
    """Remove an earlier result, run.json first, so no moment looks finished.

    README.txt stays: it says that the folder is ours, and unfinished.
    """
    with _files.refusing(place):
        (place / RUN_NAME).unlink(missing_ok=True)
        for path in sorted(place.rglob("*")):
            name = path.relative_to(place).as_posix()
            if path.is_file() and is_ours(name) and name != README_NAME:
                path.unlink()


def _lock(place: Path) -> None:
    """Make the lock file, or say who holds it."""
    path = place / LOCK_NAME
    content = {
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "start": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
    }
    for _ in range(2):
        with _files.refusing(path):
            try:
                handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
            except FileExistsError:
                handle = -1
        if handle >= 0:
            with os.fdopen(handle, "w", encoding="utf-8") as stream:
                json.dump(content, stream)
            return
        _refuse_unless_stale(path)
        path.unlink(missing_ok=True)
    msg = f"{place.name}: another run took the folder at the same moment."
    raise RunFolderBusyError(msg, "wait for it, or choose another folder with -o")


def _refuse_unless_stale(path: Path) -> None:
    try:
        holder = json.loads(path.read_text(encoding="utf-8"))
        pid, host = int(holder["pid"]), str(holder["host"])
        start = str(holder["start"])
    except FileNotFoundError:
        return
    except (OSError, ValueError, KeyError, TypeError):
        # The other run may be between making the file and filling it.
        pid, host, start = -1, "unknown host", "unknown time"
    if pid > 0 and host == socket.gethostname() and not _is_running(pid):
        return
    msg = (
        f"{path.parent.name}: another run is writing there (process {pid} on {host}, "
        f"since {start})."
    )
    raise RunFolderBusyError(
        msg, f"wait for it; if it is gone for good, remove {path.name}"
    )


def _is_running(pid: int) -> bool:
    if os.name == "nt":
        import ctypes

        query_limited_information = 0x1000
        kernel = ctypes.windll.kernel32  # type: ignore[attr-defined]
        handle = kernel.OpenProcess(query_limited_information, False, pid)
        if handle:
            kernel.CloseHandle(handle)
        return bool(handle)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


_OURS = frozenset(
    {
        *(RUN_NAME, README_NAME, ORIGIN_NAME, LEDGER_NAME),
        *("map.html", "field.gpkg", "explain.npz"),
    }
)
