"""What a person at the rail may type, and which key stands for which line."""

from __future__ import annotations

STEPS_MM = (0.01, 0.05, 0.1, 0.5, 1.0)  # what one press may move, by the keys 1 to 5

HELP = """\
  +0.5, -0.5    that many mm deeper, or back
  +, -          one step deeper, or back
  step 0.05     set the step, 1 mm at most
  to 41.2       go to that rail position in mm; to front, to back: to a mark
  front, back   mark the front, the back of the subject here
  here 41.2     say what the rail's scale reads (when its position is lost)
  creep 0.5     that many mm deeper, slowly, no soft limit (position lost)
  where         show position and marks
  done          end"""
KEYS_HELP = """\
  right or +    one step deeper         1 to 5   step 0.01 0.05 0.1 0.5 1 mm
  left or -     one step back           :        type a line, 'help' lists them
  f, b          mark front, back        q        done"""
KEYS = {
    "+": "+",
    "=": "+",  # the same key without shift
    "-": "-",
    "\x1b[C": "+",
    "\x1bOC": "+",
    "\xe0M": "+",  # Windows
    "\x1b[D": "-",
    "\x1bOD": "-",
    "\xe0K": "-",
    "f": "front",
    "b": "back",
    "w": "where",
    "q": "done",
    **{str(number): f"step {step_mm:g}" for number, step_mm in enumerate(STEPS_MM, start=1)},
}


def first_key(typed: str) -> str:
    """The first key of what a terminal hands over at once: one press moves one step, whatever piled up behind it."""
    return next((typed[:length] for length in (3, 2, 1) if typed[:length] in KEYS), typed[:1])
