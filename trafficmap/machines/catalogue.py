"""The catalogue of generic machine classes kept in catalogue.toml."""

from __future__ import annotations

import copy
import difflib
import tomllib
from functools import cache
from importlib.resources import files

from trafficmap.core.errors import SettingsError


def generic_machine(class_name: str) -> dict:
    """Return a class of the catalogue as plain values, free to be changed.

    Parameters
    ----------
    class_name : str
        One of `class_names`.

    Returns
    -------
    dict
        ``label`` and ``body``, a list of bodies as in a machine file.

    Raises
    ------
    SettingsError
        The class is unknown; the hint holds the nearest name.
    """
    try:
        return copy.deepcopy(_catalogue()[class_name])
    except (KeyError, TypeError):
        msg = f"machine class: got {class_name!r}, need one of the known classes."
        near = nearest(str(class_name), class_names())
        hint = f"write {near}" if near else "choose from: " + ", ".join(class_names())
        raise SettingsError(msg, hint) from None


def class_names() -> tuple[str, ...]:
    """Return every class name, in the order of the catalogue."""
    return tuple(_catalogue())


def nearest(word: str, words) -> str:
    """Return the known word most like `word`, or an empty text."""
    match = difflib.get_close_matches(word, list(words), n=1, cutoff=0.5)
    return match[0] if match else ""


@cache
def _catalogue() -> dict:
    text = files(__package__).joinpath("catalogue.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
