"""The faults of a file of any kind."""

from __future__ import annotations

from pathlib import Path

from stacker.documents.kinds import kind_of
from stacker.documents.loading import load_block, load_request
from stacker.documents.plan_file import parse_plan
from stacker.documents.source import Mapping, parse, read_text


def check_file(path: Path | str) -> str:
    """Read a file and tell what it is: ``plan``, ``request``, or a block of one, such as ``rail`` or ``camera``.

    Raises
    ------
    InputError
        With all faults of the file.
    Refusal
        If it is a plan that was edited.
    """
    text = read_text(path)
    kind = "plan" if text.startswith("stacker_plan:") else _kind(text, path)  # a plan may be long: it is read once
    if kind == "plan":
        parse_plan(text, str(path))
    elif kind == "request":
        load_request(path)
    else:
        load_block(kind, path)
    return kind


def _kind(text: str, path: Path | str) -> str:
    node = parse(text, str(path), [])
    return kind_of(node) if isinstance(node, Mapping) else "request"
