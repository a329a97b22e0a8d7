"""What a stack fills and drains: gigabytes, memory cards, batteries. A gigabyte is 10^9 bytes."""

from __future__ import annotations

from stacker.errors import Refusal
from stacker.motion.step_grid import whole_down, whole_up

WORKING_BYTES_PER_PIXEL = 6
"""Three colours of 16 bits."""


def raw_gb(*, frames: int, raw_mb: float) -> float:
    """Size of the raw files [10^9 bytes], from that of one [10^6 bytes]."""
    return frames * raw_mb / 1000


def working_gb(*, frames: int, pixels: int) -> float:
    """Working space to blend the stack: all frames at 16 bits a colour, and the result [10^9 bytes].

    Parameters
    ----------
    frames : int
        Frames of the stack [-].
    pixels : int
        Pixels of one frame, columns times rows [-].
    """
    return (frames + 1) * pixels * WORKING_BYTES_PER_PIXEL / 1e9


def cards(*, frames: int, raw_mb: float, card_gb: float) -> int:
    """Memory cards that the raw files fill, rounded up; a file is never split between two cards.

    Raises
    ------
    Refusal
        If not even one file fits on a card (key ``camera.card_gb``).
    """
    return -(-frames // frames_per_card(raw_mb=raw_mb, card_gb=card_gb))


def frames_per_card(*, raw_mb: float, card_gb: float) -> int:
    """Whole files that an empty card takes.

    Raises
    ------
    Refusal
        If not even one file fits on a card (key ``camera.card_gb``).
    """
    fit = whole_down(1000 * card_gb / raw_mb)
    if fit < 1:
        raise Refusal(
            f"A raw file of {raw_mb:g} MB does not fit on a card of {card_gb:g} GB; check raw_mb and card_gb.",
            code="card_too_small",
            key="camera.card_gb",
        )
    return fit


def batteries(*, frames: int, duration_s: float, battery_frames: float) -> int:
    """Batteries that a stack takes, rounded up: by its frames or by the clock, whichever is more.

    Parameters
    ----------
    frames : int
        Frames of the stack [-].
    duration_s : float
        How long it takes [s].
    battery_frames : float
        Rating of a battery [frames].

    Notes
    -----
    The rating of CIPA DC-002 takes one frame each 30 s, so a battery rated for S frames lasts about S/2 minutes
    with the camera on: a slow stack runs by the clock.
    """
    return whole_up(battery_charges(frames=frames, duration_s=duration_s, battery_frames=battery_frames))


def battery_charges(*, frames: int, duration_s: float, battery_frames: float) -> float:
    """The same before it is rounded up, so that several stacks can share a battery."""
    return max(frames / battery_frames, duration_s / 60 / (battery_frames / 2))
