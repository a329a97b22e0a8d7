"""Which document, or which block of a request, the keys of a file make."""

from __future__ import annotations

from stacker.documents.fields import Block, keys_of, rows
from stacker.documents.request import Request
from stacker.documents.source import Mapping

BLOCKS: dict[str, Block] = {name: row.kind for name, row, _ in rows(Request) if isinstance(row.kind, Block)}
"""The blocks of a request; each may stand in a file of its own."""

_KEYS = {"request": {name for name, _, _ in rows(Request)}} | {name: keys_of(block) for name, block in BLOCKS.items()}


def kind_of(node: Mapping, expected: str = "request") -> str:
    """``plan``, ``request`` or a name of `BLOCKS`: whichever knows most of the keys; of equals the expected one."""
    if "stacker_plan" in node.nodes:
        return "plan"
    known = {name: len(keys & node.nodes.keys()) for name, keys in _KEYS.items()}
    return max(known, key=lambda name: (known[name], name == expected))
