"""Which journals belong together: a plan that was run twice is two stacks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stacker.verifying.shots import Run, ShotLeg


@dataclass(frozen=True, kw_only=True, slots=True)
class Stack:
    """The runs that took one stack.

    Parameters
    ----------
    runs : tuple of Run
        One of the whole plan, and those that took some of its frames again.
    legs : tuple of int
        Places of their legs among all.
    """

    runs: tuple[Run, ...]
    legs: tuple[int, ...]


def stacks_of(runs: Sequence[Run]) -> tuple[list[ShotLeg], list[Stack]]:
    """All legs in order of time, and the stacks that they make.

    A run of some frames goes with the run of the whole plan before it. One of the ends is a trial: its pictures stand
    for no frame of a stack, unless nothing else was named.

    Parameters
    ----------
    runs : sequence of Run
        In any order where all say when they began; else as they followed one another.
    """
    if all(run.past.began_utc for run in runs):
        runs = sorted(runs, key=lambda run: run.past.began_utc)
    trials = any(run.past.kind != "ends" for run in runs)
    groups: list[list[Run]] = []
    for run in runs:
        if run.past.kind == "ends" and trials:
            continue
        if run.past.kind in ("all", "ends") or not groups:
            groups.append([run])
        else:
            groups[-1].append(run)
    legs = [(leg, run) for run in runs for leg in run.legs]
    # in the order of the clock on the wall; a leg without one stays where it was named
    if all(leg.begins_s is not None for leg, _ in legs):
        legs.sort(key=lambda pair: pair[0].begins_s or 0.0)
    stacks = [
        Stack(runs=tuple(group), legs=tuple(place for place, (_, run) in enumerate(legs) if run in group))
        for group in groups
    ]
    return [leg for leg, _ in legs], stacks
