"""Are all frames there? The pictures of a folder held against the journal of the run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stacker.documents.journal_lines import CLOSING
from stacker.errors import Refusal
from stacker.verifying.alignment import Alignment, alignments, told_by_numbers
from stacker.verifying.folder import Folder, Picture
from stacker.verifying.legs import best_together
from stacker.verifying.shots import Shot, ShotLeg, read_shots

# What clocks and computers add to the camera's rounding. File times are those of writing, which come later by more or
# less; the narrowest that fits as many pictures as the widest is taken.
SLACK_S = {"exif": (0.1, 0.25, 0.6), "file": (0.1, 0.25, 0.5, 1.0, 2.5)}
# A wide slack presses a stray picture into the gap of a lost frame, by moving all that lie between. Where a narrower
# one leaves so few pictures over (and a seventh of all at most), that is as likely: what it misses is in doubt.
FEW_OVER = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What the folder holds of the stack.

    Parameters
    ----------
    complete : bool
        Every frame of the plan has its files, by every reading of the data.
    frames : int
        Frames of the plan.
    pictures : int
        Exposures in the folder, copies left out.
    clock : str
        ``exif`` or ``file``: where the capture times come from.
    times_fit : bool
        Whether they fit the journal; if not, nothing can be said frame by frame.
    missing : tuple of int
        Frames without files.
    doubtful : tuple of int
        `doubtful_count` of these are missing too, or may be where it is 0.
    doubtful_count : int
        How many of them.
    not_shot : tuple of int
        Frames that no journal given confirms.
    pending : tuple of int
        Those of them that ``--resume`` takes, when one journal is given.
    halves : tuple of int
        Frames of which the raw file or the JPEG is missing.
    doubled : tuple of int
        Frames that were taken more than once.
    out_of_order : tuple of int
        Frames whose files do not come in their turn by name.
    extra : tuple of str
        Pictures that belong to no frame (test shots).
    unplaced : int
        How many pictures there are beyond the exposures; more than `extra` where the times do not tell which.
    copies : tuple of str
        Copies of files that are there as well.
    focus_mm : dict
        Depth of each frame named above [mm].
    files : dict
        Files of each frame, where they are certain.
    unlinked : bool
        A journal without the time of day was resumed: spare pictures may hide a lost one.
    """

    complete: bool
    frames: int
    pictures: int
    clock: str
    times_fit: bool
    missing: tuple[int, ...]
    doubtful: tuple[int, ...]
    doubtful_count: int
    not_shot: tuple[int, ...]
    pending: tuple[int, ...]
    halves: tuple[int, ...]
    doubled: tuple[int, ...]
    out_of_order: tuple[int, ...]
    extra: tuple[str, ...]
    unplaced: int
    copies: tuple[str, ...]
    focus_mm: dict[int, float]
    files: dict[int, tuple[str, ...]]
    unlinked: bool

    @property
    def to_shoot(self) -> tuple[int, ...]:
        """Frames to take again: all that are missing or may be, and halves; a duplicate does no harm, a gap does."""
        return tuple(sorted({*self.missing, *self.doubtful, *self.not_shot, *self.halves} - set(self.pending)))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Reading:
    """The legs of all journals with the alignments that fit together best."""

    legs: tuple[ShotLeg, ...]
    options: tuple[tuple[Alignment, ...], ...]

    @property
    def count(self) -> int:
        """Pictures that have a shot."""
        return sum(options[0].count for options in self.options)

    def shots(self) -> list[tuple[int, int, Shot]]:
        """Leg, place in it, and shot, for all."""
        return [(leg, place, shot) for leg, part in enumerate(self.legs) for place, shot in enumerate(part.shots)]


def verify(journals: Sequence[Path], folder: Folder, *, pictures_each: int = 1) -> Verdict:
    """Look for a picture of every frame.

    Parameters
    ----------
    journals : sequence of Path
        Of the run, and of the runs that shot some of its frames again.
    folder : Folder
        What was found there.
    pictures_each : int
        Pictures of every frame (an exposure bracket).

    Raises
    ------
    InputError
        When a journal cannot be read.
    Refusal
        When the journals are of different plans.
    """
    pasts, legs = [], []
    for path in journals:
        past, parts = read_shots(path)
        pasts.append(past)
        legs += parts
    if len({past.digest for past in pasts}) > 1:
        raise Refusal("these journals belong to different plans; name those of one plan.", code="other_plan")
    # in the order of the clock on the wall; a leg without one stays where it was named
    if all(leg.begins_s is not None for leg in legs):
        legs.sort(key=lambda leg: leg.begins_s or 0.0)
    depth = pasts[0].columns.index("focus_um")
    focus_mm = {row[0]: row[depth] / 1000 for row in pasts[0].rows}
    pending = pasts[0].pending if len(pasts) == 1 else ()
    first, *others = (
        _judge(reading, folder, pictures_each, focus_mm, pending) for reading in _readings(legs, folder, pictures_each)
    )
    return _doubted(first, others, focus_mm)


