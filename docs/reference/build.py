"""Print the reference pages that come from the code; a test holds them up to date.

Run ``python docs/reference/build.py`` after changing settings, layers or tables.
"""

from __future__ import annotations

import typing
from pathlib import Path

import click
import msgspec

from trafficmap.cli import EXIT_CODES, cli
from trafficmap.core.layers import LAYER_BOOK
from trafficmap.core.settings import Settings
from trafficmap.core.tables import CONTRACTS
from trafficmap.machines.catalogue import class_names
from trafficmap.machines.reference import class_machine, classes_page, reference_page
from trafficmap.outputs.machine_drawing import machine_svg

HERE = Path(__file__).parent
NOTICE = "<!-- made by docs/reference/build.py; change the code, not this page -->\n"


def settings_page() -> str:
    """Return the page of every setting with default, meaning and source."""
    lines = [
        "# Settings",
        NOTICE,
        "Every choice of the method. A TOML file with the sections below goes in by",
        "`trafficmap run DIR -o OUT --settings FILE`; what it does not name keeps its",
        "default, what it does not know is refused. All are written into `run.json`.",
    ]
    for section in msgspec.structs.fields(Settings):
        lines += ["", f"## [{section.name}]", "", "| key | default | meaning |"]
        lines += ["| --- | --- | --- |"]
        hints = typing.get_type_hints(section.type, include_extras=True)
        for field in msgspec.structs.fields(section.type):
            meaning = " ".join(_descriptions(hints[field.name])) or "see the code"
            lines.append(f"| `{field.name}` | {_shown(field.default)} | {meaning} |")
    return "\n".join(lines) + "\n"


def layers_page() -> str:
    """Return the page of every map layer."""
    lines = [
        "# Layers",
        NOTICE,
        "Maps on the field grid; one cloud-optimised GeoTIFF each in `layers/`. Layers",
        "with depth have one band a depth. The mark for *not known or outside* is",
        "never a legal value, so zero always means zero.",
        "",
        "| layer | dims | unit | type | not known | range | meaning | room |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for spec in LAYER_BOOK.values():
        dims = "row, col" if spec.dims == "map" else "depth, row, col"
        lines.append(
            f"| `{spec.name}` | {dims} | {spec.unit} | {spec.dtype} | "
            f"{spec.nodata:g} | {spec.low:g} to {spec.high:g} | {spec.meaning} | "
            f"{spec.made_by} |"
        )
    return "\n".join(lines) + "\n"


def tables_page() -> str:
    """Return the page of every table contract."""
    lines = ["# Tables", NOTICE, "Columns a table must have; more are allowed."]
    for contract in CONTRACTS:
        lines += ["", f"## {contract.name}", ""]
        lines += ["| column | type | unit | may be empty | meaning |"]
        lines += ["| --- | --- | --- | --- | --- |"]
        for column in (*contract.columns, *contract.optional):
            may_be_left_out = ", may be left out" * (column in contract.optional)
            lines.append(
                f"| `{column.name}` | {column.dtype} | {column.unit or '-'} | "
                f"{'yes' if column.nullable else 'no'} | "
                f"{column.meaning}{may_be_left_out} |"
            )
    return "\n".join(lines) + "\n"


def commands_page() -> str:
    """Return the page of every command with what its ``--help`` says."""
    lines = [
        "# Commands",
        NOTICE,
        "What `trafficmap COMMAND --help` says. A command ends with one of the",
        "[exit codes](exit_codes.md); a refused input is named in one sentence, with",
        "what to try.",
    ]
    for name, text in _helps(cli, "trafficmap", None):
        lines += ["", f"## {name}", "", "```text", text, "```"]
    return "\n".join(lines) + "\n"


def exit_codes_page() -> str:
    """Return the page of exit codes."""
    lines = ["# Exit codes", NOTICE, "| code | meaning |", "| --- | --- |"]
    lines += [f"| {code} | {meaning} |" for code, meaning in EXIT_CODES.items()]
    return "\n".join(lines) + "\n"


def drawings() -> dict[str, str]:
    """Return the drawing of every class of machine, by file name."""
    return {
        f"machines/{name}.svg": machine_svg(class_machine(name))
        for name in class_names()
    }


PAGES = {
    "machines.md": reference_page,
    "machine_classes.md": classes_page,
    "settings.md": settings_page,
    "layers.md": layers_page,
    "tables.md": tables_page,
    "commands.md": commands_page,
    "exit_codes.md": exit_codes_page,
}


def _helps(
    command: click.Command, name: str, parent: click.Context | None
) -> list[tuple[str, str]]:
    """Return name and help of a command and of all below it."""
    context = click.Context(
        command, parent=parent, info_name=name.split()[-1],
        **{**command.context_settings, "terminal_width": 80},
    )  # fmt: skip
    found = [(name, command.get_help(context))]
    if isinstance(command, click.Group):
        for each in command.list_commands(context):
            below = command.get_command(context, each)
            if below is not None:
                found += _helps(below, f"{name} {each}", context)
    return found


def _descriptions(hint: object) -> list[str]:
    """Return every description inside an annotated type, outermost first."""
    found = [
        meta.description
        for meta in getattr(hint, "__metadata__", ())
        if isinstance(meta, msgspec.Meta) and meta.description
    ]
    for inner in typing.get_args(hint):
        if not isinstance(inner, msgspec.Meta):
            found += _descriptions(inner)
    return found


def _shown(value: object) -> str:
    if value is None:
        return "empty"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, tuple):
        return ", ".join(_shown(part) for part in value)
    return str(value)


if __name__ == "__main__":
    for name, page in PAGES.items():
        (HERE / name).write_text(page(), encoding="utf-8")
    (HERE / "machines").mkdir(exist_ok=True)
    for name, drawing in drawings().items():
        (HERE / name).write_text(drawing, encoding="utf-8")
