"""``trafficmap when``: the hours of the coming days in which zones are fit."""

from __future__ import annotations

import json
from pathlib import Path

import click

from trafficmap.cli._options import field_folder, output_folder, overwrite
from trafficmap.cli._show import Bar, show_notes


@click.command(name="when")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--forecast",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Coming days (date, tmin_c, tmax_c, rain_mm) or hours (time, temperature_c, "
    "rain_mm), units in the headings; that of field.toml if left out.",
)
@click.option(
    "--past",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Daily weather of past years (date, rain_mm, tmin_c, tmax_c): tells in how "
    "many of them a day was fit.",
)
@output_folder(
    "DIR", told="Folder for when.txt, when.json and the tables; only shown if left out."
)
@field_folder
@click.option("--json", "as_json", is_flag=True, help="Print when.json, nothing else.")
@overwrite("Replace an earlier answer in DIR.")
@click.pass_context
def command(
    ctx: click.Context,
    out: Path,
    forecast: Path | None,
    past: Path | None,
    output: Path | None,
    folder: Path | None,
    *,
    as_json: bool,
    overwrite: bool,
) -> None:
    """Say when each zone is fit: will it shatter, will it carry, when to look next.

    The forecast goes through the soil of the run: its rain wets it, its cold freezes
    it. The answer always ends with the hand test and a dug trial pass.

    \b
    Example:
      trafficmap when demo-out --forecast forecast.csv
    """
    quiet = ctx.obj["quiet"] or as_json
    bar = Bar(quiet=quiet)
    from trafficmap.outputs.when_files import Answer, answer, refuse_taken

    if output is not None:
        refuse_taken(output, overwrite=overwrite)
    try:
        found: Answer = answer(
            out, forecast=forecast, past=past, folder=folder, progress=bar
        )
    finally:
        bar.close()
    if output is not None:
        found.write(output)
    if not quiet:
        show_notes(found.notes)
    if as_json:
        click.echo(json.dumps(found.document, ensure_ascii=False, indent=1))
        return
    click.echo(found.text, nl=False)
