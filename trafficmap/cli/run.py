"""``trafficmap run``: the whole line, from logs to zones and display files."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from trafficmap.cli._show import Bar, say, show_notes

if TYPE_CHECKING:
    from trafficmap.core.settings import Settings


class _Depth(click.ParamType):
    """A depth with its unit, as 13in or 33cm; given to the program in metres."""

    name = "depth"

    def convert(
        self, value: str, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(in|cm)\s*", str(value))
        if not found:
            self.fail(
                f"got {value!r}, need a depth with its unit as 13in or 33cm", param, ctx
            )
        from trafficmap.core.units import to_si

        return to_si(float(found[1]), found[2])


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
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="TOML file with settings that differ from the defaults.",
)
@click.option("--cell", type=float, metavar="M", help="Side of a grid cell in metres.")
@click.option(
    "--assume-confirmed",
    type=_Depth(),
    metavar="BOTTOM",
    help="You have dug: take a layer with this bottom (13in, 33cm) as confirmed "
    "wherever no finding settles it. Printed on every result.",
)
@click.option(
    "--draws",
    type=click.IntRange(20, 10_000),
    metavar="N",
    help="Draw N seasons that could have been: how much ground is damaged, taken "
    "together, and what matters most. 200 is usual; takes some runs' time.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31 - 1),
    metavar="K",
    help="With --draws: the same seed draws the same seasons (1 if left out).",
)
@click.option("--events", is_flag=True, help="Put every wheel event into field.gpkg.")
@click.option("--json", "as_json", is_flag=True, help="Print run.json, nothing else.")
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
    assume_confirmed: float | None,
    draws: int | None,
    seed: int | None,
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

    settings = read_settings(settings_file) if settings_file else settings_from_dict({})
    if cell is not None:
        settings = _with(settings, "traffic", cell=cell)
    if assume_confirmed is not None:
        settings = _with(settings, "zones", assume_confirmed=assume_confirmed)
    if draws is not None:
        settings = _with(settings, "risk", draws=draws)
    if seed is not None:
        settings = _with(settings, "risk", draw_seed=seed)
    with run_folder(output, overwrite=overwrite):
        try:
            field, _ = read_field(folder, progress=lambda f, m: bar(0.15 * f, m))
            result = run(field, settings, progress=lambda f, m: bar(0.15 + 0.7 * f, m))
            bar(0.85, "write maps and files")
            written = write_run(result, output, overwrite=overwrite, events=events)
        finally:
            bar.close()
    document = (written / "run.json").read_text(encoding="utf-8")
    if as_json:
        click.echo(document, nl=False)
    else:
        if not quiet:
            show_notes(
                result.notes,
                most=None if ctx.obj["verbose"] else 8,
                units=field.units,
            )
        click.echo(json.loads(document)["sentence"])
        click.echo(f"map: {written / 'map.html'}")
    if profile:
        say(bar.table())
    stopped = any(note.severity == "stop" for note in result.notes)
    return 4 if strict and stopped else 0


def _with(settings: Settings, section: str, **values: object) -> Settings:
    """Return settings with some values changed, checked at the door once more."""
    from trafficmap.core.settings import settings_as_dict, settings_from_dict

    plain = settings_as_dict(settings)
    plain[section].update(values)
    return settings_from_dict(plain)
