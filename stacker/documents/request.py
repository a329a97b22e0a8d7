"""The request: what a person writes about the bench. Every key, its unit, range, default and meaning."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.camera import Camera
from stacker.documents.fields import Block, declare
from stacker.documents.focus import Focus
from stacker.documents.light import Light
from stacker.documents.margins import Margins
from stacker.documents.panels import Panels
from stacker.documents.rail_link import Shutter
from stacker.documents.rail_profile import RAIL, HandRail, RailProfile
from stacker.documents.rigs import RIG, ObjectiveRig, Rig, RingRig
from stacker.documents.subject import Subject
from stacker.documents.values import Choice, Text
from stacker.motion.take_up import Direction
from stacker.records import record

_ANSWER_S = 0.1  # until a controller has told of an exposure and takes the next order, its line and adapter included


@record
class Request:
    """One stack, as a person asks for it."""

    name: str | None = declare(Text(), "title of the stack; the file's name where it is missing", default=None)
    purpose: str = declare(
        Choice(words=("stack", "survey", "target")),
        "what the frames are for: a stack to be blended, a coarse survey that tells where the subject lies, or a run "
        "through a flat target that tells what the lens does",
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
