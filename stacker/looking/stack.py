"""What the pictures of one stack show together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePath

from stacker.looking.depths import Depths, Optics, depths_of
from stacker.looking.light import Light, light_of
from stacker.looking.moved import Moved, moved_in
from stacker.looking.seen import Seen
from stacker.looking.settings import Alike, settings_alike

# What to look into where a frame has several files: the one that is quickest read first. Endings not named here are
# those of raw files, inside which a smaller picture is looked for; of the last kinds there is no reader.
_FIRST = {"jpg": 0, "jpeg": 0, "jpe": 0, "tif": 1, "tiff": 1, "png": 1, "heic": 9, "heif": 9, "hif": 9}
_RAW = 2
_NO_READER = 9


@dataclass(frozen=True, kw_only=True, slots=True)
class Unread:
    """A picture that could not be looked into.

    Parameters
    ----------
    frame : int
        Whose it is.
    file : str
        Its name.
    why : str
        What was wrong.
    broken : bool
        Whether it is of a kind that must be readable, so that this is a fault of the file.
    """

    frame: int
    file: str
    why: str
    broken: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Looked:
    """What the pictures of one stack show.

    Parameters
    ----------
    files : tuple of dict of int to str
        What was looked into, by frame: one for each picture of an exposure bracket.
    unsure : tuple of int
        Frames that were not looked into: which picture is theirs is not certain, or it is of another kind than most.
    latest : tuple of int
        Frames taken more than once: the latest exposure was looked into.
    unread : tuple of Unread
        Pictures that could not be looked into.
    other_size : tuple of int
        Frames whose picture is of another size than most: they are compared with none.
    light : tuple of Light
        One for each picture of a bracket.
    settings : tuple of Alike
        Likewise.
    depths : Depths
        Where the planes of focus were, by the first picture of a bracket.
    moved : Moved
        What moved, likewise.
    """

    files: tuple[dict[int, str], ...]
    unsure: tuple[int, ...] = ()
    latest: tuple[int, ...] = ()
    unread: tuple[Unread, ...] = ()
    other_size: tuple[int, ...] = ()
    light: tuple[Light, ...] = ()
    settings: tuple[Alike, ...] = ()
    depths: Depths = field(default_factory=Depths)
    moved: Moved = field(default_factory=Moved)

    @property
    def found(self) -> bool:
        """Whether anything is wrong; what cannot be told is not."""
        depths = self.depths
        parts = (
            self.other_size,
            self.moved.parts,
            depths.off,
            depths.smeared,
            depths.soft,
            depths.ends and depths.ends.short,
        )
        lists = (*parts, *(one.off for one in self.light), *(one.changes for one in self.settings))
        return any(lists) or any(one.broken for one in self.unread)

    @property
    def to_take_again(self) -> tuple[int, ...]:
        """Frames that another exposure would put right."""
        frames = {frame for light in self.light for off in light.off for frame in off.frames}
        frames |= {frame for alike in self.settings for frame in alike.to_take_again}
        # beside a gap nobody knows which of the two is off its place, nor whether all that follow are: both again, as
        # far apart as planned, close it either way
        frames |= {frame for between in self.depths.astray if between.gap for frame in between.frames}
        # where the rail stood for long the first frame may lie short of its place, and what comes after anywhere
        for stood in self.depths.standstills:
            frames |= {frame for between in self.depths.between for frame in between.frames if frame >= stood[0]}
        frames |= self.depths.smeared.keys() | {*self.depths.soft, *self.moved.alone}
        return tuple(sorted(frames | {one.frame for one in self.unread if one.broken} | {*self.other_size}))


def chosen_files(files: Mapping[int, Sequence[str]], each: int) -> tuple[tuple[dict[int, str], ...], tuple[int, ...]]:
    """One file for each picture, and the frames that were taken more than once.

    Parameters
    ----------
    files : mapping of int to sequence of str
        Files of each frame, exposure by exposure, those of one exposure together.
    each : int
        Pictures of every frame.

    Returns
    -------
    tuple of dict of int to str
        File by frame, one dict for each picture of a bracket; of a frame taken again, of its latest exposure. All of
        the one kind that most frames have: a raw file and a JPEG show the same light differently.
    tuple of int
        Frames taken again.
    """
    exposures = {frame: _by_exposure(names) for frame, names in files.items()}
    again = tuple(frame for frame, groups in exposures.items() if len(groups) > each)
    kinds = Counter(kind for groups in exposures.values() for group in groups for kind in {*map(_kind, group)})
    usual = min(kinds, key=lambda kind: (kind == _NO_READER, -kinds[kind], kind), default=_RAW)
    picked: list[dict[int, str]] = [{} for _ in range(each)]
    for frame, groups in sorted(exposures.items()):
        for place, group in enumerate(groups[-each:]):
            if mine := [name for name in group if _kind(name) == usual]:
                picked[place][frame] = mine[0]
    return tuple(picked), again


def _by_exposure(names: Sequence[str]) -> list[list[str]]:
    """Files in a row of one name but for the ending are of one exposure: a raw file and its JPEG."""
    groups: list[list[str]] = []
    for name in names:
        path = PurePath(name)
        before = [PurePath(other) for other in groups[-1]] if groups else []
        if any(one.stem.lower() == path.stem.lower() and one.suffix != path.suffix for one in before):
            groups[-1].append(name)
        else:
            groups.append([name])
    return groups


def _kind(name: str) -> int:
    return _FIRST.get(PurePath(name).suffix.lower().removeprefix("."), _RAW)


def looked_at(
    frames: Collection[int],
    files: tuple[dict[int, str], ...],
    latest: tuple[int, ...],
    seen: Mapping[str, Seen],
    *,
    focus_um: Mapping[int, float],
    optics: Optics | None,
) -> Looked:
    """Put together what the pictures of a stack show.

    Parameters
    ----------
    frames : collection of int
        Those that have a picture, though perhaps nobody knows which.
    files, latest
        As `chosen_files` gives them.
    seen : mapping of str to Seen
        What each file shows.
    focus_um : mapping of int to float
        Planned depth of every frame [um].
    optics : Optics or None
        Of the plan; None where that is not at hand.
    """
    unread, other_size, light, settings = [], set[int](), [], []
    first: dict[int, Seen] | None = None
    for one in files:
        by_depth = sorted(one, key=lambda frame: focus_um[frame])
        good = {frame: seen[one[frame]] for frame in by_depth if seen[one[frame]].fault is None}
        sizes = Counter(look.sizes for look in good.values())
        usual = max(sizes, key=lambda size: sizes[size], default=())
        alike = {frame: look for frame, look in good.items() if look.sizes == usual}
        first = alike if first is None else first
        other_size |= good.keys() - alike.keys()
        unread += [_unread(frame, name, seen[name].fault) for frame, name in one.items() if frame not in good]
        light.append(light_of(list(alike), [look.light for look in alike.values()]))
        settings.append(settings_alike(list(good), [look.settings for look in good.values()]))
    dark = [frame for off in light[0].off if off.dark for frame in off.frames] if light else []
    first = first or {}
    order = sorted(focus_um, key=lambda frame: focus_um[frame])
    small = {frame: look.small for frame, look in first.items() if frame not in dark and look.small.size}
    pixels = next((look.pixels for look in first.values()), (0, 0))
    return Looked(
        files=files,
        unsure=tuple(frame for frame in frames if any(frame not in one for one in files)),
        latest=latest,
        unread=tuple(unread),
        other_size=tuple(sorted(other_size)),
        light=tuple(light),
        settings=tuple(settings),
        depths=depths_of(focus_um, first, dark, optics),
        moved=moved_in(order, small, pixels),
    )


def _unread(frame: int, name: str, why: str | None) -> Unread:
    return Unread(frame=frame, file=name, why=why or "", broken=_kind(name) not in (_RAW, _NO_READER))
