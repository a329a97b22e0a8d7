"""Optics of close-up photography: pure functions, no I/O."""
