"""What a folder holds of a stack: the answer of ``verify``."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, kw_only=True, slots=True)
class Damage:
    """A file that holds no whole picture, or may not.

    Parameters
    ----------
    file : str
        Its name.
    fault : str
        What is wrong with it.
    frames : tuple of int
        Frames that have no other picture; several where times allow more than one.
    """

    file: str
    fault: str
    frames: tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """What is told of the folder as a whole.

    Parameters
    ----------
    pictures : int
        Exposures in the folder, copies left out.
    pictures_each : int
        Pictures of every frame.
    clock : str
        ``exif`` or ``file``: where the capture times come from.
    exif_read : bool
        Whether there was a reader of capture times.
    extra : tuple of str
        Pictures that belong to no frame (test shots).
    unplaced : int
        How many pictures there are beyond the exposures; more than `extra` where the times do not tell which.
    copies : tuple of str
        Copies of files that are there as well.
    undated : tuple of str
        Pictures without a capture time, which were laid beside no frame.
    unfollowed : tuple of str
        Endings of files of which nobody looked whether they are whole.
    """

    pictures: int
    pictures_each: int
    clock: str
    exif_read: bool
    extra: tuple[str, ...]
    unplaced: int
    copies: tuple[str, ...]
    undated: tuple[str, ...]
    unfollowed: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What the folder holds of one stack.

    Parameters
    ----------
    panel : int or None
        Of a plan with panels: which this is.
    complete : bool
        Every frame of the plan has its files, by every reading of the data, and nothing is wrong with them.
    journals : tuple of str
        Of the runs that took this stack.
    main : str
        That of them whose plan is meant.
    frames : int
        Frames of the plan.
    times_fit : bool
        Whether the pictures' times fit the journals; if not, nothing can be said frame by frame.
    missing : tuple of int
        Frames without files.
    doubtful : tuple of int
        Some of these may be missing too.
    doubtful_least, doubtful_most : int
        How many of them.
    not_shot : tuple of int
        Frames that no journal given confirms.
    pending : tuple of int
        Those of them that ``--resume`` of the main journal takes.
    halves : tuple of int
        Frames of which the raw file or the JPEG is missing.
    damaged : tuple of Damage
        Files that are empty, cut short, or otherwise in doubt.
    doubled : tuple of int
        Frames that were taken more than once.
    out_of_order : tuple of int
        Frames whose files do not come in their turn by name.
    late : tuple of int
        Frames taken after some that follow them: capture order is not depth order.
    look_alikes : int
        How many pictures beyond these fit the journal as well: another stack of the same plan.
    unlinked : bool
        A journal without the time of day was resumed: spare pictures may hide a lost one.
    focus_mm : dict
        Depth of each frame named above [mm].
    files : dict
        Files of each frame, where they are certain.
    found : Found
        Of the folder.
    """

    panel: int | None = None
    complete: bool = False
    journals: tuple[str, ...]
    main: str
    frames: int
    times_fit: bool
    missing: tuple[int, ...]
    doubtful: tuple[int, ...]
    doubtful_least: int
    doubtful_most: int
    not_shot: tuple[int, ...]
    pending: tuple[int, ...]
    halves: tuple[int, ...] = ()
    damaged: tuple[Damage, ...]
    doubled: tuple[int, ...]
    out_of_order: tuple[int, ...] = ()
    late: tuple[int, ...] = ()
    look_alikes: int = 0
    unlinked: bool
    focus_mm: dict[int, float]
    files: dict[int, tuple[str, ...]] = field(default_factory=dict)
    found: Found

    @property
    def title(self) -> str:
        """Which stack of several this is: by its panel, and by its first journal."""
        name = Path(self.journals[0]).name
        return name if self.panel is None else f"panel {self.panel}, {name}"

    @property
    def to_shoot(self) -> tuple[int, ...]:
        """Frames to take again: whatever is missing or in doubt; a duplicate does no harm, a gap does."""
        damaged = {frame for damage in self.damaged for frame in damage.frames}
        wanted = {*self.missing, *self.doubtful, *self.not_shot, *self.halves, *damaged}
        return tuple(sorted(wanted - set(self.pending)))
