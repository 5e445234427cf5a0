"""``trafficmap compare``: the season driven again, another way."""

from __future__ import annotations

import json
from pathlib import Path

import click

from trafficmap.cli._options import field_folder, output_folder, overwrite
from trafficmap.cli._show import Bar, show_notes


@click.command(name="compare")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--change",
    "changes_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="TOML file; each table is a change, driven alone and all together.",
)
@click.option(
    "--suggest/--no-suggest",
    "suggestions",
    default=True,
    help="Look for lanes and loading places as well (the default).",
)
@output_folder(
    "NEW",
    told="Folder for table, page and GeoPackage; only a text is shown if left out.",
)
@field_folder
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
@overwrite("Replace an earlier answer in NEW.")
@click.pass_context
def command(
    ctx: click.Context,
    out: Path,
    changes_file: Path | None,
    suggestions: bool,
    output: Path | None,
    folder: Path | None,
    *,
    as_json: bool,
    overwrite: bool,
) -> None:
    """Drive the season of a run again with other tires, loads, tracks or days.

    Without --change only lanes and loading places are looked for. OUT stays as it is;
    each change takes about as long as the run did.

    \b
    Example:
      trafficmap compare demo-out --change changes.toml -o demo-next
    """
    quiet = ctx.obj["quiet"] or as_json
    if changes_file is None and not suggestions:
        msg = "nothing to do: give --change FILE, or leave --no-suggest out."
        raise click.UsageError(msg)
    from trafficmap.outputs.run_folder import read_run

    # A folder without a run is said at once, before the line is loaded.
    read_run(out)
    bar = Bar(quiet=quiet)
    import pandas as pd

    from trafficmap.outputs.compare_files import (
        NAMES,
        comparison_document,
        comparison_text,
        require_free,
        write_comparison,
    )
    from trafficmap.outputs.reopen import reopen
    from trafficmap.season import compare, read_changes

    if output is not None:
        require_free(output, NAMES, overwrite=overwrite, what="a comparison")
    run = reopen(out, folder=folder)
    mark = str(run.document["run"])
    try:
        field = run.field(progress=lambda share, words: bar(0.05 * share, words))
        changes = (
            read_changes(changes_file, machines=field.machines)
            if changes_file is not None
            else []
        )
        found = compare(
            field,
            changes,
            settings=run.settings,
            suggestions=suggestions,
            progress=lambda share, words: bar(0.05 + 0.95 * share, words),
        )
    finally:
        bar.close()
    if output is not None:
        date = pd.Timestamp(run.document["newest_input"] or "1980-01-01")
        write_comparison(found, output, mark=mark, date=date)
    if as_json:
        document = comparison_document(found, mark=mark)
        click.echo(json.dumps(document, indent=1, ensure_ascii=False))
        return
    if not quiet:
        show_notes(found.notes[found.table["change"].iloc[0]])
    click.echo(comparison_text(found), nl=False)
    if output is not None:
        click.echo(f"page: {output / 'compare.html'}")
