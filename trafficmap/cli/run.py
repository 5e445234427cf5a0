"""``trafficmap run``: the whole line, from logs to zones and display files."""

from __future__ import annotations

from pathlib import Path

import click

from trafficmap.cli._show import Bar, say, show_notes


@click.command(name="run")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    "output",
    required=True,
    metavar="OUT",
    type=click.Path(path_type=Path),
    help="Folder for the results.",
)
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    help="TOML file with settings that differ from the defaults.",
)
@click.option("--cell", type=float, help="Side of a grid cell in metres.")
@click.option(
    "--assume-confirmed",
    is_flag=True,
    help="You have dug: take likely layers as confirmed (printed everywhere).",
)
@click.option("--events", is_flag=True, help="Put every wheel event into field.gpkg.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print run.json and nothing else."
)
@click.option("--strict", is_flag=True, help="Exit with 4 when a stop note stands.")
@click.option("--profile", is_flag=True, help="Print how long each stage took.")
@click.option("--overwrite", is_flag=True, help="Replace an earlier result in OUT.")
@click.pass_context
def command(
    ctx: click.Context,
    folder: Path,
    output: Path,
    settings_file: Path | None,
    cell: float | None,
    assume_confirmed: bool,
    events: bool,
    as_json: bool,
    strict: bool,
    profile: bool,
    overwrite: bool,
) -> int:
    """Run the whole line: logs, loads, soil, risk, zones, plan, files.

    \b
    Example:
      trafficmap run demo -o demo-out
    """
    quiet = ctx.obj["quiet"] or as_json
    bar = Bar(quiet=quiet)
    bar(0.0, "load the program")
    from trafficmap.core.settings import read_settings, settings_from_dict
    from trafficmap.field import read_field
    from trafficmap.outputs.run_folder import run_folder, write_run
    from trafficmap.pipeline import run

    given = read_settings(settings_file) if settings_file else settings_from_dict({})
    if cell is not None:
        given = _replace(given, "traffic", cell=cell)
    if assume_confirmed:
        given = _replace(given, "zones", assume_confirmed=True)
    with run_folder(output, overwrite=overwrite):
        try:
            field, _ = read_field(folder, progress=lambda f, m: bar(0.15 * f, m))
            result = run(field, given, progress=lambda f, m: bar(0.15 + 0.7 * f, m))
            bar(0.85, "write maps and files")
            written = write_run(result, output, overwrite=overwrite, events=events)
        finally:
            bar.close()
    if as_json:
        click.echo((written / "run.json").read_text(encoding="utf-8"))
    else:
        if not quiet:
            show_notes(result.notes, most=None if ctx.obj["verbose"] else 8)
        click.echo(result.sentence)
        click.echo(f"map: {written / 'map.html'}")
    if profile:
        say(bar.table())
    stopped = any(note.severity == "stop" for note in result.notes)
    return 4 if strict and stopped else 0


def _replace(settings, section: str, **values):
    import msgspec

    part = msgspec.structs.replace(getattr(settings, section), **values)
    changed = msgspec.structs.replace(settings, **{section: part})
    # Going through the door once more refuses values out of range.
    from trafficmap.core.settings import settings_as_dict, settings_from_dict

    return settings_from_dict(settings_as_dict(changed))
