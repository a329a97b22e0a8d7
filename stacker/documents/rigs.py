"""The rigs that a request may describe: lens and everything between it and the camera."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents import rig_keys as keys
from stacker.documents.fields import Block, declare
from stacker.documents.rig_keys import F_NUMBER, LENGTH_MM, MAGNIFICATION
from stacker.documents.values import Choice, ListOf, Number
from stacker.records import record


def _conflicts_of_aperture(rig: RingRig) -> Iterator[tuple[str, str]]:
    """One of two ways to tell the f-number, and that within the ring."""
    yield from _one_of("f_number", rig.f_number, "effective_f_number", rig.effective_f_number)
    widest, smallest = rig.widest_f_number or 0.0, rig.smallest_f_number or F_NUMBER.most or 0.0
    if widest > smallest:
        yield (
            "widest_f_number",
            f"found {widest:g}, past smallest_f_number ({smallest:g}); write the smaller one here",
        )
    elif rig.f_number is not None and not widest <= rig.f_number <= smallest:
        ring = f"{widest:g} to {smallest:g}" if widest else f"up to {smallest:g}"
        yield "f_number", f"found {rig.f_number:g}; write one that the ring has, {ring}"


def _one_of(key: str, value: float | None, other: str, other_value: float | None) -> Iterator[tuple[str, str]]:
    """Two ways to say the same, of which one must be there and not both."""
    if value is not None and other_value is not None:
        yield key, f"found together with {other}; write one of the two"
    elif value is None and other_value is None:
        yield key, f"missing; write it, or {other} instead"


@record
class LensRig:
    """An ordinary lens, with tubes behind it or a close-up lens in front."""

    kind: str = declare(Choice(words=("lens",)), "an ordinary lens, mounted the usual way round", default="lens")
    focal_length_mm: float = declare(Number(unit="mm", above=0, most=2000), "as marked on the lens")
    max_magnification: float = keys.max_magnification()
    minimum_focus_mm: float | None = keys.minimum_focus()
    pupil_magnification: float = keys.pupil_magnification()
    f_number: float | None = keys.f_number()
    effective_f_number: float | None = keys.effective_f_number()
    widest_f_number: float | None = keys.widest_f_number()
    smallest_f_number: float | None = keys.smallest_f_number()
    tubes_mm: tuple[float, ...] = declare(
        ListOf(item=Number(unit="mm", above=0, most=1000)), "lengths of the tubes between lens and camera", default=()
    )
    converter: float | None = keys.converter()
    tubes_behind_converter_mm: tuple[float, ...] = keys.tubes_behind_converter()
    close_up_dioptres: float = declare(
        Number(unit="dioptres", least=0, most=50), "of a close-up lens in front", default=0.0
    )
    close_up_gap_mm: float = declare(
        Number(unit="mm", least=0, most=500),
        "close-up lens to the front principal plane of the lens",
        default=0.0,
        assumed=True,
    )
    focused_at: str | float = keys.focused_at("nearest")
    measured_magnification: float | None = keys.measured_magnification()
    working_distance_mm: float | None = keys.working_distance()
    front_offset_mm: float | None = keys.front_offset()

    def idle(self) -> Iterator[str]:
        """Without a close-up lens there is no gap behind it."""
        if not self.close_up_dioptres:
            yield "close_up_gap_mm"

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """The f-number."""
        yield from _conflicts_of_aperture(self)


@record
class ReversedRig:
    """A lens turned round, its front towards the camera."""

    kind: str = declare(Choice(words=("reversed",)), "a lens turned round", default="reversed")
    focal_length_mm: float = declare(Number(unit="mm", above=0, most=2000), "as marked on the lens")
    max_magnification: float = keys.max_magnification(0.0)
    minimum_focus_mm: float | None = keys.minimum_focus()
    pupil_magnification: float = keys.pupil_magnification()
    f_number: float | None = keys.f_number()
    effective_f_number: float | None = keys.effective_f_number()
    widest_f_number: float | None = keys.widest_f_number()
    smallest_f_number: float | None = keys.smallest_f_number()
    image_distance_mm: float | None = declare(
        LENGTH_MM, "sensor to the principal plane of the lens that faces it", default=None
    )
    field_width_mm: float | None = declare(LENGTH_MM, "width of the field, from a photographed ruler", default=None)
    register_mm: float | None = declare(
        Number(unit="mm", above=0, most=500), "mount to sensor of the system the lens was made for", default=None
    )
    converter: float | None = keys.converter()
    tubes_behind_converter_mm: tuple[float, ...] = keys.tubes_behind_converter()
    focused_at: str | float = keys.focused_at("infinity")
    working_distance_mm: float | None = keys.working_distance()

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """One of two ways to know the magnification, not both; the f-number."""
        yield from _conflicts_of_aperture(self)
        yield from _one_of("field_width_mm", self.field_width_mm, "image_distance_mm", self.image_distance_mm)
        if self.image_distance_mm is not None and self.converter is not None:
            yield (
                "image_distance_mm",
                "found together with converter, behind which the distance to the sensor does not give the "
                "magnification; photograph a ruler and write field_width_mm instead",
            )


@record
class CoupledRig:
    """A second lens, reversed, in front of one that is focused at infinity."""

    kind: str = declare(Choice(words=("coupled",)), "a reversed lens in front of another", default="coupled")
    rear_focal_length_mm: float = declare(Number(unit="mm", above=0, most=2000), "of the lens on the camera")
    rear_f_number: float = declare(F_NUMBER, "marked, of the lens on the camera")
    front_focal_length_mm: float = declare(Number(unit="mm", above=0, most=2000), "of the reversed lens")
    front_f_number: float = declare(F_NUMBER, "marked, of the reversed lens")
    register_mm: float | None = declare(
        Number(unit="mm", above=0, most=500),
        "mount to sensor of the system the reversed lens was made for: the subject lies so far from its mount",
        default=None,
    )
    na: float | None = declare(
        Number(above=0, most=0.95),
        "numerical aperture on the subject's side, measured ('stacker calibrate lens'): goes before what the two "
        "f-numbers give",
        default=None,
    )
    measured_magnification: float | None = keys.measured_magnification()
    converter: float | None = keys.converter()
    working_distance_mm: float | None = keys.working_distance()
    entrance_pupil_mm: float | None = keys.entrance_pupil()


@record
class ObjectiveRig:
    """A microscope objective, for infinity on a tube lens or finite on an empty tube."""

    kind: str = declare(Choice(words=("objective",)), "a microscope objective", default="objective")
    magnification: float = declare(MAGNIFICATION, "engraved on the objective")
    na: float = declare(Number(above=0, most=1.7), "numerical aperture, engraved on the objective")
    reference_mm: float | None = declare(
        LENGTH_MM, "focal length of the tube lens the engraving is for (infinity objective)", default=None
    )
    tube_lens_mm: float | None = declare(
        LENGTH_MM, "focal length of the lens it is used on (infinity objective)", default=None
    )
    tube_length_mm: float | None = declare(LENGTH_MM, "tube length in use (finite objective)", default=None)
    reference_tube_length_mm: float | None = declare(
        LENGTH_MM, "tube length the engraving is for (finite objective)", default=None
    )
    measured_magnification: float | None = keys.measured_magnification()
    converter: float | None = keys.converter()
    working_distance_mm: float | None = declare(
        LENGTH_MM,
        "from the rim of the objective to the front of the subject, from its data sheet",
        default=None,
    )
    entrance_pupil_mm: float | None = keys.entrance_pupil()
    immersion_index: float = declare(
        Number(least=1, most=2.5),
        "refractive index of the liquid between an immersion objective and the subject; 1 for every dry lens",
        default=1.0,
    )
    cover_glass_mm: float | None = declare(
        Number(unit="mm", least=0, most=10),
        "cover glass that the objective is corrected for: 0.17 or 0, engraved on it",
        default=None,
    )

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Either both keys of an infinity objective or both of a finite one."""
        infinity = (self.reference_mm is not None, self.tube_lens_mm is not None)
        finite = (self.tube_length_mm is not None, self.reference_tube_length_mm is not None)
        if not (all(infinity) and not any(finite)) and not (all(finite) and not any(infinity)):
            yield (
                "kind",
                "write reference_mm and tube_lens_mm (infinity), or reference_tube_length_mm and tube_length_mm",
            )


