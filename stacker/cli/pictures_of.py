"""The pictures that a measurement asks for: of this camera, in full size; those of a run, frame by frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stacker.errors import Refusal
from stacker.figures import as_typed

if TYPE_CHECKING:
    from collections.abc import Sequence

_BORDER = 0.01  # of a side: developers of raw files show some pixels more or fewer than the camera says


def refuse_other_size(path: Path, shape: tuple[int, ...], pixels: Sequence[int]) -> None:
    """Refuse a picture that is smaller than the camera's, or a part of one.

    Raises
    ------
    Refusal
        In a smaller picture a pixel is not what it is on the sensor.
    """
    sides, wanted = sorted(shape), sorted(pixels)
    if any(abs(side / own - 1) > _BORDER for side, own in zip(sides, wanted, strict=True)):
        raise Refusal(
            f"{path}: found {sides[1]} x {sides[0]} pixels; a picture of this camera has {wanted[1]} x {wanted[0]}. "
            "Give the whole picture in full size: in a smaller one a pixel is not what it is on the sensor.",
            code="not_full_size",
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class RunPicture:
    """One frame of a run: its file, and where the plane of focus was [um], positive deeper, in air."""

    path: Path
    position_um: float


def pictures_of_run(folder: Path, journals: Sequence[Path], *, raw: bool) -> list[RunPicture]:
    """The files of a run whose frame is certain, in order of depth; frames taken again have journals of their own.

    Raises
    ------
    Refusal
        When the folder does not hold them, or not of the kind that is asked for, or the journals are of several stacks.
    """
    from stacker.pictures.raw import DEVELOPED
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.verify import verify

    runs = [read_run(journal) for journal in journals]
    verdict, *others = verify(runs, read_folder(folder))
    if others:
        raise Refusal(
            f"these journals are of {len(others) + 1} stacks; name one run, and the runs that took some of its frames "
            "again or took what was missing",
            code="several_stacks",
        )
    run = next(run for run in runs if str(run.path) == verdict.main)
    columns = run.past.columns
    at, frame_at = columns.index("rail_um"), columns.index("frame")
    position_um = {row[frame_at]: float(row[at]) for row in run.past.rows}
    found, other = [], None
    for frame, files in verdict.files.items():
        paths = [folder / name for name in files]
        wanted = [path for path in paths if (path.suffix.lower() not in DEVELOPED) == raw]
        other = other or next((path for path in paths if path not in wanted), None)
        if wanted and frame in position_um:
            found.append(RunPicture(path=wanted[0], position_um=position_um[frame]))
    if not found and other is not None and raw:
        raise Refusal(
            f"{other}: a developed picture; demosaicing, tone curve and sharpening change the contrast of an edge by "
            "up to 40%, so raw files are needed",
            code="developed",
        )
    if not found:
        raise Refusal(
            f"{folder}: found no picture that certainly belongs to a frame of this run"
            + (f"; {other.name} is a raw file: develop it in full size, all frames alike" if other else "")
            + f". See: stacker verify {as_typed(folder)} "
            + " ".join(f"--journal {as_typed(journal)}" for journal in journals),
            code="no_pictures",
        )
    return sorted(found, key=lambda picture: picture.position_um)


def pictures_of_exposures(folder: Path, journal: Path, count: int) -> dict[int, Path]:
    """The developed picture of every exposure of a run, by its number: each certain, and none missing.

    Raises
    ------
    Refusal
        When the folder does not hold them.
    """
    from stacker.pictures.raw import DEVELOPED
    from stacker.verifying.folder import read_folder
    from stacker.verifying.shots import read_run
    from stacker.verifying.verify import verify

    found = read_folder(folder)
    (verdict,) = verify([read_run(journal)], found)
    pictures: dict[int, Path] = {}
    for frame, names in verdict.files.items():
        developed = [folder / name for name in names if Path(name).suffix.lower() in DEVELOPED]
        if developed:
            pictures[frame] = developed[0]
    if len(pictures) == count and verdict.complete:
        return pictures
    raw = sum(len(names) > 0 for names in verdict.files.values()) - len(pictures)
    do = (
        f"{raw} are there as raw files alone: develop them in full size, all alike"
        if raw > 0
        else "copy the whole card, keep pictures of other runs out, or make the run again"
    )
    raise Refusal(
        f"{folder}: the run made {count} exposures, and of {len(found.pictures)} pictures {len(pictures)} are "
        f"certainly one of them each; {do}. See: stacker verify {as_typed(folder)} --journal {as_typed(journal)}",
        code="pictures_missing",
    )


_SETTINGS = {
    "exposure_s": "exposure time in s",
    "f_number": "f-number",
    "iso": "sensitivity",
    "focal_length_mm": "focal length in mm",
    "white_balance": "white balance",
}


def compare_settings(pictures: Sequence[Path]) -> str | None:
    """What cannot be said of the settings of a run's frames; None where the files tell that they are alike.

    Raises
    ------
    Refusal
        When a setting is not the same in all files: another contrast for another reason than focus.
    """
    from stacker.looking.settings import settings_alike
    from stacker.pictures.settings import settings_of

    try:
        told = [settings_of(picture) for picture in pictures]
    except Refusal as refusal:
        return f"Whether camera settings changed during the run was not looked at: {refusal}."
    alike = settings_alike(range(len(pictures)), told)
    if alike.changes:
        change = alike.changes[0]
        value, frames = change.values[0]
        others = f" and {len(change.frames) - 1} more" if len(change.frames) > 1 else ""
        raise Refusal(
            f"{pictures[frames[0]]}{others}: found {_SETTINGS[change.name]} {_shown(value)}, in "
            f"most that tell it {_shown(change.usual)}. A measurement needs all frames "
            "alike: set exposure, f-number, sensitivity and white balance by hand, and take the run again",
            code="settings_changed",
        )
    if alike.read < len(pictures):
        return (
            f"{len(pictures) - alike.read} of {len(pictures)} files do not tell the camera's settings: whether they "
            "changed during the run cannot be said."
        )
    return None


def _shown(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:.4g}"
