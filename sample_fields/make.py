"""Write an invented sample field: ``python -m sample_fields.make FOLDER [NAME]``."""

from __future__ import annotations

import sys
from pathlib import Path

from . import two_strips

_NAMES = ("ditch_sixty", "two_strips")


def names() -> tuple[str, ...]:
    """Return the names of the sample fields, the main one first."""
    return _NAMES


def write_sample(folder: Path, field: str = "ditch_sixty") -> Path:
    """Write the input folder of a sample field, and its truth, and return it.

    The same bytes every time. What stands in the folder under the same names is
    replaced; nothing else is touched.

    Parameters
    ----------
    folder : Path
        Made when it is not there.
    field : {"ditch_sixty", "two_strips"}

    Raises
    ------
    InputError
        No such sample field.
    """
    from trafficmap.core.errors import InputError
    from trafficmap.formats._files import make_folder, write_bytes

    if field not in _NAMES:
        msg = f"sample field: got {field!r}, need one of {', '.join(_NAMES)}."
        raise InputError(msg, f"try {_NAMES[0]}")
    folder = Path(folder)
    make_folder(folder)
    if field == "two_strips":
        for name, content in two_strips.files().items():
            write_bytes(folder / name, content)
    else:
        from .ditch_sixty import write

        write(folder)
    return folder


if __name__ == "__main__":
    write_sample(Path(sys.argv[1]), *sys.argv[2:3])
