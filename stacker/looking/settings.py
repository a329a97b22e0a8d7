"""Settings that changed within a stack, as the camera wrote them into its files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, fields

from stacker.pictures.settings import Settings

MATTERS = (
    "f_number",
    "focal_length_mm",
)  # another slice or another scale: such a frame does not fit between the others
_SAME = 0.01  # cameras round to a third of a stop at the finest, 12 % of an f-number


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """A setting that is not the same in all frames.

    Parameters
    ----------
    name : str
        Of the setting, as in `Settings`.
    usual : float or str
        Its value in most frames.
    values : tuple of (value, tuple of int)
        Other values, each with the frames that have it; the commonest first.
    """

    name: str
    usual: float | str
    values: tuple[tuple[float | str, tuple[int, ...]], ...]

    @property
    def frames(self) -> tuple[int, ...]:
        """Those that differ from most."""
        return tuple(sorted(frame for _, frames in self.values for frame in frames))


@dataclass(frozen=True, kw_only=True, slots=True)
class Alike:
    """What the settings of a stack tell.

    Parameters
    ----------
    changes : tuple of Change
        Settings that differ.
    same : tuple of (str, float or str)
        Settings that are the same in all frames that tell them.
    unwritten : tuple of str
        Settings that no file tells.
    read : int
        Frames that tell at least one of them.
    """

    changes: tuple[Change, ...] = ()
    same: tuple[tuple[str, float | str], ...] = ()
    unwritten: tuple[str, ...] = ()
    read: int = 0

    @property
    def to_take_again(self) -> tuple[int, ...]:
        """Frames whose slice or scale is not that of the others, while they are the fewer."""
        frames = {frame for change in self.changes if change.name in MATTERS for frame in change.frames}
        return tuple(sorted(frames)) if 2 * len(frames) < self.read else ()


def settings_alike(frames: Sequence[int], settings: Sequence[Settings]) -> Alike:
    """Compare the settings of frames.

    Parameters
    ----------
    frames : sequence of int
        Their numbers.
    settings : sequence of Settings
        What each file says.
    """
    changes, same, unwritten = [], [], []
    for name in (item.name for item in fields(Settings)):
        written = {
            frame: value
            for frame, one in zip(frames, settings, strict=True)
            if (value := getattr(one, name)) is not None
        }
        groups = _groups(written)
        if not groups:
            unwritten.append(name)
        elif len(groups) == 1:
            same.append((name, groups[0][0]))
        else:
            changes.append(Change(name=name, usual=groups[0][0], values=tuple(groups[1:])))
    return Alike(
        changes=tuple(changes),
        same=tuple(same),
        unwritten=tuple(unwritten),
        read=sum(one != Settings() for one in settings),
    )


def _groups(written: dict[int, float | str]) -> list[tuple[float | str, tuple[int, ...]]]:
    """Frames by their value, most first; values that differ by rounding alone are one."""
    groups: list[tuple[float | str, list[int]]] = []
    for value, _ in Counter(written.values()).most_common():
        mine = [frame for frame, other in written.items() if other == value]
        for known, members in groups:
            if isinstance(known, float) and isinstance(value, float) and abs(value / known - 1) < _SAME:
                members.extend(mine)
                break
        else:
            groups.append((value, mine))
    return [(value, tuple(sorted(members))) for value, members in sorted(groups, key=lambda one: -len(one[1]))]
