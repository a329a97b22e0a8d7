"""Two plans of one subject: which frames they share, where a stack turned out too short and was planned deeper."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from stacker.errors import Refusal

# What makes two frames at one place the same picture, and how far files may round it [of the value].
_SAME_PICTURE = ("magnification", "effective_f_number", "dof_um", "exposure_s")
_ROUNDING = 1e-6
_FOCUS_UM = 1e-3  # the file keeps 1e-4; a shift adds its own rounding

Table = Mapping[str, Sequence[Any]]


def by_column(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> dict[str, tuple[Any, ...]]:
    """Rows of a plan (as a journal holds them) by the name of the column."""
    return dict(zip(columns, zip(*rows, strict=True), strict=True))


def common_frames(
    old: Table,
    new: Table,
    *,
    shift_microsteps: int = 0,
    shift_um: float = 0.0,
    between: Collection[int] = (),
) -> dict[int, int]:
    """Frames of an old plan that a new one has as well.

    Plans agree where they meet: within the depths that both reach, each has exactly the frames of the other, in the
    same order, at the same places, of the same magnification, aperture, thickness and exposure.

    Parameters
    ----------
    old, new : mapping
        Columns of the frame tables by name.
    shift_microsteps : int
        Position 0 of the old plan less that of the new one [microsteps], on the one rail: above 0 where the new plan
        begins nearer to the lens.
    shift_um : float
        The same as a distance of the planes of focus [um].
    between : collection of int
        Frames of the new plan that the old one need not have.

    Returns
    -------
    dict of int to int
        Frame number in the old plan: its number in the new one.

    Raises
    ------
    Refusal
        When they do not agree, or do not meet.
    """
    if _order(old) * _order(new) < 0:
        raise _differ("one goes from front to back, the other from back to front")
    had = {place + shift_microsteps: row for row, place in enumerate(old["position_microsteps"])}
    has = {place: row for row, place in enumerate(new["position_microsteps"])}
    low, high = max(min(had), min(has)), min(max(had), max(has))
    if low > high:
        raise _differ("they have no frame in common")
    for place in sorted(had.keys() ^ has.keys()):
        if low <= place <= high:
            if place in has and new["frame"][has[place]] in between:
                continue
            table, row, which = (old, had[place], "old") if place in had else (new, has[place], "new")
            raise _differ(f"frame {table['frame'][row]} of the {which} plan is not in the other one")
    shared = {had[place]: has[place] for place in had.keys() & has.keys()}
    for row, match in shared.items():
        for name, before, after in _pictures(old, row, new, match, shift_um):
            raise _differ(f"at frame {new['frame'][match]} of the new plan {name} is {after:g}, in the old {before:g}")
    return {old["frame"][row]: new["frame"][match] for row, match in sorted(shared.items())}


def _order(table: Table) -> int:
    """1 where the frames go deeper, -1 where they come out, 0 for one frame."""
    places = table["position_microsteps"]
    return int(places[-1] > places[0]) - int(places[-1] < places[0])


def _pictures(old: Table, row: int, new: Table, match: int, shift_um: float) -> Iterator[tuple[str, float, float]]:
    """What differs between two frames at one place."""
    before, after = old["focus_um"][row] + shift_um, new["focus_um"][match]
    if abs(before - after) > _FOCUS_UM:
        yield "focus_um", before, after
    for name in _SAME_PICTURE:
        before, after = old[name][row], new[name][match]
        if abs(before - after) > _ROUNDING * max(abs(before), abs(after)):
            yield name, before, after


def _differ(what: str) -> Refusal:
    return Refusal(
        f"the two plans do not agree where they meet: {what}. Change depth or end_frames alone: then the frames "
        "already taken are frames of the new plan as well.",
        code="other_plan",
    )
