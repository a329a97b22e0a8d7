"""Which of the three documents a file holds."""

from __future__ import annotations

from pathlib import Path

from stacker.documents.loading import load_rail, load_request
from stacker.documents.plan_file import parse_plan
from stacker.documents.source import Mapping, parse, read_text

_RAIL_KEYS = frozenset({"travel_mm", "soft_limits_mm", "lead_mm", "dial", "backlash_um"})


def check_file(path: Path | str) -> str:
    """Read a file of any kind and tell which it is: ``request``, ``rail`` or ``plan``.

    Raises
    ------
    InputError
        With all faults of the file.
    Refusal
        If it is a plan that was edited.
    """
    text = read_text(path)
    if "\nframes:\n" in text or text.startswith("stacker_plan:"):
        parse_plan(text, str(path))
        return "plan"
    node = parse(text, str(path), [])
    keys = set(node.nodes) if isinstance(node, Mapping) else set()
    if keys & _RAIL_KEYS and not keys & {"rig", "subject"}:
        load_rail(path)
        return "rail"
    load_request(path)
    return "request"
