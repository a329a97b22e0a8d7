"""A ruler as a person read it, from a picture or by counting pixels."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stacker.calibrating.estimate import Estimate
    from stacker.calibrating.scale import Ruler
    from stacker.documents.camera import Camera
    from stacker.pixels.ruler import RulerLines

_ERROR_MM = 0.02  # a steel ruler over a few centimetres (common practice, no source)
_FINE_ERROR_MM = 0.001  # a stage micrometer over a millimetre or two (common practice, no source)
_FINE_MM = 0.5  # finer lines are those of a stage micrometer
_NO_DISTORTION = 1e-4  # at the corners, as a share


@dataclass(frozen=True, kw_only=True, slots=True)
class Readings:
    """The options of the command, as given."""

    ruler: Path | None
    line_mm: float | None
    ruler_mm: float | None
    pixels: tuple[float, ...]
    moved_mm: float | None
    ruler_after: Path | None
    pixels_after: tuple[float, ...]
    pixel_error: float
    ruler_error_mm: float | None
    picture: Path | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What else the picture of a ruler shows, for programs and for a person."""

    facts: dict[str, Any]
    sentences: tuple[str, ...]


def ruler_of(given: Readings, camera: Camera) -> tuple[Ruler, Seen | None]:
    """The ruler of the options, measured in its pictures where there are any.

    Raises
    ------
    click.UsageError
        When the options do not go together.
    Refusal
        When a count or a picture cannot be of this camera, or a picture shows no ruler.
    """
    _refuse_mixed(given)
    return (_counted(given, camera), None) if given.ruler is None else _photographed(given, camera)


def _refuse_mixed(given: Readings) -> None:
    by_picture = given.ruler is not None
    if by_picture and (given.pixels or given.ruler_mm is not None or given.pixels_after):
        raise click.UsageError("give either --ruler with --line-mm, or --ruler-mm with --pixels.")
    if by_picture != (given.line_mm is not None) or (given.picture is not None and not by_picture):
        raise click.UsageError("--ruler and --line-mm go together, and --picture with them.")
    if not by_picture and (given.ruler_mm is None or not given.pixels):
        raise click.UsageError(
            "give --ruler PICTURE with --line-mm, or what was counted by hand: --ruler-mm and --pixels."
        )
    after = given.ruler_after is not None if by_picture else bool(given.pixels_after)
    if (given.moved_mm is not None) != after or (given.ruler_after is not None and not by_picture):
        raise click.UsageError(
            f"give --moved-mm and --{'ruler' if by_picture else 'pixels'}-after together: they are the second frame."
        )


def _counted(given: Readings, camera: Camera) -> Ruler:
    from stacker.calibrating.estimate import Estimate, from_readings
    from stacker.calibrating.scale import Ruler

    assert given.ruler_mm is not None
    columns = camera.pixels[0]
    if (most := max((*given.pixels, *given.pixels_after))) > columns:
        raise Refusal(
            f"found {most:g} pixels; a picture of this camera has {columns} columns. Count along the long side of a "
            "picture in full size.",
            code="too_many_pixels",
        )
    error_mm = _ERROR_MM if given.ruler_error_mm is None else given.ruler_error_mm
    after = from_readings(given.pixels_after, stated_error=given.pixel_error) if given.pixels_after else None
    return Ruler(
        length_mm=Estimate(value=given.ruler_mm, standard_error=error_mm),
        pixels=from_readings(given.pixels, stated_error=given.pixel_error),
        pixel_pitch_um=1000 * camera.sensor_mm[0] / columns,
        moved_mm=None if given.moved_mm is None else Estimate(value=given.moved_mm),
        pixels_after=after,
    )