@record
class MeasuredRig:
    """Any rig whose magnification was measured with a ruler."""

    kind: str = declare(Choice(words=("measured",)), "any rig, its magnification measured", default="measured")
    magnification: float | None = declare(MAGNIFICATION, "from a photographed ruler", default=None)
    field_width_mm: float | None = declare(LENGTH_MM, "width of the field, from a photographed ruler", default=None)
    f_number: float | None = keys.f_number()
    effective_f_number: float | None = keys.effective_f_number()
    widest_f_number: float | None = keys.widest_f_number()
    smallest_f_number: float | None = keys.smallest_f_number()
    pupil_magnification: float = declare(
        Number(above=0.05, most=20),
        "exit pupil over entrance pupil diameter, as mounted",
        default=1.0,
        assumed=True,
    )
    entrance_pupil_mm: float | None = keys.entrance_pupil()
    working_distance_mm: float | None = keys.working_distance()

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """One of two ways to know the magnification, not both; the f-number."""
        yield from _conflicts_of_aperture(self)
        yield from _one_of("field_width_mm", self.field_width_mm, "magnification", self.magnification)


RingRig = LensRig | ReversedRig | MeasuredRig  # those with one ring to set an f-number on
Rig = LensRig | ReversedRig | CoupledRig | ObjectiveRig | MeasuredRig
RIG = Block(
    variants={
        "lens": LensRig,
        "reversed": ReversedRig,
        "coupled": CoupledRig,
        "objective": ObjectiveRig,
        "measured": MeasuredRig,
    },
    chosen_by="kind",
)
