"""``trafficmap new``: a field folder from whatever logs a person has."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(name="new")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.argument(
    "logs", metavar="LOG...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
def command(folder: Path, logs: tuple[Path, ...]) -> None:
    """Start a field folder from whatever logs you have.

    Nothing is copied: field.toml names the logs by their whole path, marks every guess
    and asks for every missing fact in a comment. What it writes runs as it stands, with
    less in the answer.

    \b
    Example:
      trafficmap new north_forty /media/stick/TASKDATA combine.csv
    """
    from trafficmap.field.scaffold import new_field

    written = new_field(folder, list(logs))
    for path in written:
        click.echo(f"wrote {path}")
        if "# NEEDED before this log can be read" in path.read_text(encoding="utf-8"):
            click.echo("  it asks how to read a log: answer the lines marked NEEDED")
    first = written[0].parent if written[0].is_file() else written[0]
    click.echo(f"next: trafficmap check {first}")