def _photographed(given: Readings, camera: Camera) -> tuple[Ruler, Seen]:
    from stacker.calibrating.estimate import Estimate
    from stacker.calibrating.scale import Ruler

    assert given.ruler is not None
    assert given.line_mm is not None
    lines = lines_in(given.ruler, given.line_mm, camera.pixels)
    length_mm, pixels = seen_of(lines, given.line_mm, given.ruler_error_mm)
    after = None if given.ruler_after is None else lines_in(given.ruler_after, given.line_mm, camera.pixels)
    if given.picture is not None:
        from stacker.presenting.ruler_picture import ruler_picture

        ruler_picture(given.picture, place=lines.place, residual_px=lines.residual_px, spacing_px=lines.spacing_px)
    ruler = Ruler(
        length_mm=length_mm,
        pixels=pixels,
        pixel_pitch_um=1000 * camera.sensor_mm[0] / camera.pixels[0],
        moved_mm=None if given.moved_mm is None else Estimate(value=given.moved_mm),
        pixels_after=None if after is None else _pixels(after, lines.line_count - 1),
    )
    return ruler, _seen(lines, length_mm.standard_error)


def seen_of(lines: RulerLines, line_mm: float, error_mm: float | None) -> tuple[Estimate, Estimate]:
    """The length of ruler that was seen [mm], right to `error_mm` or what such rulers are, and over how many pixels."""
    from stacker.calibrating.estimate import Estimate

    spaces = lines.line_count - 1
    if error_mm is None:
        error_mm = _FINE_ERROR_MM if line_mm < _FINE_MM else _ERROR_MM
    return Estimate(value=line_mm * spaces, standard_error=error_mm), _pixels(lines, spaces)


def _pixels(lines: RulerLines, spaces: int) -> Estimate:
    from stacker.calibrating.estimate import Estimate

    return Estimate(
        value=lines.spacing_px * spaces, standard_error=lines.standard_error_px * spaces, freedom=lines.freedom
    )


def lines_in(path: Path, line_mm: float, pixels: Sequence[int]) -> RulerLines:
    """The lines of a ruler in a picture of a camera with so many pixels.

    Raises
    ------
    Refusal
        When it is of another size, or shows no ruler with such lines.
    """
    from stacker.cli.pictures_of import refuse_other_size
    from stacker.pictures.reading import read_grey
    from stacker.pixels.ruler import measure_ruler

    grey = read_grey(path)
    refuse_other_size(path, grey.shape, pixels)
    try:
        lines = measure_ruler(grey)
    except Refusal as refusal:
        raise Refusal(f"{path}: {refusal}", code=refusal.code) from None
    if lines.alternating and _is_whole_unit(line_mm):
        raise Refusal(
            f"{path}: every second line is longer, as where the lines are half a unit apart, and --line-mm says "
            f"{line_mm:g}; give the distance from one line to the very next, long or short",
            code="alternating",
        )
    return lines


def _is_whole_unit(line_mm: float) -> bool:
    """Whether a length is a power of ten: scales of whole units have no reason to lengthen every second line."""
    from math import log10

    power = log10(line_mm)
    return abs(power - round(power)) < 1e-6


def _seen(lines: RulerLines, error_mm: float) -> Seen:
    kind = "Barrel" if lines.distortion > 0 else "Pincushion"
    bent = f"{kind} distortion of {abs(lines.distortion):.2%} at the corners has been corrected."
    if abs(lines.distortion) < _NO_DISTORTION:
        bent = "There is no distortion to speak of."
    return Seen(
        facts={
            "line_count": lines.line_count,
            "spacing_px": lines.spacing_px,
            "spacing_margin_95_px": 2 * lines.standard_error_px,
            "rotation_deg": lines.rotation_deg,
            "distortion": lines.distortion,
            "bands_apart": lines.apart,
        },
        sentences=(
            f"{lines.line_count} lines, {lines.spacing_px:.3f} pixels apart at the centre, "
            f"{abs(lines.rotation_deg):.1f} degrees oblique; three bands of them agree to {lines.apart:.3%}. {bent}",
            f"The ruler is taken to be right to {error_mm:g} mm over the length seen (--ruler-error-mm). A ruler 2.5 "
            "degrees out of square reads 0.1% too small, and no picture shows that.",
        ),
    )
