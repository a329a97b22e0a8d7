"""The commands that a run names at its end: each repeats what was asked for, so that it goes on with the same rail."""

from __future__ import annotations

from pathlib import Path

from stacker.documents.journal import Past
from stacker.figures import as_typed, at_port, typed_mm


def drive_command(plan: Path, *words: str, url: str | None = None, warm_up_s: float = 0.0) -> str:
    """``stacker drive PLAN WORDS`` with the port and the warm-up that were asked for."""
    warm_up = f" --warm-up-s {warm_up_s:g}" if warm_up_s else ""
    return " ".join(["stacker drive", as_typed(plan), *words]) + at_port(url) + warm_up


def resume_command(plan: Path, journal: Path, past: Past) -> str:
    """What takes the frames that a run left open."""
    return drive_command(plan, "--go", "--resume", as_typed(journal), url=past.url, warm_up_s=past.warm_up_s)


def whole_run_command(plan: Path, past: Past) -> str:
    """What takes the whole stack from the front of a run that looked at its ends."""
    return drive_command(
        plan, "--go", "--front-at-mm", typed_mm(past.front_at_mm), url=past.url, warm_up_s=past.warm_up_s
    )
