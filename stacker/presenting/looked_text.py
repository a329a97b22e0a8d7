"""What the pictures of a stack show, for the terminal: a line or some for each thing that was asked of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stacker.figures import counted, one_line, shutter_time, significant, spans
from stacker.looking.depths import AS_BEFORE, Between, Depths, Ends
from stacker.looking.light import FEWEST_FRAMES, Light, Off
from stacker.looking.moved import Moved, Part
from stacker.looking.settings import Alike, Change
from stacker.looking.stack import Looked, Unread
from stacker.presenting.looked_words import named, shown
from stacker.presenting.tables import wrapped

_LABEL = 9  # columns, in which the name of a line stands

NAMES = {
    "exposure_s": "exposure time",
    "f_number": "f-number",
    "iso": "ISO",
    "focal_length_mm": "focal length",
    "white_balance": "white balance",
}


def looked_text(looked: Looked, *, seconds: float, known: int) -> list[str]:
    """Lines of at most 80 columns.

    Parameters
    ----------
    looked : Looked
        What was found.
    seconds : float
        How long it took [s].
    known : int
        Pictures that had been looked into before.
    """
    lines = [line for text in looked_head(looked, seconds, known) for line in wrapped(text, indent="  ")]
    for label, texts in looked_facts(looked):
        for place, text in enumerate(texts):
            lines += wrapped(text, first=(label if not place else "").ljust(_LABEL), indent=" " * _LABEL)
    return lines


def looked_facts(looked: Looked) -> list[tuple[str, list[str]]]:
    """Each thing that was asked of the pictures, with what is to be said of it, findings first."""
    facts = [
        ("light", _of_each([[*_light(light)] for light in looked.light])),
        ("planes", [*_planes(looked.depths)]),
        ("blur", [*_blur(looked.depths)]),
        ("moved", [*_moved(looked.moved)]),
        ("reach", [*_reach(looked.depths.ends)]),
        ("settings", _of_each([[*_settings(alike)] for alike in looked.settings])),
    ]
    return [(label, texts) for label, texts in facts if texts]


def _of_each(said: Sequence[Sequence[str]]) -> list[str]:
    """What is said of each picture of a bracket; which one, where there are several."""
    many = len(said) > 1
    return [
        f"picture {place} of {len(said)}: {text}" if many else text
        for place, texts in enumerate(said, 1)
        for text in texts
    ]


def looked_head(looked: Looked, seconds: float, known: int) -> Iterable[str]:
    """What was looked into, what was not, and why."""
    pictures = sum(map(len, looked.files))
    before = f", {known} of them known from before" if known else ""
    yield f"Looked into {counted(pictures, 'picture')} ({seconds:.0f} s{before})."
    if looked.unsure:
        yield (
            f"Not into those of {named(looked.unsure)}: no picture there is certainly theirs, or it is a file of "
            "another kind."
        )
    if looked.latest:
        yield f"Taken more than once, so the latest was looked into: {spans(looked.latest)}."
    yield from shown([f"Frame {one.frame}: {_unread(one)}" for one in looked.unread])
    if looked.other_size:
        yield f"Of another size than the others, so compared with none: {named(looked.other_size)}."


def _unread(one: Unread) -> str:
    if one.broken:
        return f"{one_line(one.file)} cannot be opened, though its bytes look whole."
    return f"cannot tell, because {one_line(one.file)} cannot be read here ({one_line(one.why)})."


# ------------------------------------------------------------------------------------------------------------ light


def _light(light: Light) -> Iterable[str]:
    yield from shown([_off(one) for one in light.off])
    if not light.compared:
        yield (
            f"cannot tell, because fewer than {FEWEST_FRAMES} pictures have fields that are neither black nor clipped"
        )
        return
    off = sum(len(one.frames) for one in light.off)
    rest, of = len(light.compared) - off, len(light.compared) + len(light.untold)
    if rest:
        begins = f"the other {rest}" if off else f"{rest} of {of}"
        yield f"{begins} within {light.spread_stops:.2f} stops of their neighbours"
    if light.least_stops > LEAST_TOLD:
        yield f"it flickers: cannot tell what differs by less than {light.least_stops:.2f} stops"
    if light.untold:
        yield f"{named(light.untold)}: cannot tell, because nearly all is black or clipped"


LEAST_TOLD = 0.3  # a third of a stop is what a person expects to be told


def _off(off: Off) -> str:
    frames = named(off.frames)
    verb = "is" if len(off.frames) == 1 else "are"
    them = "the others" if off.lasting else "its neighbours" if len(off.frames) == 1 else "their neighbours"
    if off.stops is None:
        return f"{frames} {verb} brighter than {them}, and clipped: cannot tell by how much"
    stops = f"{abs(off.stops):.1f} stops"
    if off.dark:
        return f"{frames} {verb} dark: {stops}{' or more' if off.at_least else ''} under {them}"
    return f"{frames} {verb} {'dimmer' if off.stops < 0 else 'brighter'} by {stops} than {them}"


# ----------------------------------------------------------------------------------------------------------- planes


def _planes(depths: Depths) -> Iterable[str]:
    swapped = "frames {} and {} have changed places: each shows the depth of the other; which file is which?"
    stood = {frame for run in depths.standstills for frame in run}
    alone = [one for one in depths.astray if not (one.as_before and {*one.frames} <= stood)]
    yield from shown(
        [swapped.format(*pair) for pair in depths.swapped]
        + [f"{named(run[1:])} are as frame {run[0]}: the plane of focus stood still" for run in depths.standstills]
        + [_step(one) for one in alone]
    )
    if any(one.as_before for one in depths.astray):
        yield (
            "a rail that stalls goes on counting: find its place anew (a switch, its scale, or the front in focus) "
            "before frames are taken again"
        )
    if depths.reason is not None:
        yield f"cannot tell, because {depths.reason}"
        return
    usual = [one.step.ratio for one in depths.between if one.step.ratio is not None and not one.step.off]
    if usual:
        of = f"{len(depths.off) + len(usual)} of {len(depths.between)} steps measured"
        rest = "the rest of them" if depths.off else "all of them"
        yield f"{of}, {rest} {min(usual):.2f} to {max(usual):.2f} of the planned, beside those around them"
    reasons = dict.fromkeys(one.step.reason for one in depths.between if one.step.ratio is None)
    for reason in reasons:
        mine = [one.frames for one in depths.between if one.step.ratio is None and one.step.reason == reason]
        yield f"{len(mine)} cannot be told, because {reason} ({_stretches(mine)})"


def _step(one: Between) -> str:
    before, behind = one.frames
    ratio = 0.0 if one.step.ratio is None else round(one.step.ratio, 2) + 0.0  # never -0.00
    size = f"{ratio:.2f} of the planned step ({one.step.standard_error:.2f})"
    if ratio < -AS_BEFORE:
        return f"frame {behind} lies before frame {before}: {size}"
    if ratio < AS_BEFORE:
        return f"frame {behind} is as frame {before}: {size}"
    kept = ""
    if one.gap and one.kept is not None and one.planned is not None:
        kept = f": the seam keeps {one.kept:.0%}, not {one.planned:.0%}"
    return f"{before} to {behind} is {size}{kept}"


def _blur(depths: Depths) -> Iterable[str]:
    for frame, one in sorted(depths.smeared.items()):
        yield f"frame {frame} is smeared: detail is lost along {one.way_deg:.0f} degrees, beside its neighbours"
    yield from shown(
        [
            f"frame {frame} is soft all round: less fine detail beside coarse than in its neighbours"
            for frame in depths.soft
        ]
    )
    told = [frame for frame, one in depths.smears.items() if one.reason is None]
    if told:
        rest = "the others are not smeared" if depths.smeared else "none is smeared"
        soft = "" if depths.reason is None else "; what is soft all round cannot be found without the planes"
        yield f"{len(told)} of {len(depths.smears)} frames compared, {rest}{soft}"
    for reason in dict.fromkeys(one.reason for one in depths.smears.values() if one.reason is not None):
        mine = sorted(frame for frame, one in depths.smears.items() if one.reason == reason)
        every = len(mine) == len(depths.smears)
        which = "cannot tell" if every else f"{len(mine)} cannot be told"
        yield f"{which}, because {reason}" + ("" if every else f" ({spans(mine)})")


def _moved(moved: Moved) -> Iterable[str]:
    yield from shown([_part(part) for part in moved.parts])
    if any(not part.whole and not part.back for part in moved.parts):
        yield "what stays where it moved to is in two places in the stack: no frame taken again puts that right"
    if not moved.compared:
        yield "cannot tell, because hardly two frames in a row have enough detail in common"
        return
    where = f"{moved.compared} of {moved.pairs} pairs compared, where {moved.told:.0%} of the picture tells"
    yield f"{where}: {'nothing else' if moved.parts else 'nothing'} moved there"


def _part(part: Part) -> str:
    before, behind = part.frames
    far = f"{part.shift_px:.0f} pixels"
    if part.whole:
        return f"from {before} to {behind} all of the picture moved by {far}"
    across, down = (min(2, int(3 * share)) for share in part.at)
    what = f"a part {_WHERE[down][across]} ({part.share:.1%} of the picture)"
    return (
        f"in frame {behind} alone {what} lies elsewhere, by {far}"
        if part.back
        else f"from {before} to {behind} {what} moved by {far}"
    )


_WHERE = (
    ("at the upper left", "at the top", "at the upper right"),
    ("at the left", "in the middle", "at the right"),
    ("at the lower left", "at the bottom", "at the lower right"),
)


def _reach(ends: Ends | None) -> Iterable[str]:
    if ends is None:
        return
    if ends.reason is not None:
        yield f"cannot tell, because {ends.reason}"
        return
    for frame, count in ((ends.first, ends.before), (ends.last, ends.beyond)):
        if count:
            few = "" if frame in ends.short else ", few enough to be chance"
            yield f"{count} of {ends.fields} fields still getting sharper at frame {frame}{few}"
    yield f"{ends.inside} of {ends.fields} fields peak inside"
    if nothing := ends.fields - ends.inside - ends.before - ends.beyond:
        yield f"{nothing} cannot be told, because they have no detail that tells"


def _stretches(steps: Sequence[tuple[int, int]]) -> str:
    """Steps in a row by the frames from which to which they go."""
    return ", ".join(f"{run[0]} to {run[-1] + 1}" for run in _runs(sorted(first for first, _ in steps)))


def _runs(numbers: Sequence[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return runs


# --------------------------------------------------------------------------------------------------------- settings


def _settings(alike: Alike) -> Iterable[str]:
    if not alike.read:
        yield "cannot tell, because the files hold none"
        return
    yield from (_change(change) for change in alike.changes)
    if alike.same:
        yield f"the same in all that tell them: {', '.join(_value(name, value) for name, value in alike.same)}"
    if alike.unwritten:
        names = ", ".join(NAMES[name] for name in alike.unwritten)
        manual = " (as of a lens without contacts)" if "f_number" in alike.unwritten else ""
        yield f"not written, so nobody can tell: {names}{manual}"


_MANY = 3  # values told one by one; a camera that chooses by itself takes more


def _change(change: Change) -> str:
    values = [change.usual, *(value for value, _ in change.values)]
    numbers = [value for value in values if isinstance(value, (int, float))]
    if len(values) > _MANY and len(numbers) == len(values):
        low, high = (_value(change.name, value) for value in (min(numbers), max(numbers)))
        return f"{NAMES[change.name]} takes {len(values)} values from {low} to {high}: set it by hand"
    others = "; ".join(f"{_value(change.name, value)} in {named(frames)}" for value, frames in change.values)
    return f"{NAMES[change.name]} changes: {others}, else {_value(change.name, change.usual)}"


def _value(name: str, value: float | str) -> str:
    if isinstance(value, str):
        return f"{NAMES[name]} {one_line(value).lower()}"
    if name == "exposure_s":
        return shutter_time(value)
    number = significant(value)
    return {"f_number": f"f/{number}", "iso": f"ISO {number}", "focal_length_mm": f"{number} mm"}[name]
