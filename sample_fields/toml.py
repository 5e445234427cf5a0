"""A small writer of TOML: tables, lists of tables, plain values; no more."""

from __future__ import annotations

import datetime as dt


def dumps(table: dict) -> str:
    """Return `table` as TOML text, keys in the order given."""
    lines: list[str] = []
    _write(lines, table, ())
    return "\n".join(lines).strip() + "\n"


def _write(lines: list[str], table: dict, path: tuple[str, ...]) -> None:
    later = []
    for key, value in table.items():
        if isinstance(value, dict) or _is_tables(value):
            later.append((key, value))
        else:
            lines.append(f"{key} = {_plain(value)}")
    for key, value in later:
        name = (*path, key)
        if isinstance(value, dict):
            lines.append(f"\n[{'.'.join(name)}]")
            _write(lines, value, name)
            continue
        for entry in value:
            lines.append(f"\n[[{'.'.join(name)}]]")
            _write(lines, entry, name)


def _is_tables(value) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _plain(value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, list):
        return f"[{', '.join(_plain(entry) for entry in value)}]"
    return repr(value)
