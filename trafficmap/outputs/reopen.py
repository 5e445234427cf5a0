"""A finished run opened again: its field found, its inputs checked, run once more."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trafficmap import pipeline
from trafficmap.core.errors import InputError
from trafficmap.core.progress import Progress, silent
from trafficmap.core.settings import Settings, settings_from_dict
from trafficmap.field import read_field
from trafficmap.field.strict import FILE
from trafficmap.outputs import probe_records
from trafficmap.outputs.run_folder import ORIGIN_NAME, read_run

if TYPE_CHECKING:
    from trafficmap.field.model import Field
    from trafficmap.pipeline import Result


@dataclass(frozen=True)
class Reopened:
    """A finished run and the field folder it was made from.

    Parameters
    ----------
    out, folder : Path
        The run folder, and the folder that holds field.toml.
    document : dict
        run.json.
    settings : Settings
        Those of the run.
    """

    out: Path
    folder: Path
    document: dict[str, Any]
    settings: Settings

    def field(
        self, *, may_differ: tuple[str, ...] = (), progress: Progress = silent
    ) -> Field:
        """Read the field again and make sure it is the one that was run.

        Parameters
        ----------
        may_differ : tuple of str
            Names of inputs that may have changed, be new or be gone since.
        progress : callable
            Told how far reading is, from 0 to 1.

        Raises
        ------
        InputError
            A file changed, is new, or is gone since the run.
        """
        field, _ = read_field(self.folder, progress=progress)
        field = probe_records.put_back(field, self.out, self.document["inputs"])
        before = _hashes(self.document["inputs"], may_differ)
        now = _hashes(field.inputs, may_differ)
        if changed := sorted({name for name, _ in before ^ now}):
            names = ", ".join(changed)
            msg = (
                f"{self.folder.name}: {names} {'is' if len(changed) == 1 else 'are'} "
                f"not what {self.out.name} was made from, need the same files."
            )
            again = f"trafficmap run {self.folder.name} -o {self.out.name} --overwrite"
            raise InputError(msg, f"run the field again first: {again}")
        return field

    def result(
        self, *, may_differ: tuple[str, ...] = (), progress: Progress = silent
    ) -> Result:
        """Run the line again with the settings of the run; see `field` for errors."""
        field = self.field(
            may_differ=may_differ, progress=lambda share, m: progress(0.2 * share, m)
        )
        return pipeline.run(
            field,
            self.settings,
            progress=lambda share, m: progress(0.2 + 0.8 * share, m),
        )


def reopen(out: Path, *, folder: Path | None = None) -> Reopened:
    """Open a finished run again.

    Parameters
    ----------
    out : Path
        A run folder.
    folder : Path, optional
        The folder that holds field.toml; where it was at the run if left out.

    Returns
    -------
    Reopened
        Nothing but run.json was read yet.

    Raises
    ------
    InputError
        `out` is no finished run of this version, or its field is not there any more.
    """
    out = Path(out)
    document = read_run(out)
    found = Path(folder) if folder is not None else _origin(out)
    if not (found / FILE).is_file():
        msg = (
            f"{found.name}: holds no {FILE}, need the folder {out.name} was made from."
        )
        raise InputError(msg, "say where it is now: --field DIR")
    return Reopened(
        out=out,
        folder=found,
        document=document,
        settings=settings_from_dict(document["settings"]),
    )


def _origin(out: Path) -> Path:
    """Return where the field was when it was run."""
    try:
        told = json.loads((out / ORIGIN_NAME).read_text(encoding="utf-8"))["folder"]
        return Path(os.path.normpath(out / str(told)))
    except (OSError, ValueError, KeyError, TypeError):
        msg = f"{out.name}: does not say where its field is, need the field's folder."
        raise InputError(msg, "say where it is: --field DIR") from None


def _hashes(
    inputs: list[dict] | tuple[dict, ...], leave_out: tuple[str, ...]
) -> set[tuple[str, str]]:
    return {
        (entry["name"], entry["sha256"])
        for entry in inputs
        if entry["name"] not in leave_out
    }
