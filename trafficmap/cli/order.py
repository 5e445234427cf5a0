"""``trafficmap order``: which field and zone first, in the hours there are."""

from __future__ import annotations

from pathlib import Path

import click

from trafficmap.cli._show import say, show_notes


@click.command(name="order")
@click.argument(
    "outs", metavar="OUT...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--hours",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Table day,from,to: when the rig can be out. Lines with a field, and a zone, "
    "say when that ground is fit.",
)
@click.option(
    "--hours-per-day",
    type=float,
    metavar="H",
    help="Instead of a table: the same hours every day, from 8 in the morning.",
)
@click.option(
    "--days",
    type=click.IntRange(1, 120),
    metavar="N",
    help="With --hours-per-day: so many days (14 if left out).",
)
@click.option(
    "--from",
    "start",
    metavar="DAY",
    help="With --hours-per-day: the first day, as 2026-11-02.",
)
@click.option(
    "--moves",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Table from,to,minutes: ways between fields you know better.",
)
@click.option(
    "--by-hand",
    is_flag=True,
    help="You test every zone by hand: use all hours, whatever the forecast says.",
)
@click.option(
    "-o",
    "--output",
    "output",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="order.html, order.csv or order.json; only shown if left out.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
@click.option("--overwrite", is_flag=True, help="Replace an earlier answer.")
@click.pass_context
def command(
    ctx: click.Context,
    outs: tuple[Path, ...],
    hours: Path | None,
    hours_per_day: float | None,
    days: int | None,
    start: str | None,
    moves: Path | None,
    output: Path | None,
    *,
    by_hand: bool,
    as_json: bool,
    overwrite: bool,
) -> None:
    """Put zones of one or more finished runs in order for the hours there are.

    Every OUT is the run folder of one field. What does not fit is cut, with the
    reason; nothing is worked outside its fit hours.

    \b
    Example:
      trafficmap order north-out south-out --hours-per-day 10 -o order.html
    """
    if (hours is None) == (hours_per_day is None):
        msg = "give --hours FILE or --hours-per-day H, one of them"
        raise click.UsageError(msg)
    if hours is not None and (days is not None or start is not None):
        msg = "--days and --from go with --hours-per-day only"
        raise click.UsageError(msg)
    from trafficmap.outputs.order_files import file_kind, order_runs, refuse_taken
    from trafficmap.outputs.order_page import lines

    if output is not None:
        file_kind(output)
        refuse_taken(output, overwrite=overwrite)
    answer = order_runs(
        outs,
        hours=hours,
        hours_per_day=hours_per_day,
        days=14 if days is None else days,
        start=start,
        moves=moves,
        by_hand=by_hand,
    )
    if output is not None:
        answer.write(output, overwrite=overwrite)
    quiet = ctx.obj["quiet"] or as_json
    if not quiet:
        show_notes(answer.notes)
    if as_json:
        click.echo(answer.text("json"), nl=False)
        return
    click.echo(answer.sentence())
    if not quiet:
        for line in lines(answer):
            click.echo(line)
    if output is not None:
        say(f"order: {output}")
