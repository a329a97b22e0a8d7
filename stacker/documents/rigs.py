"""The rigs that a request may describe: lens and everything between it and the camera."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING
from typing import Any

from stacker.documents.fields import Block, declare
from stacker.documents.values import Choice, ListOf, Number
from stacker.records import record

_LENGTH_MM = Number(unit="mm", above=0, most=100_000)
_F_NUMBER = Number(above=0.3, most=128)
_MAGNIFICATION = Number(above=0, most=200)


def _pupil_magnification() -> Any:
    return declare(
        Number(above=0.05, most=20),
        "exit pupil over entrance pupil diameter of the lens by itself, seen from both ends",
        default=1.0,
        assumed=True,
    )


def _working_distance() -> Any:
    return declare(_LENGTH_MM, "measured from the lens rim to the front of the subject", default=None)


def _front_offset() -> Any:
    return declare(
        Number(unit="mm", least=-1000, most=1000),
        "how far the lens rim stands in front of the front principal plane",
        default=None,
    )


def _converter() -> Any:
    return declare(Number(above=0.2, most=5), "factor of a converter behind the lens and all tubes", default=None)


def _tubes_behind_converter() -> Any:
    return declare(
        ListOf(item=Number(unit="mm", above=0, most=1000)),
        "tubes between converter and camera: cannot be computed and are refused",
        default=(),
    )


def _max_magnification(default: Any = MISSING) -> Any:
    return declare(
        Number(least=0, most=20),
        "of the lens alone at its nearest focus, from its data sheet; 0: it does not focus",
        default=default,
    )


def _minimum_focus() -> Any:
    return declare(
        _LENGTH_MM, "subject to sensor at the nearest focus of the lens alone, from its data sheet", default=None
    )


def _focused_at(default: str) -> Any:
    return declare(
        Choice(words=("nearest", "infinity"), number=Number(least=0, most=20)),
        "where the focus ring stands: its nearest mark, infinity, or the magnification of the bare lens there",
        default=default,
    )


def _measured_magnification() -> Any:
    return declare(
        _MAGNIFICATION,
        "from a photographed ruler through the whole rig: goes before every estimate",
        default=None,
    )


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
    max_magnification: float = _max_magnification()
    minimum_focus_mm: float | None = _minimum_focus()
    pupil_magnification: float = _pupil_magnification()
    f_number: float = declare(_F_NUMBER, "as marked on the aperture ring")
    tubes_mm: tuple[float, ...] = declare(
        ListOf(item=Number(unit="mm", above=0, most=1000)), "lengths of the tubes between lens and camera", default=()
    )
    converter: float | None = _converter()
    tubes_behind_converter_mm: tuple[float, ...] = _tubes_behind_converter()
    close_up_dioptres: float = declare(
        Number(unit="dioptres", least=0, most=50), "of a close-up lens in front", default=0.0
    )
    close_up_gap_mm: float = declare(
        Number(unit="mm", least=0, most=500), "close-up lens to the front principal plane of the lens", default=0.0
    )
    focused_at: str | float = _focused_at("nearest")
    measured_magnification: float | None = _measured_magnification()
    working_distance_mm: float | None = _working_distance()
    front_offset_mm: float | None = _front_offset()


@record
class ReversedRig:
    """A lens turned round, its front towards the camera."""

    kind: str = declare(Choice(words=("reversed",)), "a lens turned round", default="reversed")
    focal_length_mm: float = declare(Number(unit="mm", above=0, most=2000), "as marked on the lens")
    max_magnification: float = _max_magnification(0.0)
    minimum_focus_mm: float | None = _minimum_focus()
    pupil_magnification: float = _pupil_magnification()
    f_number: float = declare(_F_NUMBER, "as marked on the aperture ring")
    image_distance_mm: float | None = declare(
        _LENGTH_MM, "sensor to the principal plane of the lens that faces it", default=None
    )
    field_width_mm: float | None = declare(_LENGTH_MM, "width of the field, from a photographed ruler", default=None)
    register_mm: float | None = declare(
        Number(unit="mm", above=0, most=500), "mount to sensor of the system the lens was made for", default=None
    )
    converter: float | None = _converter()
    tubes_behind_converter_mm: tuple[float, ...] = _tubes_behind_converter()
    focused_at: str | float = _focused_at("infinity")
    working_distance_mm: float | None = _working_distance()

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """One of two ways to know the magnification, not both."""
        yield from _one_of("field_width_mm", self.field_width_mm, "image_distance_mm", self.image_distance_mm)


@record
class CoupledRig:
    """A second lens, reversed, in front of one that is focused at infinity."""

    kind: str = declare(Choice(words=("coupled",)), "a reversed lens in front of another", default="coupled")
    rear_focal_length_mm: float = declare(Number(unit="mm", above=0, most=2000), "of the lens on the camera")
    rear_f_number: float = declare(_F_NUMBER, "marked, of the lens on the camera")
    front_focal_length_mm: float = declare(Number(unit="mm", above=0, most=2000), "of the reversed lens")
    front_f_number: float = declare(_F_NUMBER, "marked, of the reversed lens")
    measured_magnification: float | None = _measured_magnification()
    converter: float | None = _converter()
    working_distance_mm: float | None = _working_distance()


@record
class ObjectiveRig:
    """A microscope objective, for infinity on a tube lens or finite on an empty tube."""

    kind: str = declare(Choice(words=("objective",)), "a microscope objective", default="objective")
    magnification: float = declare(_MAGNIFICATION, "engraved on the objective")
    na: float = declare(Number(above=0, most=1.7), "numerical aperture, engraved on the objective")
    reference_mm: float | None = declare(
        _LENGTH_MM, "focal length of the tube lens the engraving is for (infinity objective)", default=None
    )
    tube_lens_mm: float | None = declare(
        _LENGTH_MM, "focal length of the lens it is used on (infinity objective)", default=None
    )
    tube_length_mm: float | None = declare(_LENGTH_MM, "tube length in use (finite objective)", default=None)
    reference_tube_length_mm: float | None = declare(
        _LENGTH_MM, "tube length the engraving is for (finite objective)", default=None
    )
    measured_magnification: float | None = _measured_magnification()
    converter: float | None = _converter()
    working_distance_mm: float | None = declare(
        _LENGTH_MM,
        "from the rim of the objective to the front of the subject, from its data sheet",
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
    magnification: float | None = declare(_MAGNIFICATION, "from a photographed ruler", default=None)
    field_width_mm: float | None = declare(_LENGTH_MM, "width of the field, from a photographed ruler", default=None)
    f_number: float = declare(_F_NUMBER, "as marked on the aperture ring")
    pupil_magnification: float = declare(
        Number(above=0.05, most=20),
        "exit pupil over entrance pupil diameter, as mounted",
        default=1.0,
        assumed=True,
    )
    entrance_pupil_mm: float | None = declare(
        _LENGTH_MM, "entrance pupil to the plane of focus, measured; the edge loss needs it", default=None
    )
    working_distance_mm: float | None = _working_distance()

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """One of two ways to know the magnification, not both."""
        yield from _one_of("field_width_mm", self.field_width_mm, "magnification", self.magnification)


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
