"""Units that people write where a key has another one."""

from __future__ import annotations

_SIZE = {"nm": 1e-9, "um": 1e-6, "mm": 1e-3, "cm": 1e-2, "m": 1.0}
_DURATION = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}


def in_unit(value: float, found: str, wanted: str | None) -> float | None:
    """A value of one unit in another one; ``None`` where they do not measure the same."""
    for units in (_SIZE, _DURATION):
        if found in units and wanted in units:
            return value * units[found] / units[wanted]
    return None
