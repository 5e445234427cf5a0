"""``trafficmap review``: after harvest, did the work pay."""

from __future__ import annotations

import json
import math
from pathlib import Path

import click

from trafficmap.cli._options import output_folder, overwrite
from trafficmap.cli._show import say, show_notes


@click.command(name="review")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--yield",
    "logs",
    metavar="FILE",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    help="Harvest log of the crop after the work; several may be given.",
)
@click.option("--crop", metavar="NAME", help="What was harvested, if not as planned.")
@click.option(
    "--price",
    type=click.FloatRange(min=0, min_open=True),
    metavar="MONEY",
    help="What the crop brought, by the tonne (metric field) or bushel (US field).",
)
@click.option(
    "--cost",
    type=click.FloatRange(min=0),
    metavar="MONEY",
    help="What the work really cost beyond the usual, by the hectare or acre.",
)
@click.option(
    "--lag",
    type=click.FloatRange(min=0, max=60),
    metavar="SECONDS",
    help="From cutting to the flow sensor; read from the log if left out.",
)
@output_folder(
    "NEW", told="Folder for table and page; only a text is shown if left out."
)
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
@overwrite("Replace an earlier answer in NEW.")
@click.pass_context
def command(
    ctx: click.Context,
    out: Path,
    logs: tuple[Path, ...],
    crop: str | None,
    price: float | None,
    cost: float | None,
    lag: float | None,
    output: Path | None,
    *,
    as_json: bool,
    overwrite: bool,
) -> None:
    """Compare treated ground with its check strips by next year's harvest.

    OUT is the run that was worked from. The answer is: it paid, it did not pay, or
    cannot tell yet, with its range.

    \b
    Example:
      trafficmap review demo-out --yield harvest.csv -o demo-review
    """
    from trafficmap.core.settings import settings_from_dict
    from trafficmap.formats.logs import read_logs
    from trafficmap.outputs.compare_files import require_free
    from trafficmap.outputs.review_files import (
        NAMES,
        review_document,
        review_text,
        told_money,
        write_review,
        zones_of_run,
    )
    from trafficmap.outputs.run_folder import read_run
    from trafficmap.season import review
    from trafficmap.season.yields import (
        assumed_notes,
        money_of,
        require_later,
        yield_readings,
    )

    if output is not None:
        require_free(output, NAMES, overwrite=overwrite, what="a review")
    document = read_run(out)
    zones = zones_of_run(out)
    settings = settings_from_dict(document["settings"])
    told, prices = told_money(document)
    found = [log for path in logs for log in read_logs(path)]
    notes = require_later(found, document["newest_input"])
    name = (crop or told.next or told.now).strip().lower().replace(" ", "_")
    units = document["field"]["units"]
    value, spent, moisture, more = money_of(
        told,
        prices,
        crop=name,
        price=math.nan if price is None else price,
        cost=math.nan if cost is None else cost,
        units=units,
        settings=settings.plan,
    )
    readings, said = yield_readings(
        found,
        epsg=document["field"]["epsg"],
        settings=settings.season,
        moisture=moisture,
        lag=lag,
    )
    answer = review(zones, readings, price=value, cost=spent, settings=settings.season)
    answer = answer.with_notes([*assumed_notes(settings), *notes, *more, *said])
    if output is not None:
        write_review(answer, output, document=document, crop=name)
    if as_json:
        plain = review_document(answer, document=document, crop=name)
        click.echo(json.dumps(plain, indent=1, ensure_ascii=False))
        return
    click.echo(review_text(answer, document=document, crop=name), nl=False)
    if output is not None:
        click.echo(f"page: {output / 'review.html'}")
    if ctx.obj["verbose"]:
        show_notes(answer.notes)
        say(f"{len(readings)} yield readings were used")
