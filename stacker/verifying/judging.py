"""One stack judged by one reading of the folder."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stacker.documents.journal_values import CLOSING
from stacker.verifying.exposures import Picture
from stacker.verifying.folder import Folder
from stacker.verifying.gaps import Gaps, gaps
from stacker.verifying.readings import Reading
from stacker.verifying.stacks import Stack
from stacker.verifying.verdict import Damage, Found, Verdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """A folder, and one reading of it for all journals.

    Parameters
    ----------
    reading : Reading
        Of all legs.
    folder : Folder
        What was found.
    each : int
        Pictures of every frame.
    places : tuple of set
        For each picture, every shot that it may belong to.
    fitting : int
        Pictures at the times of shots that surely were made.
    times_fit : bool
        Whether so many are no coincidence.
    """

    reading: Reading
    folder: Folder
    each: int
    places: tuple[set[tuple[int, int]], ...]
    fitting: int
    times_fit: bool

    @property
    def spare(self) -> list[int]:
        """Pictures that belong to no shot."""
        return [index for index, places in enumerate(self.places) if not places]

    @property
    def unlinked(self) -> bool:
        """Whether a leg without a clock may have been laid beside the wrong pictures."""
        legs = self.reading.legs
        return bool(self.spare) and len(legs) > 1 and any(leg.begins_s is None for leg in legs)


def evidence_of(reading: Reading, folder: Folder, each: int) -> Evidence:
    """Count what fits.

    Parameters
    ----------
    reading, folder, each
        As for `Evidence`.
    """
    counts = {(leg, place) for leg, place, shot in reading.shots() if shot.counts}
    fitting = sum(len(mine) for key, mine in reading.taken().items() if key in counts)
    pictures = len(folder.pictures)
    return Evidence(
        reading=reading,
        folder=folder,
        each=each,
        places=reading.places(pictures),
        fitting=fitting,
        times_fit=not pictures or _beyond_chance(fitting, len(counts) * each, pictures),
    )


def _beyond_chance(count: int, slots: int, pictures: int) -> bool:
    """Whether so many pictures at the times of the journals are no coincidence, test shots for frames.

    Two or three pictures find a place by chance at some offset; a dozen at one rhythm do not.
    """
    return count * 2 >= min(slots, pictures) and count >= min(slots * 2 / 3, 12) and (count > 2 or count == pictures)


def judge(evidence: Evidence, stack: Stack) -> Verdict:
    """What the folder holds of one stack.

    Parameters
    ----------
    evidence : Evidence
        The folder as it is read.
    stack : Stack
        Which of its legs are meant.
    """
    folder, fit = evidence.folder, evidence.times_fit
    reading = evidence.reading.part(stack.legs, stack.frames)
    plan = stack.main.past
    depth = plan.columns.index("focus_um")
    focus_mm = {row[0]: row[depth] / 1000 for row in plan.rows}
    confirmed = {shot.frame for _, _, shot in reading.shots() if shot.confirmed} - {CLOSING}
    lacking = _gaps(evidence, reading, confirmed)
    not_shot = set(focus_mm) - confirmed
    blank = Verdict(
        journals=tuple(str(run.path) for run in stack.runs),
        main=str(stack.main.path),
        panel=plan.panel,
        frames=len(focus_mm),
        times_fit=fit,
        missing=tuple(sorted(lacking.bare)),
        doubtful=tuple(sorted(lacking.open - lacking.bare)),
        doubtful_least=lacking.least - len(lacking.bare),
        doubtful_most=lacking.most - len(lacking.bare),
        not_shot=tuple(sorted(not_shot)),
        pending=tuple(sorted(not_shot & set(stack.pending))),
        damaged=tuple(_damaged(evidence, reading)),
        doubled=_doubled(reading),
        unlinked=evidence.unlinked,
        focus_mm=focus_mm,
        found=_found(evidence),
    )
    if not fit:
        return blank
    verdict = replace(
        blank,
        halves=tuple(sorted(_halves(reading, folder.pictures) - lacking.open)),
        out_of_order=_late(reading, folder.pictures, by_name=True),
        late=_late(reading, folder.pictures, by_name=False),
        files=_files(reading, folder.pictures),
    )
    return replace(verdict, complete=not (verdict.to_shoot or verdict.pending or verdict.unlinked))


def _found(evidence: Evidence) -> Found:
    """What is told of the folder, whatever the stack."""
    folder = evidence.folder
    names = [" + ".join(map(str, folder.pictures[index].files)) for index in evidence.spare]
    taken = {picture for mine in evidence.reading.taken().values() for picture in mine}
    return Found(
        pictures=len(folder.pictures),
        pictures_each=evidence.each,
        clock=folder.clock,
        exif_read=folder.exif_read,
        extra=tuple(names) if evidence.times_fit else (),
        unplaced=len(folder.pictures) - len(taken) if evidence.times_fit else 0,
        copies=tuple(map(str, folder.copies)),
        undated=tuple(map(str, folder.undated)),
        unfollowed=folder.unfollowed,
    )


def _gaps(evidence: Evidence, reading: Reading, confirmed: set[int]) -> Gaps:
    """Frames without pictures, as far as times tell; a picture without a time may be any of them."""
    pictures = len(evidence.folder.pictures) // evidence.each
    if not evidence.times_fit:
        return Gaps(bare=set(), open=confirmed, least=max(0, len(confirmed) - pictures), most=len(confirmed))
    told = gaps(reading, confirmed, evidence.each)
    undated = len({path.stem.lower() for path in evidence.folder.undated})
    return replace(told, bare=set(), least=max(0, told.least - undated)) if undated else told


def _damaged(evidence: Evidence, reading: Reading) -> Iterator[Damage]:
    """Files that are not whole, each with the frames of this stack that have no other picture."""
    folder, faults = evidence.folder, _faults(evidence)
    if not faults:
        return
    sound = _sound(reading, folder.pictures, faults, evidence.each)
    seen = set()
    places = reading.places(len(folder.pictures))
    for index, picture in enumerate(folder.pictures):
        mine = {reading.frame(*place) for place in places[index]} - {CLOSING}
        seen |= set(picture.files)
        for path in picture.files:
            if path in faults and (mine or not evidence.places[index]):
                frames = tuple(sorted(mine - sound)) if evidence.times_fit else ()
                yield Damage(file=str(path), fault=faults[path], frames=frames)
    for path in sorted(set(faults) - seen):
        yield Damage(file=str(path), fault=faults[path], frames=())


def _faults(evidence: Evidence) -> dict[Path, str]:
    """Faults of files, with those that hold what the file of another exposure holds."""
    faults, pictures = dict(evidence.folder.faults), evidence.folder.pictures
    placed = {
        path for picture, places in zip(pictures, evidence.places, strict=True) if places for path in picture.files
    }
    for twins in evidence.folder.twins:
        mine = [path for path in twins if path in placed]
        if len(mine) > 1:
            faults |= {path: f"same bytes as {mine[index - 1]}" for index, path in enumerate(mine)}
    return faults


def _sound(reading: Reading, pictures: Sequence[Picture], faults: Mapping[Path, str], each: int) -> set[int]:
    """Frames of which all pictures are whole, by every alignment."""
    whole = [not any(path in faults for path in picture.files) for picture in pictures]
    sound = set()
    for leg, options in enumerate(reading.options):
        places: set[int] | None = None
        for option in options:
            full = Counter(
                place for picture, place in enumerate(option.shot_of) if place is not None and whole[picture]
            )
            enough = {place for place, count in full.items() if count >= each}
            places = enough if places is None else places & enough
        sound |= {reading.frame(leg, place) for place in places or ()}
    return sound


def _doubled(reading: Reading) -> tuple[int, ...]:
    taken = (reading.legs[leg].shots[place] for leg, place in reading.taken())
    times = Counter(shot.frame or shot.taken_back for shot in taken)
    return tuple(sorted(frame for frame, count in times.items() if count > 1 and frame != CLOSING))


def _files(reading: Reading, pictures: Sequence[Picture]) -> dict[int, tuple[str, ...]]:
    """Files of each frame, as far as every reading of the data gives the same."""
    files: dict[int, list[str]] = {}
    for leg, options in enumerate(reading.options):
        for picture, places in enumerate(zip(*(option.shot_of for option in options), strict=True)):
            if places[0] is not None and len(set(places)) == 1:
                names = map(str, pictures[picture].files)
                files.setdefault(reading.frame(leg, places[0]), []).extend(names)
    return {frame: tuple(names) for frame, names in sorted(files.items()) if frame != CLOSING}


def _halves(reading: Reading, pictures: Sequence[Picture]) -> set[int]:
    """Frames with only one of the two files that most exposures have."""
    used = [(reading.frame(*key), pictures[picture].kinds) for key, mine in reading.taken().items() for picture in mine]
    kinds = Counter(kind for _, kind in used)
    usual = max(kinds, key=lambda kind: kinds[kind], default=frozenset[str]())
    whole = {frame for frame, kind in used if kind >= usual}
    return {frame for frame, kind in used if kind < usual} - whole - {CLOSING}


def _late(reading: Reading, pictures: Sequence[Picture], *, by_name: bool) -> tuple[int, ...]:
    """Frames that come after a later one, where pictures are sorted by name and number, or by time."""
    found = [
        ((one.prefix, one.number or 0) if by_name else (one.taken_s,), frame)
        for key, mine in reading.taken().items()
        for one in (pictures[picture] for picture in mine)
        if (frame := reading.frame(*key)) != CLOSING
    ]
    last, late = 0, set()
    for _, frame in sorted(found):
        if frame < last:
            late.add(frame)
        last = max(last, frame)
    return tuple(sorted(late))
