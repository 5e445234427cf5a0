"""Palette PNG: one set of pixels, several sets of inks.

The palette stands at a fixed place in the file, on a whole group of base64 letters,
so a page changes from light to dark or to print by exchanging a piece of text.
"""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np

LEVEL = 6
"""How hard pixels are pressed; 9 takes four times as long for a twentieth less."""

HEAD_LETTERS = 44
"""Base64 letters before the palette: 8 bytes signature, 25 bytes header chunk."""


def palette_png(pixels: np.ndarray, inks: list[str], alpha: list[int]) -> bytes:
    """Return an 8-bit palette PNG of `pixels` (rows, cols) of palette numbers."""
    rows, cols = pixels.shape
    header = struct.pack(">IIBBBBB", cols, rows, 8, 3, 0, 0, 0)
    lines = np.zeros((rows, cols + 1), dtype=np.uint8)
    lines[:, 1:] = pixels
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", header),
            palette_chunk(inks),
            _chunk(b"tRNS", bytes(alpha)),
            _chunk(b"IDAT", zlib.compress(lines.tobytes(), LEVEL)),
            _chunk(b"IEND", b""),
        )
    )


def palette_chunk(inks: list[str]) -> bytes:
    """Return the palette chunk for inks written as ``#rrggbb``."""
    return _chunk(b"PLTE", b"".join(bytes.fromhex(ink[1:]) for ink in inks))


def base64_text(content: bytes) -> str:
    """Return bytes as base64 letters."""
    return base64.b64encode(content).decode("ascii")


def _chunk(name: bytes, content: bytes) -> bytes:
    check = zlib.crc32(name + content)
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", check)
