"""Are all frames there? The pictures of a folder held against the journals of the runs that took them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from stacker.verifying.folder import Folder
from stacker.verifying.judging import Evidence, evidence_of, judge
from stacker.verifying.readings import Reading, readings
from stacker.verifying.shots import Run
from stacker.verifying.stacks import Stack, stacks_of
from stacker.verifying.verdict import Damage, Verdict

_ALIKE_LEAST = 4  # pictures that could be another run of the plan; fewer are test shots
_ALIKE_SHARE = 0.6  # of its frames


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """A stack, what the folder holds of it, and the near readings that say so.

    Parameters
    ----------
    stack : Stack
        Its runs.
    verdict : Verdict
        Of its frames.
    readings : tuple of Reading
        Of its legs alone.
    """

    stack: Stack
    verdict: Verdict
    readings: tuple[Reading, ...]


def verify(runs: Sequence[Run], folder: Folder, *, pictures_each: int = 1) -> tuple[Verdict, ...]:
    """Look for a picture of every frame.

    Parameters, errors and order as for `tell`.
    """
    return tuple(told.verdict for told in tell(runs, folder, pictures_each=pictures_each))


def tell(runs: Sequence[Run], folder: Folder, *, pictures_each: int = 1) -> tuple[Told, ...]:
    """The same with what it rests on.

    Parameters
    ----------
    runs : sequence of Run
        Of a plan, and those that shot some of its frames again; a plan run twice is two stacks.
    folder : Folder
        What was found there.
    pictures_each : int
        Pictures of every frame (an exposure bracket).

    Returns
    -------
    tuple of Told
        One a stack, in order of time.

    Raises
    ------
    Refusal
        When the journals are of plans that do not agree where they meet.
    """
    legs, stacks = stacks_of(runs)
    found = [evidence_of(one, folder, pictures_each) for one in readings(legs, folder, pictures_each)]
    return tuple(
        Told(
            stack=stack,
            verdict=_verdict(found, stack),
            readings=tuple(evidence.reading.part(stack.legs, stack.frames) for evidence in found),
        )
        for stack in stacks
    )


def _verdict(found: Sequence[Evidence], stack: Stack) -> Verdict:
    """By the readings that fit the most pictures, with the doubts that others leave."""
    most = found[0].reading.count
    judged = [(evidence.reading.count == most, judge(evidence, stack)) for evidence in found]
    verdict = _in_common([one for best, one in judged if best])
    others = [one for best, one in judged if not best]
    ends = {min(verdict.focus_mm), max(verdict.focus_mm)}
    doubts = set().union(*({*one.missing, *one.doubtful} for one in others)) - {*verdict.missing, *verdict.doubtful}
    if doubts:
        doubts |= ends - {*verdict.missing}  # a stray picture at their rhythm looks like an end
        verdict = _with_doubts(verdict, others, doubts)
    alike = _look_alike(found[0], stack)
    if alike is not None:
        other, pictures = alike
        verdict = _with_doubts(verdict, [other], {*other.missing, *other.doubtful} - {*verdict.missing})
        verdict = replace(verdict, look_alikes=pictures)
    return _with_named_depths(verdict)


def _in_common(verdicts: Sequence[Verdict]) -> Verdict:
    """What readings say that fit equally many pictures: certain is what all of them say."""
    first = verdicts[0]
    missing = set(first.missing).intersection(*(one.missing for one in verdicts))
    doubtful = set().union(*({*one.missing, *one.doubtful} for one in verdicts)) - missing
    frames_of: dict[tuple[str, str], set[int]] = {}
    for damage in (damage for one in verdicts for damage in one.damaged):
        frames_of.setdefault((damage.file, damage.fault), set()).update(damage.frames)
    return replace(
        first,
        complete=all(one.complete for one in verdicts),
        missing=tuple(sorted(missing)),
        doubtful=tuple(sorted(doubtful)),
        doubtful_least=min(len(one.missing) + one.doubtful_least for one in verdicts) - len(missing),
        doubtful_most=max(len(one.missing) + one.doubtful_most for one in verdicts) - len(missing),
        damaged=tuple(
            Damage(file=file, fault=fault, frames=tuple(sorted(frames))) for (file, fault), frames in frames_of.items()
        ),
        halves=tuple(sorted(set().union(*(one.halves for one in verdicts)))),
        files={
            frame: names
            for frame, names in first.files.items()
            if all(one.files.get(frame) == names for one in verdicts)
        },
    )


def _look_alike(best: Evidence, stack: Stack) -> tuple[Verdict, int] | None:
    """What the stack would be of the pictures left over, where so many of them fit its journals that they could be it.

    The camera's clock is off by nobody knows how much, so a second stack of one rhythm fits as well as the first.
    """
    left = tuple(best.folder.pictures[index] for index in best.spare)
    reading = best.reading.part(stack.legs, stack.frames)
    enough = max(_ALIKE_LEAST, best.each * sum(shot.counts for _, _, shot in reading.shots()) * _ALIKE_SHARE)
    if len(left) < enough:
        return None
    aside = replace(best.folder, pictures=left)
    other = evidence_of(readings(reading.legs, aside, best.each)[0], aside, best.each)
    alone = replace(stack, legs=tuple(range(len(reading.legs))), frames=(None,) * len(reading.legs))
    return (judge(other, alone), other.fitting) if other.fitting >= enough else None


def _with_doubts(verdict: Verdict, others: Sequence[Verdict], doubts: set[int]) -> Verdict:
    """A verdict with the doubts of other readings of the same times."""
    if not doubts:
        return verdict
    doubtful = tuple(sorted({*verdict.doubtful, *doubts}))
    most = max(len(one.missing) + one.doubtful_most for one in (verdict, *others)) - len(verdict.missing)
    return replace(verdict, complete=False, doubtful=doubtful, doubtful_most=min(most, len(doubtful)))


def _with_named_depths(verdict: Verdict) -> Verdict:
    """Only the depths of frames that it names."""
    damaged = {frame for damage in verdict.damaged for frame in damage.frames}
    named = {*verdict.missing, *verdict.doubtful, *verdict.not_shot, *verdict.halves, *verdict.doubled, *damaged}
    return replace(verdict, focus_mm={frame: verdict.focus_mm[frame] for frame in sorted(named)})
