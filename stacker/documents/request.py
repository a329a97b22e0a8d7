"""The request: what a person writes about the bench. Every key, its unit, range, default and meaning."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.fields import Block, declare
from stacker.documents.focus import Focus
from stacker.documents.margins import Margins
from stacker.documents.panels import Panels
from stacker.documents.rail_link import Shutter
from stacker.documents.rail_profile import RAIL, HandRail, RailProfile
from stacker.documents.rigs import RIG, ObjectiveRig, Rig, RingRig
from stacker.documents.subject import Subject
from stacker.documents.values import Choice, Flag, ListOf, Number, Text
from stacker.motion.take_up import Direction
from stacker.records import record

_ANSWER_S = 0.1  # until a controller has told of an exposure and takes the next order, its line and adapter included


def _listed(values: tuple[float, ...]) -> str:
    return f"[{', '.join(f'{value:g}' for value in values)}]"


@record
class Camera:
    """The camera: sensor, files, battery, shutter."""

    sensor_mm: tuple[float, float] = declare(
        ListOf(item=Number(unit="mm", above=0, most=300), length=2), "width and height of the sensor"
    )
    pixels: tuple[int, int] = declare(
        ListOf(item=Number(whole=True, least=16, most=200_000), length=2),
        "columns and rows of a full picture",
    )
    raw_mb: float | None = declare(
        Number(unit="MB", above=0, most=10_000), "size of one raw file (10^6 bytes)", default=None
    )
    card_gb: float | None = declare(
        Number(unit="GB", above=0, most=100_000), "size of a memory card (10^9 bytes)", default=None
    )
    battery_frames: int | None = declare(
        Number(whole=True, least=1, most=100_000),
        "rating of one battery in frames (CIPA DC-002)",
        default=None,
    )
    buffer_frames: int | None = declare(
        Number(whole=True, least=1, most=10_000),
        "frames the camera holds before it must have written one",
        default=None,
    )
    write_mb_s: float | None = declare(Number(unit="MB/s", above=0, most=100_000), "speed of the card", default=None)
    shutter: str | None = declare(
        Choice(words=("mechanical", "electronic_first_curtain", "electronic")),
        "which shutter the camera uses",
        default=None,
    )
    mirror_s: float = declare(Number(unit="s", least=0, most=60), "mirror up to shutter open", default=0.0)
    lag_s: float = declare(Number(unit="s", least=0, most=60), "release contact to shutter open", default=0.0)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Pixels are square to within what nominal sensor sizes are good to."""
        across, down = self.sensor_mm[0] / self.pixels[0], self.sensor_mm[1] / self.pixels[1]
        if abs(across / down - 1) > 0.05:  # two nominal sizes, each good to 1 %, and borders left out of the picture
            yield (
                "pixels",
                f"found pixels of {across * 1000:.2f} by {down * 1000:.2f} um; write width before height in both keys",
            )


