"""The pictures in a folder: which files belong together, when each was taken, what number its name carries."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from stacker.errors import Refusal
from stacker.pictures.exif import exif_reader

# What cameras write and programs leave beside pictures without being one. Raw files have too many endings to list:
# any other file whose name ends in a number counts as a picture.
_NO_PICTURE = frozenset(
    {"avi", "csv", "db", "htm", "html", "ini", "json", "jsonl", "lnk", "log", "md", "mov", "mp4", "ngc", "pdf", "py"}
    | {"svg", "thm", "txt", "wav", "xml", "xmp", "yaml", "yml", "zip"}
)
_PICTURE = frozenset({"dng", "heic", "heif", "hif", "jpe", "jpeg", "jpg", "png", "tif", "tiff"})
_COPY = re.compile(r"(?P<base>.*\d)(?: ?\(\d+\)|[ _-]+copy(?:[ _-]?\d+)?)", re.IGNORECASE)
_NUMBER = re.compile(r"(?P<prefix>.*?)(?P<number>\d+)")
_PAIR_S = {"exif": 0.1, "file": 3.0}  # raw file and JPEG share their capture time, and are written within seconds
_MOMENT_S = 0.6  # and without a common name, within that
_WORTH_HASHING = 4096  # smaller files are no pictures of a camera, and alike without being copies


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Folder:
    """What was found.

    Parameters
    ----------
    pictures : tuple of Picture
        By time, then number.
    copies : tuple of Path
        Copies of files that are there as well.
    clock : str
        ``exif`` or ``file``: where the times come from.
    resolution_s : float
        Of these times [s].
    """

    pictures: tuple[Picture, ...]
    copies: tuple[Path, ...]
    clock: str
    resolution_s: float


@dataclass
class _File:
    path: Path
    size: int
    written_s: float
    exif_s: float | None
    stem: str = ""
    taken_s: float = field(default=0.0)


def read_folder(folder: Path, *, exif: Callable[[Path], float | None] | None = None) -> Folder:
    """Look through a folder and those in it.

    Parameters
    ----------
    folder : Path
        Where the pictures are.
    exif : callable or None
        Gives the capture time of a file [s], or None; `exif_reader` unless given.

    Raises
    ------
    Refusal
        When there is no such folder.
    """
    if not folder.is_dir():
        raise Refusal(f"{folder}: no such folder. Name the one with the files from the camera.", code="no_folder")
    reader = exif_reader() if exif is None else exif
    files = []
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if _is_picture(path) and not any(part.startswith(".") for part in name.parts):
            status = path.stat()
            exif_s = reader(path) if reader else None
            files.append(_File(path=name, size=status.st_size, written_s=status.st_mtime, exif_s=exif_s))
    by_exif = bool(files) and all(file.exif_s is not None for file in files)
    for file in files:
        file.taken_s = file.exif_s if by_exif and file.exif_s is not None else file.written_s
    kept, copies = _without_copies(files, folder)
    clock = "exif" if by_exif else "file"
    resolution_s = _resolution_s([file.taken_s for file in files])
    paired = _paired(kept, _PAIR_S[clock], max(_MOMENT_S, resolution_s))
    pictures = _counted_on(sorted(paired, key=_by_time))
    return Folder(
        pictures=tuple(sorted(pictures, key=_by_time)),
        copies=tuple(copies),
        clock=clock,
        resolution_s=resolution_s,
    )


def _by_time(picture: Picture) -> tuple[float, str, int]:
    return picture.taken_s, picture.prefix, picture.number or 0


def _is_picture(path: Path) -> bool:
    ending = path.suffix.lower().removeprefix(".")
    if not path.is_file() or ending in _NO_PICTURE or not ending:
        return False
    return ending in _PICTURE or path.stem[-1:].isdigit() or _COPY.fullmatch(path.stem) is not None


def _resolution_s(times_s: list[float]) -> float:
    """What the times are rounded down to: memory cards keep even seconds, cameras often whole ones."""
    for step_s in (2.0, 1.0):
        if all(time_s % step_s == 0 for time_s in times_s):
            return step_s
    return 0.01


def _without_copies(files: list[_File], folder: Path) -> tuple[list[_File], list[Path]]:
    """Files named as copies of one that is there, or equal to one taken at the same time, are set aside."""
    names = {(file.path.parent, file.path.name.lower()) for file in files}
    kept: list[_File] = []
    copies: list[Path] = []
    alike: dict[tuple[int, float, str], list[_File]] = {}
    for file in files:
        match = _COPY.fullmatch(file.path.stem)
        file.stem = match["base"] if match else file.path.stem
        if match and (file.path.parent, f"{file.stem}{file.path.suffix}".lower()) in names:
            copies.append(file.path)
            continue
        twins = alike.setdefault((file.size, file.taken_s, file.path.suffix.lower()), [])
        if file.size >= _WORTH_HASHING and any(_digest(folder / t.path) == _digest(folder / file.path) for t in twins):
            copies.append(file.path)
            continue
        twins.append(file)
        kept.append(file)
    return kept, copies


def _digest(path: Path) -> bytes:
    with path.open("rb") as file:
        digest = hashlib.sha256()
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.digest()


def _paired(files: list[_File], within_s: float, moment_s: float) -> Iterable[Picture]:
    """Files of one name and different kind are one exposure when their times agree, from two folders too."""
    groups: dict[str, list[list[_File]]] = {}
    for file in files:
        same_name = groups.setdefault(file.stem.lower(), [])
        for group in same_name:
            if all(_one_exposure(file, other, within_s) for other in group):
                group.append(file)
                break
        else:
            same_name.append([file])
    by_name = [group for same_name in groups.values() for group in same_name]
    for group in _paired_by_time(by_name, moment_s):
        match = _NUMBER.fullmatch(group[0].stem)
        yield Picture(
            files=tuple(file.path for file in group),
            taken_s=min(file.taken_s for file in group),
            prefix=match["prefix"] if match else group[0].stem,
            number=int(match["number"]) if match else None,
            digits=len(match["number"]) if match else 0,
        )


def _paired_by_time(groups: list[list[_File]], within_s: float) -> list[list[_File]]:
    """Where pairs are the rule, single files of different kind and one moment are a pair that somebody renamed."""
    singles = sorted((group for group in groups if len(group) == 1), key=lambda group: group[0].taken_s)
    kinds = Counter(file.path.suffix.lower() for group in groups for file in group).most_common(2)
    if len(kinds) < 2 or kinds[1][1] < 0.6 * kinds[0][1]:
        return groups
    paired = [group for group in groups if len(group) > 1]
    while singles:
        group = singles.pop(0)
        if singles and _one_exposure(group[0], singles[0][0], within_s):
            group = group + singles.pop(0)
        paired.append(group)
    return paired


def _one_exposure(one: _File, other: _File, within_s: float) -> bool:
    return one.path.suffix.lower() != other.path.suffix.lower() and abs(one.taken_s - other.taken_s) <= within_s


def _counted_on(pictures: list[Picture]) -> list[Picture]:
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
