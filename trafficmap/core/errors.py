"""One family of errors; each knows its exit code and what the person can try."""

from __future__ import annotations

from collections.abc import Sequence


class TrafficmapError(Exception):
    """Base of every error raised on purpose.

    Parameters
    ----------
    sentence : str
        What is wrong, where, and what is needed, in one plain sentence.
    hint : str, optional
        What to do next; the command line prints it as a line "Try: ...".
    choices : sequence of (line, meaning), optional
        Lines of field.toml that would settle it, and what each would mean; a new
        field.toml then asks with them.
    """

    exit_code = 1

    def __init__(
        self,
        sentence: str,
        hint: str | None = None,
        *,
        choices: Sequence[tuple[str, str]] = (),
    ) -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.hint = hint
        self.choices = tuple(choices)


class InputError(TrafficmapError):
    """Something a person handed in cannot be used as it stands."""

    exit_code = 3


class SettingsError(InputError):
    """A key of field.toml or of the settings is unknown, missing or out of range."""


class CRSError(InputError):
    """A coordinate system is missing, unknown or does not fit the place."""


class TableError(InputError):
    """A table breaks its contract: a column, a type or a value."""


class GridMismatchError(TrafficmapError):
    """Two things lie on different grids and were about to be combined."""


class LayerError(TrafficmapError):
    """A layer is not in the layer book or does not fit its entry."""


class ModelRangeError(InputError):
    """A formula was asked outside the range its source allows."""


class RunFolderBusyError(TrafficmapError):
    """Another run is writing into the same folder."""

    exit_code = 5


class OutputError(TrafficmapError):
    """A result could not be written: disk full, read-only, or not permitted."""

    exit_code = 6