@record
class Light:
    """The light: how long an exposure takes and when the next may start."""

    kind: str = declare(Choice(words=("flash", "continuous")), "flash or continuous light")
    exposure_s: float = declare(
        Number(unit="s", above=0, most=3600),
        "shutter time, as metered through this rig (light loss is already in it)",
    )
    at_f_number: float | None = declare(
        Number(above=0.3, most=128),
        "marked f-number at which exposure_s was metered: at another one a lamp's exposure follows; rig.f_number where "
        "it is missing",
        default=None,
    )
    recycle_s: float = declare(
        Number(unit="s", least=0, most=3600), "from one flash until the next may fire", default=0.0
    )
    bracket_stops: tuple[float, ...] = declare(
        ListOf(item=Number(unit="stops", least=-10, most=10), most=15),
        "exposures of a bracket of every frame, in stops from exposure_s: the camera takes it at one release "
        "(bracket_s), or the rail fires each (bracket_gap_s)",
        default=(),
        left_out=True,
    )
    bracket_s: float | None = declare(
        Number(unit="s", above=0, most=36_000),
        "a whole bracket, first shutter opening to last closing, as timed on this camera",
        default=None,
        left_out=True,
    )
    bracket_gap_s: float | None = declare(
        Number(unit="s", above=0, most=3600),
        "the rail fires every exposure of a bracket by itself, so long after the one before has ended",
        default=None,
        left_out=True,
    )
    rest_after: int | None = declare(
        Number(whole=True, least=1, most=100_000),
        "flashes one after the other until it must cool, as its manual says; the run then waits rest_s",
        default=None,
        left_out=True,
    )
    rest_s: float = declare(
        Number(unit="s", least=0, most=3600), "how long it cools after rest_after flashes", default=0.0, left_out=True
    )
    flashes_a_charge: int | None = declare(
        Number(whole=True, least=1, most=1_000_000),
        "flashes of this power that one set of its batteries gives",
        default=None,
        left_out=True,
    )
    moves_with_subject: bool = declare(Flag(), "whether the lamps ride on the stage with the subject", default=False)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """The aperture changes the time of a lamp, and the power of a flash."""
        if self.kind == "flash" and self.at_f_number is not None:
            yield "at_f_number", "found with a flash, whose power follows the aperture and not its time; leave it out"
        yield from self._conflicts_of_brackets()
        if (self.rest_after is None) != (self.rest_s == 0):
            key, other = ("rest_s", "rest_after") if self.rest_after is None else ("rest_after", "rest_s")
            yield key, f"found without {other}; write both: so many flashes, then so many seconds of rest"
        for key in ("rest_after", "flashes_a_charge"):
            if self.kind != "flash" and getattr(self, key) is not None:
                yield key, "found with continuous light; it is for a flash: leave it out"

    def _conflicts_of_brackets(self) -> Iterator[tuple[str, str]]:
        """A bracket is several exposures of a lamp, and takes at least their sum."""
        stops, whole_s, gap_s = self.bracket_stops, self.bracket_s, self.bracket_gap_s
        if not stops:
            for key in ("bracket_s", "bracket_gap_s"):
                if getattr(self, key) is not None:
                    yield key, "found without bracket_stops; write both: which exposures, and how long they take"
        elif len(set(stops)) < len(stops) or len(stops) < 2:
            yield "bracket_stops", f"found {_listed(stops)}; write two different exposures or more"
        elif self.kind == "flash":
            yield "bracket_stops", "found with a flash, whose power no shutter time changes; leave it out"
        elif whole_s is not None and gap_s is not None:
            yield "bracket_gap_s", "found beside bracket_s; the camera takes the bracket or the rail, leave one out"
        elif whole_s is None and gap_s is None:
            yield (
                "bracket_stops",
                "found without bracket_s; time one bracket of the camera's, first opening to last closing; or let the "
                "rail fire each exposure: bracket_gap_s, 0.5 for a start",
            )
        elif whole_s is not None and whole_s < self._exposures_s(self.exposure_s):
            yield "bracket_s", f"found {whole_s:g}; its exposures alone take {self._exposures_s(self.exposure_s):.4g} s"

    def _exposures_s(self, exposure_s: float) -> float:
        return exposure_s * sum(2**stop for stop in self.bracket_stops)

    @property
    def pictures(self) -> int:
        """Pictures of every frame."""
        return max(1, len(self.bracket_stops))

    def open_s(self, exposure_s: float) -> float:
        """From the first shutter opening to the last closing of a frame with that metered exposure [s]."""
        if self.bracket_gap_s is not None:
            return self._exposures_s(exposure_s) + (self.pictures - 1) * self.bracket_gap_s
        if self.bracket_s is None:
            return exposure_s
        between_s = self.bracket_s - self._exposures_s(self.exposure_s)  # whatever is metered, the camera needs that
        return self._exposures_s(exposure_s) + between_s


