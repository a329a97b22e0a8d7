"""What a lens reaches with every subset of the tubes at hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

from stacker.documents.focus import Focus
from stacker.errors import Refusal
from stacker.optics.diffraction import diffraction_f_number
from stacker.optics.focusing import FocusingLens
from stacker.optics.imaging import Imaging
from stacker.optics.impossible import Impossible
from stacker.optics.lenses import lens
from stacker.records import record

MOST_TUBES = 8  # 256 subsets; nobody carries more
# The subject frames well if it fills this share of the width: room for the edge loss, no waste of pixels.
FILLS = (0.6, 0.95)
_FOCUS = Focus()  # its defaults tell where diffraction shows


@record
class TubeRow:
    """One subset of the tubes, the lens at its nearest focus; ``from_magnification`` is for the lens at infinity.

    ``subject_fills`` is the share of the width that the subject fills, at infinity and at nearest focus;
    ``extension_missing_mm`` is how much more extension (negative: less) in whole mm would frame it, ``None`` where this
    set does, or no extension could.
    """

    tubes_mm: tuple[float, ...]
    from_magnification: float
    magnification: float
    field_mm: tuple[float, float]
    working_distance_mm: float | None
    light_loss_stops: float | None
    effective_f_number: float
    diffraction_f_number: float | None
    subject_fills: tuple[float, float] | None
    frames_subject: bool | None
    extension_missing_mm: int | None


def tube_rows(
    ring: FocusingLens,
    *,
    f_number: float,
    tubes_mm: Sequence[float],
    sensor_mm: tuple[float, float],
    columns: int,
    pupil_magnification: float = 1.0,
    front_offset_mm: float | None = None,
    subject_width_mm: float | None = None,
) -> list[TubeRow]:
    """Reckon every subset of the tubes by rising extension, the empty one too if the lens focuses by itself.

    Parameters
    ----------
    ring : FocusingLens
        The bare lens.
    f_number, pupil_magnification, front_offset_mm
        Of the lens, as in the request.
    tubes_mm : sequence of float
        At most `MOST_TUBES`.
    sensor_mm : tuple of float
        Width and height.
    columns : int
        Pixels across.
    subject_width_mm : float or None
        To be framed.

    Raises
    ------
    Refusal
        If there are too many tubes, or none for a lens that does not focus by itself, or the lens cannot be what is
        said of it.
    """
    if len(tubes_mm) > MOST_TUBES:
        raise Refusal(f"found {len(tubes_mm)} tubes; give at most {MOST_TUBES}", key="tubes_mm")
    fewest = 0 if ring.max_magnification else 1
    subsets = {subset for count in range(fewest, len(tubes_mm) + 1) for subset in combinations(sorted(tubes_mm), count)}
    if not subsets:
        raise Refusal("a lens that does not focus by itself needs a tube; give at least one", key="tubes_mm")

    def built(subset: tuple[float, ...]) -> Imaging:
        try:
            return lens(
                ring,
                f_number=f_number,
                pupil_magnification=pupil_magnification,
                extension_mm=sum(subset),
                front_offset_mm=front_offset_mm,
            )
        except Impossible as impossible:
            raise _refusal(impossible, subset) from None

    ordered = sorted(subsets, key=lambda tubes: (sum(tubes), len(tubes)))
    return [_row(subset, built(subset), ring, sensor_mm, columns, subject_width_mm) for subset in ordered]


def _row(
    tubes_mm: tuple[float, ...],
    imaging: Imaging,
    ring: FocusingLens,
    sensor_mm: tuple[float, float],
    columns: int,
    subject_width_mm: float | None,
) -> TubeRow:
    low, high = imaging.magnification_range
    fills, missing = None, None
    if subject_width_mm is not None:
        share = subject_width_mm / sensor_mm[0]
        fills = (low * share, high * share)
        close_mm = imaging.focal_length_mm or ring.focal_length_mm
        missing = _missing_mm(fills, sum(tubes_mm), (share / ring.focal_length_mm, share / close_mm))
    assert imaging.f_number is not None  # every lens has a ring
    return TubeRow(
        tubes_mm=tubes_mm,
        from_magnification=low,
        magnification=imaging.magnification,
        field_mm=(sensor_mm[0] / imaging.magnification, sensor_mm[1] / imaging.magnification),
        working_distance_mm=imaging.working_distance_mm,
        light_loss_stops=imaging.light_loss_stops,
        effective_f_number=imaging.effective_f_number,
        diffraction_f_number=diffraction_f_number(
            f_number=imaging.f_number,
            effective_f_number=imaging.effective_f_number,
            pixel_pitch_um=sensor_mm[0] / columns * 1000,
            airy_pixels=_FOCUS.airy_pixels,
            wavelength_nm=_FOCUS.mean_wavelength_nm,
        ),
        subject_fills=fills,
        extension_missing_mm=missing,
        frames_subject=None if fills is None else fills[0] <= FILLS[1] and fills[1] >= FILLS[0],
    )


def _refusal(impossible: Impossible, tubes_mm: tuple[float, ...]) -> Refusal:
    """Of a lens that cannot be with some of the tubes."""
    build = f"with {' + '.join(f'{tube:g}' for tube in tubes_mm)} mm of tubes" if tubes_mm else "without tubes"
    if impossible.limit == "aperture":
        return Refusal(f"{build} {impossible}: check aperture and magnification", key="f_number")
    return Refusal(f"{build} {impossible}: leave tubes out, or check the lens", key="tubes_mm")


def _missing_mm(fills: tuple[float, float], extension_mm: float, per_mm: tuple[float, float]) -> int | None:
    """Whole mm of extension that bring the shares filled, each growing by so much a mm, to where one frames."""
    # at nearest focus the subject must fill enough, at infinity not too much
    least, most = (FILLS[0] - fills[1]) / per_mm[1], (FILLS[1] - fills[0]) / per_mm[0]
    missing = math.ceil(least) if least > 0 else math.floor(most) if most < 0 else 0
    fits = least <= missing <= most and extension_mm + missing >= 0
    return missing if missing and fits else None
