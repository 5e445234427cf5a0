"""``trafficmap check``: what was found, assumed and missing, and what gaps cost."""

from __future__ import annotations

from pathlib import Path

import click

from trafficmap.cli._show import Bar


@click.command(name="check")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option(
    "--draw",
    metavar="OUT",
    type=click.Path(path_type=Path),
    help="Draw each machine to scale into this folder.",
)
@click.option("--strict", is_flag=True, help="Exit with 4 when a stop note stands.")
@click.pass_context
def command(
    ctx: click.Context,
    folder: Path,
    as_json: bool,
    draw: Path | None,
    strict: bool,
) -> int:
    """Read everything, compute nothing, and say what was understood.

    \b
    Example:
      trafficmap check demo
      trafficmap check demo --draw machines   # look whether wheels are where they are
    """
    import json
    from dataclasses import replace

    from trafficmap.core.notes import worst_first
    from trafficmap.core.settings.loads import LoadSettings
    from trafficmap.field import read_field
    from trafficmap.field.report import check_lines
    from trafficmap.loads import compare_clocks

    bar = Bar(quiet=ctx.obj["quiet"] or as_json)
    try:
        field, notes = read_field(folder, progress=bar)
    finally:
        bar.close()
    # Tracks of machines that met tell whether their clocks agree.
    clocks = compare_clocks(
        field.fixes,
        machines=field.machines,
        settings=LoadSettings(),
        log_names={log.log_id: log.path.name for log in field.logs},
        log_offsets={log.log_id: log.clock_offset for log in field.logs},
    )
    notes = [*notes, *clocks]
    lines = check_lines(replace(field, notes=(*field.notes, *clocks)))
    if draw is not None:
        from trafficmap.outputs.machine_drawing import write_drawings

        drawn = write_drawings(field.machines, draw, units=field.units)
        lines += [f"Drawn: {path}" for path in drawn]
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