@record
class Request:
    """One stack, as a person asks for it."""

    name: str | None = declare(Text(), "title of the stack; the file's name where it is missing", default=None)
    purpose: str = declare(
        Choice(words=("stack", "survey")),
        "what the frames are for: a stack to be blended, or a coarse survey that tells where the subject lies",
        default="stack",
        left_out=True,
    )
    moves: str = declare(
        Choice(words=("camera", "subject", "rear")),
        "what the rail carries: camera with lens, the subject, or the rear standard of a bellows",
        default="camera",
    )
    order: str = declare(
        Choice(words=("front_to_back", "back_to_front")), "which end is shot first", default="front_to_back"
    )
    rig: Rig = declare(RIG, "lens and everything between it and the camera")
    camera: Camera = declare(Block(variants={"": Camera}), "the camera")
    light: Light | None = declare(
        Block(variants={"": Light}), "the light; without it the time is unknown", default=None
    )
    subject: Subject = declare(Block(variants={"": Subject}), "the subject")
    focus: Focus = declare(Block(variants={"": Focus}), "what counts as sharp", default=Focus())
    margins: Margins | None = declare(
        Block(variants={"": Margins}),
        "half the widths of the 95 % intervals of measured values, as 'stacker calibrate' writes them; the card shows "
        "what the plan would be at both ends",
        default=None,
    )
    rail: RailProfile | HandRail | None = declare(
        RAIL, "the rail; without it steps come in um and the time is unknown", default=None
    )

    panels: Panels | None = declare(
        Block(variants={"": Panels}),
        "stacks side by side, for a subject larger than the field; also without this block where both width_mm and "
        "height_mm of the subject are given and one is larger",
        default=None,
        left_out=True,
    )

    @property
    def pictures_a_frame(self) -> int:
        """How many pictures the camera takes of every frame."""
        return self.light.pictures if self.light else 1

    @property
    def immersion_index(self) -> float:
        """Refractive index between the front of the rig and the subject."""
        return self.rig.immersion_index if isinstance(self.rig, ObjectiveRig) else 1.0

    @property
    def direction(self) -> Direction:
        """In which every stop is reached: 1 deeper into the subject, -1 out of it."""
        return 1 if self.order == "front_to_back" else -1

    @property
    def measured(self) -> Iterator[tuple[str, float, float]]:
        """Values whose margin is known: dotted key, value, margin."""
        for key, margin in self.margins.given() if self.margins else ():
            block, _, name = key.partition(".")
            value = getattr(getattr(self, block), name, None)
            if value is not None:
                yield key, value, margin

    def _margins_of_nothing(self) -> Iterator[tuple[str, str]]:
        there = {key for key, _, _ in self.measured}
        for key, _ in self.margins.given() if self.margins else ():
            if key not in there:
                name = key.partition(".")[2]
                yield f"margins.{name}", f"found, and the request has no {key}; leave the margin out"

    def _bracket_conflicts(self, light: Light) -> Iterator[tuple[str, str]]:
        """Whoever takes the bracket must be able to."""
        shutter = self.rail.shutter if isinstance(self.rail, RailProfile) else None
        if light.bracket_gap_s is None:
            if shutter is not None and shutter.bulb:
                yield (
                    "light.bracket_stops",
                    "found with a shutter that the rail holds open (bulb), where one contact is one exposure; write "
                    "bracket_gap_s instead of bracket_s, and the rail fires each",
                )
        elif (self.rail is not None and shutter is None) or (shutter is not None and shutter.via == "manual"):
            yield "light.bracket_gap_s", "found where a person presses the release, and no rail fires; leave it out"
        elif shutter is not None and light.bracket_gap_s < (least_s := self._least_gap_s(shutter)):
            yield (
                "light.bracket_gap_s",
                f"found {light.bracket_gap_s:g}; contact, mirror and lag of this camera and an answer of the "
                f"controller take {least_s:g} s: write that or more",
            )

    def _least_gap_s(self, shutter: Shutter) -> float:
        contact_s = 0.0 if shutter.bulb or shutter.via == "command" else shutter.pulse_s
        return round(_ANSWER_S + contact_s + shutter.focus_s + self.camera.mirror_s + self.camera.lag_s, 3)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """What one block says against another."""
        yield from self._margins_of_nothing()
        if self.subject.index != 1 and self.immersion_index != 1:
            yield (
                "subject.index",
                f"found {self.subject.index:g} together with rig.immersion_index; it is for a dry lens: leave it out, "
                "the liquid of an immersion objective matches what the subject lies in",
            )
        pace_s = self.rail.frame_s if self.rail is not None else None
        if self.light is not None and pace_s is not None and pace_s < self.light.exposure_s:
            yield (
                "rail.frame_s" if isinstance(self.rail, HandRail) else "rail.shutter.frame_s",
                f"found {pace_s:g}; write what a whole frame takes, its exposure of {self.light.exposure_s:g} s "
                "included",
            )
        if self.light is not None and self.light.bracket_stops:
            yield from self._bracket_conflicts(self.light)
        metered = self.light is not None and self.light.at_f_number is not None
        if metered and not isinstance(self.rig, RingRig):
            yield (
                "light.at_f_number",
                f"found with a rig of kind {self.rig.kind}, which has no f-number to set; leave it out",
            )
        for place, zone in enumerate(self.subject.zones, start=1):
            if zone.kept_contrast is not None and self.focus.model != "contrast":
                yield (
                    f"subject.zones[{place}].kept_contrast",
                    f"found with model {self.focus.model}; it goes with model contrast alone",
                )