def _readings(legs: Sequence[ShotLeg], folder: Folder, each: int) -> list[_Reading]:
    """The narrowest slack with which all pictures fit that fit at all, then narrower ones that leave few over."""
    readings: list[_Reading] = []
    for slack_s in SLACK_S[folder.clock]:
        readings.append(_read_with(legs, folder, each, slack_s))
        if readings[-1].count >= len(folder.pictures):
            break  # a wider one cannot fit more
    most = max(reading.count for reading in readings)
    best = next(reading for reading in readings if reading.count == most)
    few = min(FEW_OVER, most // 7)
    return [best, *(one for one in readings[: readings.index(best)] if one.count >= most - few)]


def _doubted(verdict: Verdict, others: Sequence[Verdict], focus_mm: dict[int, float]) -> Verdict:
    """A verdict with the doubts of other readings of the same times."""
    doubts = set().union(*({*one.missing, *one.doubtful} for one in others)) - {*verdict.missing, *verdict.doubtful}
    if not doubts:
        return verdict
    doubts |= {min(focus_mm), max(focus_mm)} - {*verdict.missing}  # a stray picture at their rhythm looks like an end
    named = {*verdict.focus_mm, *doubts}
    return replace(
        verdict,
        complete=False,
        doubtful=tuple(sorted({*verdict.doubtful, *doubts})),
        doubtful_count=0,
        focus_mm={frame: focus_mm[frame] for frame in sorted(named)},
    )


def _read_with(legs: Sequence[ShotLeg], folder: Folder, each: int, slack_s: float) -> _Reading:
    taken_s = [picture.taken_s for picture in folder.pictures]
    numbers = _numbers(folder.pictures)
    parts = [part.leg for part in legs]
    choices = [
        alignments(part.windows, taken_s, resolution_s=folder.resolution_s, slack_s=slack_s, pictures_each=each)
        for part in parts
    ]
    if not parts:
        return _Reading(legs=(), options=())
    options = []
    for part, best in zip(legs, best_together(parts, choices), strict=True):
        options.append(
            tuple(
                told_by_numbers(
                    one,
                    part.leg.windows,
                    taken_s,
                    numbers,
                    resolution_s=folder.resolution_s,
                    slack_s=slack_s,
                )
                if each == 1
                else one
                for one in best
            )
        )
    return _Reading(legs=tuple(legs), options=tuple(options))


def _numbers(pictures: Sequence[Picture]) -> list[int | None]:
    """The names' numbers, where all names share what stands before them."""
    one_name = len({picture.prefix for picture in pictures}) == 1
    return [picture.number if one_name else None for picture in pictures]


def _judge(reading: _Reading, folder: Folder, each: int, focus_mm: dict[int, float], pending: Sequence[int]) -> Verdict:
    shots, pictures = reading.shots(), folder.pictures
    confirmed = {shot.frame for _, _, shot in shots if shot.confirmed and shot.frame != CLOSING}
    not_shot = set(focus_mm) - confirmed
    taken = _taken(reading)
    can_be_open, bare, empty = set(confirmed), set(confirmed), set(confirmed)
    for leg, place, shot in shots:
        options = reading.options[leg]
        if shot.counts and not any(place in option.open_shots for option in options):
            can_be_open.discard(shot.frame)
        if not all(place in option.bare_shots for option in options):
            bare.discard(shot.frame)
        if shot.counts and len(taken.get((leg, place), ())) >= each:
            empty.discard(shot.frame)
    answered = sum(shot.counts for _, _, shot in shots)
    fitting = sum(len(mine) for (leg, place), mine in taken.items() if reading.legs[leg].shots[place].counts)
    times_fit = not pictures or _beyond_chance(fitting, answered * each, len(pictures))
    spare = [picture for picture in range(len(pictures)) if not _belongs(reading, picture)]
    unlinked = bool(spare) and len(reading.legs) > 1 and any(leg.begins_s is None for leg in reading.legs)
    if not times_fit:
        can_be_open, bare, count = set(confirmed), set[int](), max(0, len(confirmed) - len(pictures) // each)
    else:
        bare &= can_be_open
        count = max(0, len(empty) - len(bare))
    files = _files(reading, pictures) if times_fit else {}
    halves = _halves(reading, pictures, taken) - can_be_open if times_fit else set[int]()
    order = _out_of_order(reading, pictures, taken) if times_fit else set[int]()
    frames_taken = Counter(_frame(reading, leg, place) for leg, place in taken)
    verdict = Verdict(
        complete=False,
        frames=len(focus_mm),
        pictures=len(pictures),
        clock=folder.clock,
        times_fit=times_fit,
        missing=tuple(sorted(bare)),
        doubtful=tuple(sorted(can_be_open - bare)),
        doubtful_count=count,
        not_shot=tuple(sorted(not_shot)),
        pending=tuple(sorted(not_shot & set(pending))),
        halves=tuple(sorted(halves)),
        doubled=tuple(sorted(frame for frame, times in frames_taken.items() if times > 1 and frame != CLOSING)),
        out_of_order=tuple(sorted(order)),
        extra=tuple(_names(pictures[picture]) for picture in spare) if times_fit else (),
        unplaced=len(pictures) - len({picture for mine in taken.values() for picture in mine}) if times_fit else 0,
        copies=tuple(map(str, folder.copies)),
        focus_mm={},
        files=files,
        unlinked=unlinked,
    )
    named = {*verdict.missing, *verdict.doubtful, *verdict.not_shot, *verdict.halves, *verdict.doubled}
    complete = times_fit and not (verdict.to_shoot or verdict.pending or unlinked)
    return replace(verdict, complete=complete, focus_mm={frame: focus_mm[frame] for frame in sorted(named)})


def _beyond_chance(count: int, slots: int, pictures: int) -> bool:
    """Whether so many pictures at the times of the journal are no coincidence, test shots for frames.

    Two or three pictures find a place by chance at some offset; a dozen at one rhythm do not.
    """
    return count * 2 >= min(slots, pictures) and count >= min(slots * 2 / 3, 12) and (count > 2 or count == pictures)


def _frame(reading: _Reading, leg: int, place: int) -> int:
    """Frame of a shot."""
    return reading.legs[leg].shots[place].frame


def _taken(reading: _Reading) -> dict[tuple[int, int], list[int]]:
    """Pictures of each shot, by the first of the best alignments."""
    taken: dict[tuple[int, int], list[int]] = {}
    for leg, options in enumerate(reading.options):
        for picture, place in enumerate(options[0].shot_of):
            if place is not None:
                taken.setdefault((leg, place), []).append(picture)
    return taken


def _belongs(reading: _Reading, picture: int) -> bool:
    return any(option.shot_of[picture] is not None for options in reading.options for option in options)


def _files(reading: _Reading, pictures: Sequence[Picture]) -> dict[int, tuple[str, ...]]:
    """Files of each frame, as far as every reading of the data gives the same."""
    files: dict[int, list[str]] = {}
    for leg, options in enumerate(reading.options):
        for picture, places in enumerate(zip(*(option.shot_of for option in options), strict=True)):
            if places[0] is not None and len(set(places)) == 1:
                names = map(str, pictures[picture].files)
                files.setdefault(_frame(reading, leg, places[0]), []).extend(names)
    return {frame: tuple(names) for frame, names in sorted(files.items()) if frame != CLOSING}


def _halves(reading: _Reading, pictures: Sequence[Picture], taken: dict[tuple[int, int], list[int]]) -> set[int]:
    """Frames with only one of the two files that most exposures have."""
    used = [(key, picture) for key, mine in taken.items() for picture in mine]
    kinds = Counter(pictures[picture].kinds for _, picture in used)
    usual = max(kinds, key=lambda kind: kinds[kind], default=frozenset[str]())
    whole = Counter(_frame(reading, *key) for key, picture in used if pictures[picture].kinds >= usual)
    lacking = {_frame(reading, *key) for key, picture in used if pictures[picture].kinds < usual}
    return {frame for frame in lacking if not whole[frame] and frame != CLOSING}


def _out_of_order(reading: _Reading, pictures: Sequence[Picture], taken: dict[tuple[int, int], list[int]]) -> set[int]:
    """Frames that come after a later one when the files are sorted by name and number."""
    named = sorted(
        (pictures[picture].prefix, pictures[picture].number or 0, _frame(reading, *key))
        for key, mine in taken.items()
        for picture in mine
        if _frame(reading, *key) != CLOSING
    )
    last, late = 0, set()
    for _, _, frame in named:
        if frame < last:
            late.add(frame)
        last = max(last, frame)
    return late


def _names(picture: Picture) -> str:
    return " + ".join(map(str, picture.files))
