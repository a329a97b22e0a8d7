"""A raw file of a rendered mosaic: a minimal DNG, tag by tag (Digital Negative Specification 1.4, from memory)."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

_BYTE, _ASCII, _SHORT, _LONG, _SRATIONAL = 1, 2, 3, 4, 10
_SIZE = {_BYTE: 1, _ASCII: 1, _SHORT: 2, _LONG: 4, _SRATIONAL: 8}


def write_dng(mosaic: np.ndarray, path: Path, *, black: int = 512, white: int = 15_000) -> Path:
    """Write sites of 0 to 1 (red upper left) as linear values between black and white."""
    values = np.clip(np.rint(black + mosaic * (white - black)), 0, white).astype("<u2")
    rows, columns = values.shape
    matrix = [v for one in (1.0, 0, 0, 0, 1.0, 0, 0, 0, 1.0) for v in (int(10_000 * one), 10_000)]
    tags: list[tuple[int, int, list[int] | bytes]] = [
        (254, _LONG, [0]),
        (256, _LONG, [columns]),
        (257, _LONG, [rows]),
        (258, _SHORT, [16]),
        (259, _SHORT, [1]),  # not compressed
        (262, _SHORT, [32_803]),  # a colour filter array
        (271, _ASCII, b"Rendered\0"),
        (272, _ASCII, b"Mosaic\0"),
        (273, _LONG, [0]),  # where the data begin: filled in below
        (277, _SHORT, [1]),
        (278, _LONG, [rows]),
        (279, _LONG, [values.nbytes]),
        (33_421, _SHORT, [2, 2]),
        (33_422, _BYTE, bytes([0, 1, 1, 2])),  # red, green, green, blue
        (50_706, _BYTE, bytes([1, 4, 0, 0])),
        (50_708, _ASCII, b"Rendered Mosaic\0"),
        (50_714, _SHORT, [black]),
        (50_717, _LONG, [white]),
        (50_721, _SRATIONAL, matrix),
        (50_778, _SHORT, [21]),
    ]
    head = 8 + 2 + 12 * len(tags) + 4
    extra, entries = b"", []
    for tag, kind, value in tags:
        data = value if isinstance(value, bytes) else _packed(kind, value)
        count = len(data) // _SIZE[kind]
        if len(data) <= 4:
            entries.append((tag, kind, count, data.ljust(4, b"\0")))
        else:
            entries.append((tag, kind, count, struct.pack("<I", head + len(extra))))
            extra += data + b"\0" * (len(data) % 2)
    start = head + len(extra)
    file = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(entries))
    for tag, kind, count, data in entries:
        file += struct.pack("<HHI", tag, kind, count) + (struct.pack("<I", start) if tag == 273 else data)
    path.write_bytes(file + struct.pack("<I", 0) + extra + values.tobytes())
    return path


def _packed(kind: int, values: list[int]) -> bytes:
    letter = {_SHORT: "H", _LONG: "I", _SRATIONAL: "i"}[kind]
    return struct.pack(f"<{len(values)}{letter}", *values)
