"""``trafficmap doctor``: versions of everything that matters, and is it sound."""

from __future__ import annotations

import click


@click.command(name="doctor")
def command() -> int:
    """Print the versions of everything that matters and try the install.

    \b
    Example:
      trafficmap doctor
    """
    import platform

    from trafficmap import __version__
    from trafficmap.outputs.manifest import versions

    click.echo(f"trafficmap {__version__}, Python {platform.python_version()}")
    faults = []
    for name, version in versions().items():
        click.echo(f"  {name:<12} {version}")
    for what, trial in _TRIALS:
        try:
            trial()
            click.echo(f"  ok    {what}")
        except Exception as error:
            faults.append(what)
            click.echo(f"  FAULT {what}: {error}")
    click.echo("the install is sound" if not faults else f"{len(faults)} faults found")
    return 1 if faults else 0


def _projection() -> None:
    import pyproj

    from trafficmap.formats import _gdal  # noqa: F401  sets the process up first

    transformer = pyproj.Transformer.from_crs(4326, 32615, always_xy=True)
    easting, northing = transformer.transform(-93.62, 42.03)
    # 448 677.094 E, 4 653 293.018 N by the transverse Mercator series.
    if abs(easting - 448677.094) > 0.01 or abs(northing - 4653293.018) > 0.01:
        msg = f"a known point came out at {easting:.3f}, {northing:.3f}"
        raise RuntimeError(msg)


def _kernels() -> None:
    import numpy as np

    from trafficmap.soil.stress import vertical_stress_uniform_circle

    # Fröhlich 1934 with nu 3 at depth = radius: 0.646447 of the pressure.
    got = float(np.asarray(vertical_stress_uniform_circle(1.0, 1.0, radius=1.0, nu=3)))
    if abs(got - 0.646447) > 1e-6:
        msg = f"a known stress came out at {got:.6f}"
        raise RuntimeError(msg)


def _leaflet() -> None:
    from xstatic.pkg import leaflet

    if not leaflet.BASE_DIR:
        msg = "the map library brings no files"
        raise RuntimeError(msg)


def _time_zones() -> None:
    from zoneinfo import ZoneInfo

    ZoneInfo("America/New_York")


def _writing() -> None:
    import tempfile
    from pathlib import Path

    from trafficmap.formats._files import write_text

    with tempfile.TemporaryDirectory() as folder:
        write_text(Path(folder) / "trial.txt", "trial")


_TRIALS = (
    ("coordinates", _projection),
    ("soil formulas", _kernels),
    ("offline map library", _leaflet),
    ("time zones", _time_zones),
    ("writing files", _writing),
)
