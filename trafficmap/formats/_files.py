"""The one layer that writes: whole files or nothing.

Every file is written beside its place under a temporary name, forced to the disk, and
renamed; then the folder is forced to the disk. Nobody else opens a file for writing.
"""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from trafficmap.core.errors import OutputError

PART_SUFFIX = ".part"

_WRITERS = ("pyogrio", "rasterio")
_WRITE_WORDS = ("write", "space", "disk", "i/o", "create")
_NO_ROOM = 2**20
"""A disk with less room than this is called full [bytes]; choice."""

_calls = 0


def write_bytes(path: Path, content: bytes) -> Path:
    """Write `content` to `path` at once or not at all.

    Raises
    ------
    OutputError
        The disk is full, read-only, or the place is not permitted.
    """

    def write(part: Path) -> None:
        with open(part, "wb") as stream:
            stream.write(content)

    return write_with(path, write)


def write_text(path: Path, content: str, *, encoding: str = "utf-8") -> Path:
    """Write text to `path` at once or not at all, line ends as given."""
    return write_bytes(path, content.encode(encoding))


def write_with(path: Path, writer: Callable[[Path], object]) -> Path:
    """Let `writer` make a file under a temporary name, then put it in place.

    Parameters
    ----------
    path : Path
        Where the file shall stand.
    writer : callable
        Called with the temporary path; it keeps the suffix of `path` so that
        libraries that look at names are content.
    """
    path = Path(path)
    part = path.with_name(f"{path.stem}{PART_SUFFIX}{path.suffix}")
    with refusing(path):
        make_folder(path.parent)
        try:
            _fault_point()
            writer(part)
            _force(part)
            _fault_point()
            part.replace(path)
        except Exception as error:
            # Looked at before the part goes: a library hides the system's own words.
            full = _is_full(path.parent) and not isinstance(error, OSError)
            part.unlink(missing_ok=True)
            if full:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) from error
            raise
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        _force(path.parent)
    return path


def make_folder(path: Path) -> None:
    """Make a folder and those above it."""
    with refusing(path):
        Path(path).mkdir(parents=True, exist_ok=True)


def sweep_parts(folder: Path) -> int:
    """Remove what a stopped run left behind; return how many files that were."""
    left = [p for p in Path(folder).rglob(f"*{PART_SUFFIX}*") if p.is_file()]
    for part in left:
        part.unlink()
    return len(left)


@contextmanager
def refusing(path: Path) -> Iterator[None]:
    """Turn what the system or a library says about writing into one sentence."""
    try:
        yield
    except OSError as error:
        raise OutputError(*_sentence(Path(path), error)) from error
    except (OutputError, MemoryError):
        raise
    except Exception as error:
        # GDAL's own errors share no base; only a failed write can raise in here.
        text = str(error).lower()
        theirs = type(error).__module__.partition(".")[0] in _WRITERS
        if theirs or any(word in text for word in _WRITE_WORDS):
            raise OutputError(*_sentence(Path(path), error)) from error
        raise


def _is_full(folder: Path) -> bool:
    """Return whether the disk of a folder has no room for a file."""
    try:
        return shutil.disk_usage(folder).free < _NO_ROOM
    except OSError:
        return False


def _sentence(path: Path, error: Exception) -> tuple[str, str]:
    code = getattr(error, "errno", None)
    if code == errno.ENOSPC:
        return f"{path.name}: could not be written, the disk is full.", (
            "free some space or choose another folder with -o"
        )
    if code == errno.EROFS:
        return f"{path.name}: could not be written, the place is read-only.", (
            "choose another folder with -o"
        )
    if code in (errno.EACCES, errno.EPERM):
        return f"{path.name}: could not be written, it is not permitted here.", (
            "choose a folder of your own with -o"
        )
    if code in (errno.ENOTDIR, errno.EEXIST):
        return f"{path}: a file stands where a folder is needed.", (
            "choose another folder with -o"
        )
    # What a library says is for -vv; the system's own word helps anybody.
    told = getattr(error, "strerror", None)
    reason = f" ({told[0].lower()}{told[1:]})" if told else ""
    return f"{path.name}: could not be written{reason}.", (
        "look at the disk, or choose another folder with -o"
    )


def _force(path: Path) -> None:
    if os.name == "nt" and path.is_dir():  # Windows cannot open folders
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _fault_point() -> None:
    """Fail on purpose at the N-th call when the tests ask for it.

    TRAFFICMAP_FAULT is ``N:kill`` or ``N:ERRNO`` as ``3:ENOSPC``.
    """
    wanted = os.environ.get("TRAFFICMAP_FAULT")
    if not wanted:
        return
    global _calls
    _calls += 1
    number, _, what = wanted.partition(":")
    if _calls == int(number):
        if what == "kill":
            os._exit(137)
        code = getattr(errno, what)
        raise OSError(code, os.strerror(code))
