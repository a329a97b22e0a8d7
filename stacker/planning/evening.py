"""Several stacks one after the other: hours, gigabytes card by card, batteries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from stacker.documents.plan import Plan
from stacker.motion.step_grid import whole_up
from stacker.planning.storage import battery_charges, frames_per_card
from stacker.records import record


@record
class EveningStack:
    """One stack of an evening; what its plan does not know is ``None``.

    Parameters
    ----------
    name : str
        Of the plan.
    frames : int
        Frames.
    begins_s, ends_s : float or None
        From the start of the evening [s].
    duration_s : float or None
        How long it takes [s].
    raw_gb : float or None
        Its raw files [10^9 bytes].
    cards : tuple of int
        The cards it lies on, from 1; empty where file or card size is not known.
    charges : float or None
        Batteries that it takes with the set-up before it, before rounding.
    working_gb : float
        Space to blend it [10^9 bytes].
    """

    name: str
    frames: int
    begins_s: float | None
    ends_s: float | None
    duration_s: float | None
    raw_gb: float | None
    cards: tuple[int, ...]
    charges: float | None
    working_gb: float


@record
class Evening:
    """A whole evening; sums leave out what is not known, and `unknown` names what that is.

    Parameters
    ----------
    stacks : tuple of EveningStack
        In order.
    duration_s : float
        Stacks whose time is known, and all set-ups [s].
    card_gb : tuple of float
        What lies on each card [10^9 bytes].
    raw_gb : float
        All raw files [10^9 bytes].
    batteries : int
        Full batteries to bring.
    working_gb, largest_working_gb : float
        Space to blend all stacks kept side by side, and the largest alone [10^9 bytes].
    unknown : tuple of str
        What is missing from the sums, one text a stack and quantity.
    """

    stacks: tuple[EveningStack, ...]
    duration_s: float
    card_gb: tuple[float, ...]
    raw_gb: float
    batteries: int
    working_gb: float
    largest_working_gb: float
    unknown: tuple[str, ...]


@dataclass
class _Cards:
    """Memory cards while they fill; no file is split between two, and no stack that fits on one."""

    filled_gb: list[float] = field(default_factory=list)
    size_gb: float = 0.0

    def take(self, frames: int, raw_mb: float, card_gb: float) -> tuple[int, ...]:
        """Store so many files, and tell on which cards."""
        frames_per_card(raw_mb=raw_mb, card_gb=card_gb)  # refuses a card too small for one file
        first_is_new, self.size_gb = card_gb != self.size_gb, card_gb
        if not first_is_new and self._room(card_gb, raw_mb) < frames:
            first_is_new = True  # changed now, between two stacks, and not in the middle of one
        used = []
        while frames:
            fit = 0 if first_is_new else min(frames, self._room(card_gb, raw_mb))
            if fit:
                self.filled_gb[-1] += fit * raw_mb / 1000
                used.append(len(self.filled_gb))
                frames -= fit
            if frames:
                self.filled_gb.append(0.0)
                first_is_new = False
        return tuple(used)

    def _room(self, card_gb: float, raw_mb: float) -> int:
        """Whole files that the last card still takes."""
        return int((card_gb - self.filled_gb[-1]) * 1000 / raw_mb + 1e-9)


def _charges(plan: Plan, pictures: int, before_s: float) -> float | None:
    """What a stack and the time before it take of the batteries; ``None`` where it is not known."""
    duration_s, rating = plan.budget.duration_s, plan.request.camera.battery_frames
    if duration_s is None or not rating:
        return None
    return battery_charges(frames=pictures, duration_s=duration_s + before_s, battery_frames=rating)


def evening_of(plans: Sequence[Plan], *, setup_s: float) -> Evening:
    """Put stacks in order.

    Parameters
    ----------
    plans : sequence of Plan
        In the order of the evening.
    setup_s : float
        Between one stack and the next, the camera left on [s].

    Returns
    -------
    Evening

    Raises
    ------
    Refusal
        If not even one raw file fits on a card.
    """
    cards, clock_s, known_s = _Cards(), 0.0, True
    stacks, unknown = [], []
    for number, plan in enumerate(plans):
        camera, frames = plan.request.camera, plan.frames_in_all
        pictures = frames * plan.request.pictures_a_frame
        before_s = setup_s if number else 0.0
        clock_s += before_s
        begins_s, duration_s = (clock_s if known_s else None), plan.budget.duration_s
        known_s = known_s and duration_s is not None
        clock_s += duration_s or 0.0
        used: tuple[int, ...] = ()
        if camera.raw_mb is not None and camera.card_gb is not None:
            used = cards.take(pictures, camera.raw_mb, camera.card_gb)
        charges = _charges(plan, pictures, before_s)
        for value, what in ((duration_s, "time"), (plan.budget.raw_gb, "raw files"), (charges, "batteries")):
            if value is None:
                unknown.append(f"{plan.name}: {what}")
        stacks.append(
            EveningStack(
                name=plan.name,
                frames=frames,
                begins_s=begins_s,
                ends_s=clock_s if known_s else None,
                duration_s=duration_s,
                raw_gb=plan.budget.raw_gb,
                cards=used,
                charges=charges,
                working_gb=plan.budget.working_gb,
            )
        )
    return Evening(
        stacks=tuple(stacks),
        duration_s=clock_s,
        card_gb=tuple(cards.filled_gb),
        raw_gb=sum(stack.raw_gb or 0.0 for stack in stacks),
        batteries=whole_up(sum(stack.charges or 0.0 for stack in stacks)),
        working_gb=sum(stack.working_gb for stack in stacks),
        largest_working_gb=max((stack.working_gb for stack in stacks), default=0.0),
        unknown=tuple(unknown),
    )
