"""Spherical aberration that the set-up adds, where the plan takes the lens for perfect."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TypeAlias

from stacker.documents.rigs import ObjectiveRig, RingRig
from stacker.figures import significant
from stacker.optics.aberration import plate_w040_um, sharpest_w040_waves, shifted_w040_um
from stacker.planning.draft import Draft

_GLASS_INDEX = 1.52  # of cover glass: common practice, no source
_TOLD_WAVES = 0.25  # Rayleigh's limit for a lens that is not refocused
_SHOWS_WAVES = sharpest_w040_waves(_TOLD_WAVES)  # for one that is


_Added: TypeAlias = tuple[str, float, Callable[[float], str]]
"""What it is, its W040 [um], and a remedy for so many waves."""


def aberrations(draft: Draft) -> Iterator[str]:
    """What adds a quarter of a wave or more, each with its size and a remedy."""
    for what, w040_um, remedy in (*_behind_the_face(draft), *_of_the_glass(draft), *_of_the_tube(draft)):
        waves = w040_um * 1000 / draft.request.focus.mean_wavelength_nm
        if waves < _TOLD_WAVES:
            continue
        told = significant(waves, 2)
        shows = "less sharp than planned even at its best" if waves > _SHOWS_WAVES else "a little softer than planned"
        yield (
            f"{what}: {told} {'wave' if told == '1' else 'waves'} of spherical aberration (W040), of which "
            f"refocusing leaves a quarter; the picture is {shows}: {remedy(waves)}"
        )


def _behind_the_face(draft: Draft) -> Iterator[_Added]:
    subject, na = draft.request.subject, draft.imaging.object_na
    if subject.index == 1:
        return
    deep_mm = subject.below_face_mm + subject.depth_mm
    w040_um = plate_w040_um(thickness_um=deep_mm * 1000, index=subject.index, na=na)

    def remedy(waves: float) -> str:
        na_fits = na * (_TOLD_WAVES / waves) ** 0.25
        if isinstance(draft.request.rig, RingRig) and draft.imaging.f_number is not None:
            return f"stop down to f/{draft.imaging.f_number * na / na_fits:.2g}, or grind the face nearer"
        return f"use an objective of NA {significant(na_fits, 2)} or one for immersion, or grind the face nearer"

    yield f"the back lies {significant(deep_mm)} mm behind the face, in index {subject.index:g}", w040_um, remedy


def _of_the_glass(draft: Draft) -> Iterator[_Added]:
    rig, glass_mm = draft.request.rig, draft.request.subject.cover_glass_mm
    made_for_mm = (rig.cover_glass_mm if isinstance(rig, ObjectiveRig) else 0.0) or 0.0
    wrong_mm = abs(glass_mm - made_for_mm)
    if not wrong_mm or draft.request.immersion_index != 1:
        return
    w040_um = plate_w040_um(thickness_um=wrong_mm * 1000, index=_GLASS_INDEX, na=draft.imaging.object_na)
    what = f"{glass_mm:g} mm of cover glass where the lens is made for {made_for_mm:g} mm"
    remedy = "lay a cover slip on the subject" if made_for_mm else "take the glass off, or use an objective made for it"
    yield what, w040_um, lambda _: remedy


def _of_the_tube(draft: Draft) -> Iterator[_Added]:
    rig = draft.request.rig
    if not isinstance(rig, ObjectiveRig) or rig.tube_length_mm is None or rig.reference_tube_length_mm is None:
        return
    # thin lens: f (1 + 1/m) from the subject
    focal_mm = rig.reference_tube_length_mm / (rig.magnification + 1)
    m = (rig.magnification + 1) * rig.tube_length_mm / rig.reference_tube_length_mm - 1
    shift_um = focal_mm * (1 / m - 1 / rig.magnification) * 1000
    w040_um = shifted_w040_um(shift_um=shift_um, na=rig.na)
    what = f"a tube of {rig.tube_length_mm:g} mm where the objective is made for {rig.reference_tube_length_mm:g} mm"
    yield what, w040_um, lambda _: f"use {rig.reference_tube_length_mm:g} mm"
