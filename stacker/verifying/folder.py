"""The pictures in a folder: when each was taken, what is wrong with its files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from stacker.errors import Refusal
from stacker.pictures.exif import exif_reader
from stacker.pictures.soundness import look
from stacker.verifying.exposures import COPY, File, Picture, counted_on, paired, without_copies
from stacker.verifying.faults import faults_of
from stacker.verifying.twins import twins_of

# What cameras write and programs leave beside pictures without being one. Raw files have too many endings to list:
# any other file whose name ends in a number counts as a picture.
_NO_PICTURE = frozenset(
    {"avi", "csv", "db", "htm", "html", "ini", "json", "jsonl", "lnk", "log", "looks", "md", "mov", "mp4", "ngc"}
    | {"pdf", "py", "svg", "thm", "txt", "wav", "xml", "xmp", "yaml", "yml", "zip"}
)
_PICTURE = frozenset({"dng", "heic", "heif", "hif", "jpe", "jpeg", "jpg", "png", "tif", "tiff"})


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
    exif_read : bool
        Whether there was a reader of capture times.
    resolution_s : float
        Of these times [s].
    faults : dict of Path to str
        What is wrong with a file.
    twins : tuple of tuple of Path
        Files that hold the same bytes, though they are dated apart.
    undated : tuple of Path
        Pictures without a capture time where nearly all others have one; they are not among `pictures`.
    unfollowed : tuple of str
        Endings of files whose build is not known here, so that nobody looked whether they are whole.
    """

    pictures: tuple[Picture, ...]
    copies: tuple[Path, ...]
    clock: str
    exif_read: bool
    resolution_s: float
    faults: dict[Path, str]
    twins: tuple[tuple[Path, ...], ...]
    undated: tuple[Path, ...]
    unfollowed: tuple[str, ...]


def read_folder(folder: Path, *, exif: Callable[[Path], float | None] | None = None, pictures_each: int = 1) -> Folder:
    """Look through a folder and those in it.

    Parameters
    ----------
    folder : Path
        Where the pictures are.
    exif : callable or None
        Gives the capture time of a file [s], or None; `exif_reader` unless given.
    pictures_each : int
        Pictures of every frame; the sizes of a bracket's dark and bright ones are not compared.

    Raises
    ------
    Refusal
        When there is no such folder.
    """
    if not folder.is_dir():
        raise Refusal(f"{folder}: no such folder. Name the one with the files from the camera.", code="no_folder")
    reader = exif_reader() if exif is None else exif
    found = list(_files(folder, reader))
    clock = "exif" if _mostly_dated(found) else "file"
    for file in found:
        file.taken_s = file.exif_s if clock == "exif" else file.written_s
    kept, copies = without_copies(found, folder)
    times_s = [file.taken_s for file in kept if file.taken_s is not None]
    resolution_s = _resolution_s(times_s, clock)
    pictures, undated = paired(kept, resolution_s)
    faults, unfollowed = faults_of(kept, compare_sizes=pictures_each == 1)
    return Folder(
        pictures=tuple(sorted(counted_on(sorted(pictures, key=_by_time)), key=_by_time)),
        copies=tuple(copies),
        clock=clock,
        exif_read=reader is not None,
        resolution_s=resolution_s,
        faults=faults,
        twins=tuple(twins_of({file.path: file.size for file in kept if file.path not in faults}, folder)),
        undated=tuple(file.path for file in undated if file.path not in faults),
        unfollowed=unfollowed,
    )


def _files(folder: Path, exif: Callable[[Path], float | None] | None) -> Iterable[File]:
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if _is_picture(path) and not any(part.startswith(".") for part in name.parts):
            status, looked = path.stat(), look(path)
            exif_s = exif(path) if exif and looked.lost is None else None
            yield File(path=name, size=status.st_size, written_s=status.st_mtime, exif_s=exif_s, look=looked)


def _is_picture(path: Path) -> bool:
    ending = path.suffix.lower().removeprefix(".")
    if not path.is_file() or ending in _NO_PICTURE or not ending:
        return False
    return ending in _PICTURE or path.stem[-1:].isdigit() or COPY.fullmatch(path.stem) is not None


def _mostly_dated(files: Sequence[File]) -> bool:
    """Whether the exposures have capture times, but for one or a tenth; a file that holds no picture does not count."""
    names = {file.path.stem.lower() for file in files if file.look.fault is None}
    dated = {file.path.stem.lower() for file in files if file.exif_s is not None}
    undated = len(names - dated)
    return undated <= max(1, len(names) // 10) and undated < len(dated)


def _resolution_s(times_s: Sequence[float], clock: str) -> float:
    """What the times are rounded down to: cameras write whole seconds, or finer; a memory card keeps even ones."""
    for step_s in (2.0, 1.0) if clock == "file" else (1.0,):
        if all(time_s % step_s == 0 for time_s in times_s):
            return step_s
    return 0.01


def _by_time(picture: Picture) -> tuple[float, str, int]:
    return picture.taken_s, picture.prefix, picture.number or 0
