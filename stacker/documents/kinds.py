"""Which document, or which block of a request, the keys of a file make."""

from __future__ import annotations

from stacker.documents.fields import Block, rows
from stacker.documents.request import Request
from stacker.documents.source import Mapping

BLOCKS: dict[str, Block] = {name: row.kind for name, row, _ in rows(Request) if isinstance(row.kind, Block)}
"""The blocks of a request; each may stand in a file of its own."""


def kind_of(node: Mapping) -> str:
    """``plan``, ``request`` or a name of `BLOCKS`: whichever knows most of the keys."""
    if "stacker_plan" in node.nodes:
        return "plan"
    known = {"request": _keys(Request)} | {
        name: set().union(*map(_keys, block.variants.values())) for name, block in BLOCKS.items()
    }
    return max(known, key=lambda name: len(known[name] & node.nodes.keys()))  # of equals the first: a request


def _keys(cls: type[object]) -> set[str]:
    return {name for name, _, _ in rows(cls)}
