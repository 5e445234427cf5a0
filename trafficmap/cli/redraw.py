"""``trafficmap redraw``: the zones of a run, drawn from another threshold."""

from __future__ import annotations

import json
from pathlib import Path

import click

from trafficmap.cli._options import field_folder, output_folder, overwrite
from trafficmap.cli._show import Bar, show_notes


@click.command(name="redraw")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--threshold",
    "thresholds",
    multiple=True,
    required=True,
    type=float,
    metavar="CHANCE",
    help="Ground seeds a zone from this chance of damage on, as 0.5; several may be "
    "given.",
)
@output_folder(
    "NEW",
    told="Folder for the whole result with the last threshold; only a table is shown "
    "if left out.",
)
@field_folder
@click.option("--json", "as_json", is_flag=True, help="Print the table as JSON.")
@overwrite("Replace an earlier result in NEW.")
@click.pass_context
def command(
    ctx: click.Context,
    out: Path,
    thresholds: tuple[float, ...],
    output: Path | None,
    folder: Path | None,
    *,
    as_json: bool,
    overwrite: bool,
) -> None:
    """Draw the zones of a run anew from another chance of damage.

    The field is measured once; each threshold then takes a moment. OUT stays as it is.

    \b
    Example:
      trafficmap redraw demo-out --threshold 0.2 --threshold 0.5
    """
    quiet = ctx.obj["quiet"] or as_json
    bar = Bar(quiet=quiet)
    from contextlib import nullcontext

    from trafficmap.outputs.reopen import reopen
    from trafficmap.outputs.run_folder import run_folder, write_run
    from trafficmap.outputs.thresholds import (
        redrawn,
        refuse_no_chance,
        thresholds_document,
        thresholds_text,
    )

    refuse_no_chance(thresholds)
    held = nullcontext() if output is None else run_folder(output, overwrite=overwrite)
    with held:
        try:
            result = reopen(out, folder=folder).result(
                progress=lambda share, words: bar(0.8 * share, words)
            )
            bar(0.8, "draw zones anew")
            drawn = redrawn(result, thresholds)
            last = next(row for row in drawn if row.threshold == thresholds[-1])
            if output is not None:
                bar(0.9, "write maps and files")
                write_run(last.result, output, overwrite=overwrite)
        finally:
            bar.close()
    if as_json:
        click.echo(json.dumps(thresholds_document(drawn), indent=1))
        return
    if not quiet:
        show_notes(
            last.result.notes,
            most=None if ctx.obj["verbose"] else 8,
            units=last.result.field.units,
        )
    click.echo(thresholds_text(drawn, units=result.field.units), nl=False)
    if output is not None:
        click.echo(f"map: {output / 'map.html'}")
