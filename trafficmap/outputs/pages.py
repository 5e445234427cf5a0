"""Templates of the small pages: filled the same way everywhere."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import jinja2


def template(name: str) -> jinja2.Template:
    """Return a template; what it is filled with is escaped, gaps in it are refused."""
    return _environment().get_template(name)


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("trafficmap.outputs", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
