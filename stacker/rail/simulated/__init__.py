"""A rail that does not exist, behind pyserial's own URL scheme ``sim://``: all that drives a real port drives it too.

It shares no code with the host's side: its trapezoid, its check codes and its reading of the protocol page are its own.
"""
