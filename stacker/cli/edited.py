"""Values that a command found out, as lines for a person's file, and into that file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any


def block_lines(values: Mapping[str, Any]) -> list[str]:
    """Dotted keys with their values as YAML lines, keys of one block under it."""
    from stacker.documents import emit

    tree: dict[str, Any] = {}
    for key, value in values.items():
        *blocks, word = key.split(".")
        node = tree
        for block in blocks:
            node = node.setdefault(block, {})
        node[word] = value
    return emit.lines(tree)


def write_values(path: Path, values: Mapping[str, Any], load: Callable[..., Any]) -> None:
    """Change just these values; every other character, the line ends and a byte order mark stay.

    Parameters
    ----------
    path : Path
        The file.
    values : mapping of str to object
        New value by dotted key.
    load : callable
        Reads such a file, and refuses the new text before the old one is touched.

    Raises
    ------
    Refusal
        When a block is missing or stands in a file of its own.
    InputError
        When the values do not go together with the others of the file.
    """
    from stacker.documents.edit import with_values
    from stacker.documents.files import write_whole
    from stacker.documents.source import read_text

    text = with_values(read_text(path), values, str(path))
    load(path, text=text)
    data = path.read_bytes()
    if b"\r\n" in data:
        text = text.replace("\n", "\r\n")
    write_whole(path, ("\ufeff" if data.startswith(b"\xef\xbb\xbf") else "") + text)
