"""``trafficmap check``: what was found, assumed and missing, and what gaps cost."""

from __future__ import annotations

from pathlib import Path

import click

from trafficmap.cli._show import Bar


@click.command(name="check")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option("--strict", is_flag=True, help="Exit with 4 when a stop note stands.")
@click.pass_context
def command(ctx: click.Context, folder: Path, as_json: bool, strict: bool) -> int:
    """Read everything, compute nothing, and say what was understood.

    \b
    Example:
      trafficmap check demo
    """
    import json

    from trafficmap.core.notes import worst_first
    from trafficmap.field import read_field
    from trafficmap.field.report import check_lines

    bar = Bar(quiet=ctx.obj["quiet"] or as_json)
    try:
        field, notes = read_field(folder, progress=bar)
    finally:
        bar.close()
    lines = check_lines(field)
    if as_json:
        document = {
            "schema": 1,
            "field": field.name,
            "lines": lines,
            "notes": [note.as_dict() for note in worst_first(notes)],
        }
        click.echo(json.dumps(document, indent=1, ensure_ascii=False))
    else:
        for line in lines:
            click.echo(line)
    return 4 if strict and any(note.severity == "stop" for note in notes) else 0
