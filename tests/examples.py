"""How many examples a property gets: a quarter where time is short, all of them in CI."""

from __future__ import annotations

import os


def examples(full: int) -> int:
    """All with ``STACKER_EXAMPLES=full``, as CI has it; else a quarter, so that the default tests stay quick."""
    return full if os.environ.get("STACKER_EXAMPLES") == "full" else -(-full // 4)
