"""Numbers in XML attributes, refused with a sentence when they are none."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trafficmap.core.errors import InputError

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_HINT = "copy the task data again from the machine, or export it again"


def whole(element: Element, name: str, otherwise: int | None = 0) -> int:
    """Return a whole number; `otherwise` stands in for an absent or empty one."""
    text = element.get(name, "").strip()
    if not text and otherwise is not None:
        return otherwise
    try:
        return int(text)
    except ValueError:
        raise _refusal(element, name, text, "a whole number") from None


def number_code(element: Element, name: str = "A") -> int:
    """Return a data dictionary number, written as four hex digits."""
    text = element.get(name, "").strip()
    try:
        return int(text, 16)
    except ValueError:
        raise _refusal(element, name, text, "four hex digits") from None


def decimal(element: Element, name: str) -> float:
    """Return a decimal number, NaN for an absent or empty one."""
    text = element.get(name, "").strip()
    if not text:
        return math.nan
    try:
        return float(text)
    except ValueError:
        raise _refusal(element, name, text, "a number") from None


def _refusal(element: Element, name: str, text: str, need: str) -> InputError:
    msg = f"task data: {element.tag} has {name}={text[:40]!r}, need {need}."
    return InputError(msg, _HINT)
