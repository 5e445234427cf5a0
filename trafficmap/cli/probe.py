"""``trafficmap probe``: where to probe, and what the readings change."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from trafficmap.cli._options import field_folder, output_folder, overwrite
from trafficmap.cli._show import Bar, say, show_notes

if TYPE_CHECKING:
    from collections.abc import Callable

    from trafficmap.core.progress import Progress
    from trafficmap.field.model import Field
    from trafficmap.pipeline import Result

_SIZES = {"large": 20.27, "small": 12.83}


class _Cone(click.ParamType):
    """Size of a cone: large, small, or its diameter in millimetres."""

    name = "cone"

    def convert(
        self, value: str, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        word = str(value).strip().lower().removesuffix("mm").strip()
        try:
            size = _SIZES.get(word) or float(word)
        except ValueError:
            size = 0.0
        if not 10.0 <= size <= 26.0:
            self.fail(
                f"got {value!r}, need large, small, or a diameter of 10 to 26 mm",
                param,
                ctx,
            )
        return size / 1000.0


@click.group(name="probe")
def command() -> None:
    """Say where a probe pays, and read what was found.

    \b
    Example:
      trafficmap probe plan demo-out --stops 20
      trafficmap probe read demo-out record.csv -o demo-probed
    """


@command.command(name="plan")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@output_folder("DIR", told="Folder for the plan; OUT/probe if left out.")
@click.option(
    "--stops",
    type=click.IntRange(1, 1000),
    metavar="N",
    help="Stops to spend; shared out so that they are worth the most.",
)
@click.option(
    "--within",
    type=click.FloatRange(5, 50),
    metavar="PCT",
    help="How near the mean of a zone is to come to the truth, in percent; says how "
    "many stops a zone gets (10 stops come within 16).",
)
@click.option(
    "--every-zone", is_flag=True, help="Stops also where no finding would pay."
)
@field_folder
@overwrite("Replace an earlier plan.")
@click.pass_context
def plan_command(
    ctx: click.Context,
    out: Path,
    output: Path | None,
    stops: int | None,
    within: float | None,
    every_zone: bool,
    folder: Path | None,
    overwrite: bool,
) -> None:
    """Choose the few spots that would change the decision most.

    Each comes with its twin beside the track, in walking order: as GPX, GeoPackage, a
    sheet to print and a table to fill.

    \b
    Example:
      trafficmap probe plan demo-out --stops 20
    """
    bar = Bar(quiet=ctx.obj["quiet"])
    from trafficmap.outputs.probe_files import write_probe_plan
    from trafficmap.outputs.probe_words import idle_rows, plan_sentence, value_rows
    from trafficmap.probing import plan_probes, without_assumption

    try:
        result = _again(out, folder, lambda share, m: bar(0.9 * share, m))
        bar(0.9, "weigh the stops")
        result, dropped = without_assumption(result)
        plan, notes = plan_probes(
            result,
            most=stops,
            within=None if within is None else within / 100.0,
            every_zone=every_zone,
        )
        notes = [*dropped, *notes]
        place = output if output is not None else out / "probe"
        write_probe_plan(
            plan, result, place, notes=notes, out=out.name, overwrite=overwrite
        )
    finally:
        bar.close()
    currency = result.field.prices.currency
    if not ctx.obj["quiet"]:
        show_notes(notes)
    for row in value_rows(plan, currency=currency):
        click.echo(
            f"zone {row['zone']}: {row['stops']} stops, worth {row['value']} "
            f"({row['by_stop']} a stop); layer in reach {row['chance']}, ripping "
            f"{row['needed']}"
        )
    for row in idle_rows(plan):
        click.echo(f"no stop in {row['zones']}. {row['why']}")
    click.echo(plan_sentence(plan, currency=currency, units=result.field.units))
    click.echo(f"sheet: {place / 'record.html'}")


@command.command(name="read")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.argument("record", metavar="FILE", type=click.Path(path_type=Path))
@output_folder(
    "NEW", told="Folder for the new answer; OUT itself if left out, with --overwrite."
)
@click.option(
    "--cone",
    type=_Cone(),
    metavar="SIZE",
    help="Size of the cone where FILE does not say it: large, small or its diameter "
    "in mm.",
)
@click.option(
    "--unit-checked", is_flag=True, help="The unit is right, odd as the readings are."
)
@click.option(
    "--date-format",
    type=click.Choice(["ymd", "dmy", "mdy"]),
    help="Order of day, month and year in FILE, where it cannot be told.",
)
@click.option("--epsg", type=int, metavar="CODE", help="System of easting, northing.")
@field_folder
@overwrite("Replace an earlier result.")
@click.pass_context
def read_command(
    ctx: click.Context,
    out: Path,
    record: Path,
    output: Path | None,
    cone: float | None,
    unit_checked: bool,
    date_format: str | None,
    epsg: int | None,
    folder: Path | None,
    overwrite: bool,
) -> None:
    """Put readings to a run: chances, zones and money before and after.

    The earlier answer is kept beside the new one, and so is FILE.

    \b
    Example:
      trafficmap probe read demo-out record.csv -o demo-probed
    """
    from trafficmap.core.errors import InputError
    from trafficmap.field.readings import Told, read_readings
    from trafficmap.outputs.probe_report import report_lines, write_reading
    from trafficmap.outputs.run_folder import run_folder
    from trafficmap.probing import read_probes

    place = output if output is not None else out
    if output is None and not overwrite:
        msg = f"{out.name}: holds the answer before the readings, which would go."
        raise InputError(msg, "give a new folder with -o, or add --overwrite")
    told = Told(
        cone=cone, unit_checked=unit_checked, date_format=date_format, epsg=epsg
    )
    bar = Bar(quiet=ctx.obj["quiet"])
    with run_folder(place, overwrite=overwrite):
        try:
            before = _again(
                out,
                folder,
                lambda share, m: bar(0.6 * share, m),
                # A record that cannot be used is refused before the line runs.
                look=lambda field: read_readings(record, field=field, told=told),
            )
            reading = read_probes(
                before, record, told=told, progress=lambda s, m: bar(0.6 + 0.2 * s, m)
            )
            bar(0.85, "write maps and files")
            made = write_reading(
                reading, record, place, out=out, told=told, overwrite=overwrite
            )
        finally:
            bar.close()
    if not ctx.obj["quiet"]:
        show_notes(reading.notes)
    for line in report_lines(reading):
        click.echo(line)
    click.echo(f"before and after: {made / 'update.html'}")
    click.echo(f"map: {place / 'map.html'}")
    say(
        f"To keep the readings with the field, copy {record.name} into its folder and "
        "name it in field.toml: [dug] file."
    )


def _again(
    out: Path,
    folder: Path | None,
    progress: Progress,
    *,
    look: Callable[[Field], object] = lambda _: None,
) -> Result:
    """Return the result of a finished run, worked out once more."""
    progress(0.0, "open the run")
    from trafficmap import pipeline
    from trafficmap.outputs.reopen import reopen

    run = reopen(out, folder=folder)
    field = run.field(progress=lambda share, m: progress(0.2 * share, m))
    look(field)
    return pipeline.run(
        field,
        run.settings,
        progress=lambda share, m: progress(0.2 + 0.8 * share, m),
    )
