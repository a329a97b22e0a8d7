"""Which journals belong together: a plan that was run twice is two stacks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stacker.documents.between import inserted, of_between, with_rows_between
from stacker.documents.common_frames import by_column, common_frames
from stacker.documents.panels import of_whole
from stacker.errors import Refusal
from stacker.verifying.shots import Run, ShotLeg


@dataclass(frozen=True, kw_only=True, slots=True)
class Stack:
    """The runs that took one stack.

    Parameters
    ----------
    runs : tuple of Run
        One of the whole plan, those that took some of its frames again, and those that made it deeper.
    main : Run
        That of the deepest plan: its frames are meant.
    legs : tuple of int
        Places of their legs among all.
    frames : tuple of mapping or None
        For each leg the number in the main plan of every frame that both plans have; None: it is of that plan.
    """

    runs: tuple[Run, ...]
    main: Run
    legs: tuple[int, ...]
    frames: tuple[Mapping[int, int] | None, ...]

    @property
    def pending(self) -> tuple[int, ...]:
        """Frames that a resume takes, where nothing was taken since."""
        return self.main.past.pending if self.main is self.runs[-1] else ()


def stacks_of(runs: Sequence[Run]) -> tuple[list[ShotLeg], list[Stack]]:
    """All legs in order of time, and the stacks that they make.

    A run of some frames goes with the run of the whole plan before it, one that made a stack deeper with that stack.
    One of the ends is a trial: its pictures stand for no frame of a stack, unless nothing else was named.

    Parameters
    ----------
    runs : sequence of Run
        In any order where all say when they began; else as they followed one another.

    Raises
    ------
    Refusal
        When they are of plans that do not agree where they meet.
    """
    if all(run.past.began_utc for run in runs):
        runs = sorted(runs, key=lambda run: run.past.began_utc)
    legs = [(leg, run) for run in runs for leg in run.legs]
    # in the order of the clock on the wall; a leg without one stays where it was named
    if all(leg.begins_s is not None for leg, _ in legs):
        legs.sort(key=lambda pair: pair[0].begins_s or 0.0)
    groups = _groups(runs)
    for group in groups[1:]:
        if of_whole(group[0].past.digest) != of_whole(groups[0][0].past.digest):  # panels of one plan need not meet
            _numbers(group[0], groups[0][0], one_front=False)
    return [leg for leg, _ in legs], [_stack(group, legs) for group in groups]


def _groups(runs: Sequence[Run]) -> list[list[Run]]:
    trials = any(run.past.kind != "ends" for run in runs)
    groups: list[list[Run]] = []
    for run in runs:
        kind = run.past.kind
        if kind == "ends" and trials:
            continue
        if kind in ("all", "ends") or not groups:
            groups.append([run])
            continue
        before = Path(run.past.after or "").name
        alike = [group for group in groups if group[0].past.panel == run.past.panel] or groups
        mine = next((group for group in groups if any(one.path.name == before for one in group)), alike[-1])
        mine.append(run)
    return groups


def _stack(group: Sequence[Run], legs: Sequence[tuple[ShotLeg, Run]]) -> Stack:
    main = _main(group)
    numbers = {id(run): _numbers(run, main) for run in group}
    mine = [(place, run) for place, (_, run) in enumerate(legs) if id(run) in numbers]
    return Stack(
        runs=tuple(group),
        main=main,
        legs=tuple(place for place, _ in mine),
        frames=tuple(numbers[id(run)] for _, run in mine),
    )


def _main(group: Sequence[Run]) -> Run:
    """The run of the deepest plan; of runs that took frames between, one that counts all of these."""
    main = max(group, key=lambda run: len(run.past.rows))
    if not main.past.between:
        return main
    before = next((run for run in group if run.past.digest == of_whole(main.past.digest)), None)
    alike = [run.past for run in group if run.past.between and of_whole(run.past.digest) == of_whole(main.past.digest)]
    after = tuple(sorted({frame for past in alike for frame in past.between}))
    if before is None or after == main.past.between:
        return main
    rows = tuple(with_rows_between(before.past.rows, before.past.columns, after))
    digest = of_between(before.past.digest, after)
    return replace(main, past=replace(main.past, digest=digest, rows=rows, between=after))


def _numbers(run: Run, main: Run, *, one_front: bool = True) -> dict[int, int] | None:
    """Which frame of the main plan each frame of a run is; None where the plans are the same."""
    mine, other = run.past, main.past
    if mine.digest == other.digest:
        return None
    if mine.profile_digest != other.profile_digest:
        raise Refusal("these journals belong to runs on different rails.", code="other_profile")
    try:
        return common_frames(
            by_column(mine.columns, mine.rows),
            by_column(other.columns, other.rows),
            shift_microsteps=(mine.front_at - other.front_at) * one_front,
            shift_um=(mine.front_at_mm - other.front_at_mm) * 1000 * one_front,
            between=inserted(other.between),
        )
    except Refusal as refusal:
        raise Refusal(
            f"these journals belong to different plans; name those of one plan, or of one made deeper ({refusal})",
            code="other_plan",
        ) from refusal
