"""``trafficmap sample``: an invented field with known truth."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(name="sample")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--field",
    "field",
    default="ditch_sixty",
    show_default=True,
    metavar="NAME",
    help="Which invented field.",
)
@click.option(
    "--overwrite", is_flag=True, help="Write into a folder that is not empty."
)
def command(folder: Path, field: str, overwrite: bool) -> None:
    """Write an invented sample field with known truth.

    \b
    Example:
      trafficmap sample demo
    """
    from trafficmap.core.errors import InputError

    make = _sample_module()
    if field not in make.names():
        msg = f"sample field: got {field!r}, need one of {', '.join(make.names())}."
        raise InputError(msg, f"trafficmap sample {folder} --field {make.names()[0]}")
    if folder.exists() and not folder.is_dir():
        msg = f"{folder}: a file stands where a folder is needed."
        raise InputError(msg, "give another folder")
    if folder.is_dir() and any(folder.iterdir()) and not overwrite:
        msg = f"{folder}: the folder is not empty, need an empty or new one."
        raise InputError(msg, "give another folder, or add --overwrite")
    written = make.write_sample(folder, field=field)
    click.echo(f"wrote the invented field {field!r} to {written}")
    click.echo(f"next: trafficmap run {folder} -o {folder}-out")


def _sample_module():
    """Return the module that makes the fields: from the wheel, or from the clone."""
    import importlib
    import importlib.util
    import sys

    import trafficmap
    from trafficmap.core.errors import InputError

    home = Path(trafficmap.__file__).parent
    if (home / "_sample_fields" / "make.py").is_file():
        return importlib.import_module("trafficmap._sample_fields.make")
    folder = home.parent / "sample_fields"
    if not (folder / "make.py").is_file():
        msg = "sample fields: are not part of this install, need them to go on."
        raise InputError(msg, "install trafficmap again from its wheel or its clone")
    name = "trafficmap._sample_fields"
    spec = importlib.util.spec_from_file_location(
        name, folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    if spec is None or spec.loader is None:
        msg = f"sample fields: {folder / '__init__.py'} cannot be loaded."
        raise InputError(msg, "install trafficmap again from its wheel or its clone")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return importlib.import_module(f"{name}.make")
