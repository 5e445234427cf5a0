"""``trafficmap explain``: why one spot is what it is."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(name="explain")
@click.argument("folder", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--audit",
    is_flag=True,
    help="Also work the stress a second way: patches cut into small pieces, every "
    "wheel added.",
)
@click.option(
    "--at",
    "place",
    required=True,
    metavar="LON,LAT",
    help="Place in degrees, as -84.0021,41.3087.",
)
def command(folder: Path, place: str, *, audit: bool) -> None:
    """Say why a spot is what it is, down to machine, date, load, moisture, formula.

    \b
    Example:
      trafficmap explain demo-out --at -84.0021,41.3087
    """
    try:
        lon, lat = (float(part) for part in place.split(","))
    except ValueError:
        msg = f"--at: got {place!r}, need two numbers LON,LAT as -84.0021,41.3087."
        raise click.UsageError(msg) from None
    if not (-180 <= lon <= 180 and -90 <= lat <= 90):
        msg = f"--at: got {place!r}, need longitude first, then latitude, in degrees."
        raise click.UsageError(msg)
    from trafficmap.outputs.explain import explain

    click.echo(explain(folder, lon, lat, audit=audit))
