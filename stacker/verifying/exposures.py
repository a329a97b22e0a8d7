"""Which files are one exposure: raw file and JPEG, copies set aside, numbers counted on."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stacker.pictures.soundness import Look
from stacker.verifying.twins import same_bytes

COPY = re.compile(r"(?P<base>.*\d)(?: ?\(\d+\)|[ _-]+copy(?:[ _-]?\d+)?)", re.IGNORECASE)
_NUMBER = re.compile(r"(?P<prefix>.*?)(?P<number>\d+)")
_PAIR_EXIF_S = 0.1  # raw file and JPEG share their capture time
_PAIR_FILE_S = 3.0  # and are written within seconds
_MOMENT_S = 0.6  # without a common name, they share a moment


@dataclass(frozen=True, kw_only=True, slots=True)
class Picture:
    """One exposure: a raw file, a JPEG, or both.

    Parameters
    ----------
    files : tuple of Path
        Its files, relative to the folder.
    taken_s : float
        When, by the camera's clock [s]; where it starts does not matter.
    prefix : str
        Its name before the number.
    number : int or None
        The number at the end of its name, counted on where a counter rolled over.
    digits : int
        How many digits it has in the name.
    """

    files: tuple[Path, ...]
    taken_s: float
    prefix: str
    number: int | None
    digits: int

    @property
    def kinds(self) -> frozenset[str]:
        """Endings of its files, in small letters."""
        return frozenset(path.suffix.lower() for path in self.files)


@dataclass(kw_only=True, eq=False)
class File:
    """A file with what was read of it.

    Parameters
    ----------
    path : Path
        Relative to the folder.
    size : int
        In bytes.
    written_s, exif_s : float, float or None
        When it was written, and when the camera says that it was taken [s].
    look : Look
        What its bytes tell.
    stem : str
        Its name without ending, and without what marks a copy.
    taken_s : float or None
        By the folder's clock [s].
    """

    path: Path
    size: int
    written_s: float
    exif_s: float | None
    look: Look
    stem: str = ""
    taken_s: float | None = None


def without_copies(files: Sequence[File], folder: Path) -> tuple[list[File], list[Path]]:
    """Files named as copies of one that is there, or equal to one taken at the same time, are set aside.

    Parameters
    ----------
    files : sequence of File
        All that were found; their `stem` is set.
    folder : Path
        Where they are.

    Returns
    -------
    list of File, list of Path
        What is kept, and the copies.
    """
    names = {(file.path.parent, file.path.name.lower()) for file in files}
    kept: list[File] = []
    copies: list[Path] = []
    alike: dict[tuple[int, float, str], list[File]] = {}
    for file in files:
        match = COPY.fullmatch(file.path.stem)
        file.stem = match["base"] if match else file.path.stem
        moment_s = file.written_s if file.taken_s is None else file.taken_s
        equals = alike.setdefault((file.size, moment_s, file.path.suffix.lower()), [])
        named = match and (file.path.parent, f"{file.stem}{file.path.suffix}".lower()) in names
        if named or (file.size and any(same_bytes(folder / one.path, folder / file.path) for one in equals)):
            copies.append(file.path)
        else:
            equals.append(file)
            kept.append(file)
    return kept, copies


def paired(files: Sequence[File], resolution_s: float) -> tuple[list[Picture], list[File]]:
    """Files of one name and different kind are one exposure when their times agree, from two folders too.

    Parameters
    ----------
    files : sequence of File
        Without copies.
    resolution_s : float
        Of the capture times [s].

    Returns
    -------
    list of Picture, list of File
        The exposures, and files of which nobody knows when they were taken.
    """
    groups: dict[str, list[list[File]]] = {}
    for file in files:
        same_name = groups.setdefault(file.stem.lower(), [])
        for group in same_name:
            if all(_one_exposure(file, other) for other in group):
                group.append(file)
                break
        else:
            same_name.append([file])
    by_name = [group for same_name in groups.values() for group in same_name]
    dated, undated = list[tuple[float, list[File]]](), list[File]()
    for group in by_name:
        times_s = [file.taken_s for file in group if file.taken_s is not None]
        if times_s:
            dated.append((min(times_s), group))
        else:
            undated += group
    by_time = _paired_by_time(dated, max(_MOMENT_S, resolution_s))
    return [_picture(taken_s, group) for taken_s, group in by_time], undated


def _picture(taken_s: float, group: Sequence[File]) -> Picture:
    match = _NUMBER.fullmatch(group[0].stem)
    return Picture(
        files=tuple(file.path for file in group),
        taken_s=taken_s,
        prefix=match["prefix"] if match else group[0].stem,
        number=int(match["number"]) if match else None,
        digits=len(match["number"]) if match else 0,
    )


def _paired_by_time(groups: list[tuple[float, list[File]]], within_s: float) -> list[tuple[float, list[File]]]:
    """Where pairs are the rule, single files of different kind and one moment are a pair that somebody renamed."""
    kinds = Counter(_kind(file) for _, group in groups for file in group).most_common(2)
    if len(kinds) < 2 or kinds[1][1] < 0.6 * kinds[0][1]:
        return groups
    pairs = [group for group in groups if len(group[1]) > 1]
    singles = sorted((group for group in groups if len(group[1]) == 1), key=lambda group: group[0])
    while singles:
        taken_s, group = singles.pop(0)
        if singles and _kind(group[0]) != _kind(singles[0][1][0]) and singles[0][0] - taken_s <= within_s:
            group = group + singles.pop(0)[1]
        pairs.append((taken_s, group))
    return pairs


def _kind(file: File) -> str:
    return file.path.suffix.lower()


def _one_exposure(one: File, other: File) -> bool:
    """Two files of one name; where only one has a capture time, they were written within seconds."""
    if one.exif_s is not None and other.exif_s is not None:
        agree = abs(one.exif_s - other.exif_s) <= _PAIR_EXIF_S
    else:
        agree = abs(one.written_s - other.written_s) <= _PAIR_FILE_S
    return _kind(one) != _kind(other) and agree


def counted_on(pictures: list[Picture]) -> list[Picture]:
    """Numbers that go on after a counter rolled over (9999, then 0001 or 0000); pictures come in order of time."""
    out = []
    for prefix in {picture.prefix for picture in pictures}:
        mine = [picture for picture in pictures if picture.prefix == prefix]
        numbers = [picture.number for picture in mine if picture.number is not None]
        top = 10 ** max(picture.digits for picture in mine)
        turn = top - (0 if 0 in numbers else 1)
        added = last = 0
        for picture in mine:
            if picture.number is None:
                out.append(picture)
                continue
            if last - picture.number > top // 2:
                added += turn
            elif added and picture.number - last > top // 2:
                added -= turn  # two of one second, sorted the wrong way round about the roll-over
            last = picture.number
            out.append(replace(picture, number=picture.number + added))
    return out
