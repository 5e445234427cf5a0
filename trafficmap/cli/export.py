"""``trafficmap export``: display files and GIS files from a finished run."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

KINDS = ("taskdata", "shapefile", "geopackage", "geojson", "geotiff", "csv")


@click.command(name="export")
@click.argument("folder", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--to",
    "kinds",
    required=True,
    multiple=True,
    type=click.Choice(KINDS),
    help="Kind of file; give it again for more.",
)
@click.option(
    "-o",
    "--output",
    "dest",
    required=True,
    metavar="DEST",
    type=click.Path(path_type=Path),
    help="Folder for the files.",
)
@click.option(
    "--iso-version",
    type=click.Choice(["3", "4"]),
    default="3",
    show_default=True,
    help="ISO 11783-10 version for taskdata.",
)
@click.option(
    "--form",
    type=click.Choice(["grid", "polygons"]),
    default="grid",
    show_default=True,
    help="How taskdata carries the zones.",
)
@click.option(
    "--leave-alone-depth",
    type=int,
    default=0,
    show_default=True,
    metavar="MM",
    help="Depth sent for ground left alone.",
)
@click.option(
    "--units",
    type=click.Choice(["in", "cm", "mm"]),
    default=None,
    help="Unit of the depth a display reads from a shapefile.",
)
@click.option("--overwrite", is_flag=True, help="Replace files already in DEST.")
@click.option("--dry-run", is_flag=True, help="Say what would be written.")
def command(
    folder: Path,
    kinds: tuple[str, ...],
    dest: Path,
    iso_version: str,
    form: Literal["grid", "polygons"],
    leave_alone_depth: int,
    units: Literal["in", "cm", "mm"] | None,
    overwrite: bool,
    dry_run: bool,
) -> None:
    """Write display files and GIS files from a finished run.

    \b
    Example:
      trafficmap export demo-out --to taskdata --to shapefile -o stick
    """
    from trafficmap.outputs.export import export

    written = export(
        folder,
        kinds,
        dest=dest,
        overwrite=overwrite,
        units=units,
        iso_version=int(iso_version),
        form=form,
        leave_alone_depth=leave_alone_depth,
        dry_run=dry_run,
    )
    for path in written:
        click.echo(f"{'would write' if dry_run else 'wrote'} {path}")
