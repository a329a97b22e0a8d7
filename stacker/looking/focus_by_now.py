"""The focus of the pictures taken so far: which frame is blurred, and whether the plane of focus still moves on.

What is told is what `depths` would tell of the frames near the last one. A frame is told to be soft once two behind it
have been looked at, smeared once three have; a step to be none once one has.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from stacker.looking.depths import Depths, Optics, depths_of
from stacker.looking.seen import Seen

NEAR = 20  # frame numbers: steps are told beside ten others, and more than these add time
_BEHIND = 2  # frames that must lie behind a soft one; a smear needs a third by itself


@dataclass(frozen=True, kw_only=True, slots=True)
class Aim:
    """Where each frame is to be focused, and what the rig does out of focus.

    Parameters
    ----------
    focus_um : dict of int to float
        Planned depth of each frame [um].
    optics : Optics
        Of the plan.
    """

    focus_um: dict[int, float]
    optics: Optics


@dataclass(frozen=True, kw_only=True, slots=True)
class Focused:
    """What focus tells by now.

    Parameters
    ----------
    blurred : dict of int to str
        Frames that surely are, and how.
    sharp_beside : frozenset of int
        Frames whose blur could be told, whether there is any or not.
    stalled : tuple of (int, int)
        Pairs of frames that surely lie in one plane of focus.
    steps : frozenset of int
        The first frames of all pairs whose step could be told.
    """

    blurred: dict[int, str] = field(default_factory=dict)
    sharp_beside: frozenset[int] = frozenset()
    stalled: tuple[tuple[int, int], ...] = ()
    steps: frozenset[int] = frozenset()


def focused_by_now(last: int, seen: Mapping[int, Seen], dark: Collection[int], aim: Aim) -> Focused:
    """Hold the frames near the last one against one another.

    Parameters
    ----------
    last : int
        The frame looked at last.
    seen : mapping of int to Seen
        What each frame's last exposure shows, that of the last one among them; all of one size.
    dark : collection of int
        Frames that tell nothing.
    aim : Aim
        Of all frames.
    """
    near = {frame: one for frame, one in seen.items() if abs(frame - last) <= NEAR}
    reach = range(min(near), max(near) + 1)
    depths = depths_of({frame: aim.focus_um[frame] for frame in reach}, near, [*dark], aim.optics)
    if depths.reason is not None:  # too few yet, or no detail: noise has directions too
        return Focused()
    newest = max(near)
    return Focused(
        blurred={frame: how for frame, how in _blurred(depths).items() if frame <= newest - _BEHIND},
        sharp_beside=frozenset(frame for frame, smear in depths.smears.items() if smear.reason is None),
        stalled=tuple(one.frames for one in depths.astray if one.as_before and newest not in one.frames),
        steps=frozenset(min(one.frames) for one in depths.between if one.step.ratio is not None),
    )


def _blurred(depths: Depths) -> dict[int, str]:
    soft = dict.fromkeys(depths.soft, "softer than its neighbours")
    return soft | dict.fromkeys(depths.smeared, "smeared: something moved while the shutter was open")
