"""Options that several commands share, so that they read and work the same."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable

field_folder = click.option(
    "--field",
    "folder",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder with field.toml, where it is not where the run left it.",
)


def output_folder(metavar: str, *, told: str) -> Callable[[Any], Any]:
    """Return the option -o for a folder that a command makes."""
    return click.option(
        "-o",
        "--output",
        "output",
        metavar=metavar,
        type=click.Path(path_type=Path),
        help=told,
    )


def overwrite(told: str) -> Callable[[Any], Any]:
    """Return the option --overwrite."""
    return click.option("--overwrite", is_flag=True, help=told)
