"""The slices of a plan in order of depth, their seams, and what the seams keep: what pictures and tables show."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stacker.documents.plan import Plan
from stacker.optics.beam import Beam
from stacker.optics.contrast import held_frequency_lp_mm, share_kept
from stacker.optics.depth import seam_contrast_at
from stacker.optics.spectrum import Spectrum

_AROUND = 3  # slices shown on either side of the softest seam


@dataclass(frozen=True, kw_only=True, slots=True)
class Slices:
    """By depth, not in shooting order; lengths in um, one seam less than slices.

    Attributes
    ----------
    frame, focus_um, near_um, far_um
        One value a slice.
    seam_um, seam_contrast
        Depth of each seam, and the share of the in-focus contrast it keeps, signed; nan across a gap of the subject,
        where no seam is asked for.
    promised : float or None
        Share that the plan promises at every seam; None: its model promises none.
    level : float
        That share, or `kept_contrast` for comparison.
    target_lp_mm : float
        The plan's target frequency.
    beams : Beam
        One value a slice.
    """

    frame: tuple[int, ...]
    focus_um: tuple[float, ...]
    near_um: tuple[float, ...]
    far_um: tuple[float, ...]
    seam_um: tuple[float, ...]
    seam_contrast: tuple[float, ...]
    promised: float | None
    level: float
    target_lp_mm: float
    beams: Beam

    @classmethod
    def of(cls, plan: Plan, spectrum: Spectrum) -> Slices:
        """Take them from a plan."""
        frames, focus = plan.frames, plan.request.focus
        columns = zip(
            frames.focus_um,
            frames.frame,
            frames.near_um,
            frames.far_um,
            frames.magnification,
            frames.effective_f_number,
            frames.overlap,
            strict=True,
        )
        depth, number, near, far, magnification, effective, overlap = zip(*sorted(columns), strict=True)
        n_e = np.array(effective)
        beams = Beam(
            effective_f_number=n_e,
            object_na=np.array(magnification) / (2 * n_e),  # the sine condition
            spectrum=spectrum,
            index=plan.request.immersion_index,
            embedding=plan.request.subject.index,
        )
        promised = focus.seam_contrast or (focus.kept_contrast if focus.model == "contrast" else None)
        target_lp_mm = plan.depth_of_field.target_lp_mm or 0.0
        with_the_one_before = overlap[1:] if plan.request.direction > 0 else overlap[:-1]
        joined = [place for place, shared in enumerate(with_the_one_before) if shared is not None]
        return cls(
            frame=number,
            focus_um=depth,
            near_um=near,
            far_um=far,
            seam_um=tuple((a + b) / 2 for a, b in pairwise(depth)),
            seam_contrast=_seams(np.diff(depth), np.array(joined, dtype=int), target_lp_mm, beams),
            promised=promised,
            level=promised or focus.kept_contrast,
            target_lp_mm=target_lp_mm,
            beams=beams,
        )

    def __len__(self) -> int:
        return len(self.frame)

    def contrast(self, slice_: int, depths_um: list[float]) -> list[float]:
        """Share of the in-focus contrast that one frame keeps at some depths, signed."""
        beam = self.beams[slice_]
        kept: list[float] = share_kept(
            [depth_um - self.focus_um[slice_] for depth_um in depths_um],
            frequency_lp_mm=held_frequency_lp_mm(self.target_lp_mm, beam),
            beam=beam,
        ).tolist()
        return kept

    @property
    def softest(self) -> int | None:
        """The seam that keeps least, of equals the middle one; None for a single frame."""
        least = min(filter(math.isfinite, self.seam_contrast), default=0.0)
        equals = [seam for seam, kept in enumerate(self.seam_contrast) if kept - least < 1e-9]
        return equals[len(equals) // 2] if equals else None

    def around_softest(self) -> range:
        """A few slices on either side of it."""
        seam = self.softest or 0
        first = max(0, min(seam - _AROUND + 1, len(self) - 2 * _AROUND))
        return range(first, min(len(self), first + 2 * _AROUND))


def _seams(
    step_um: NDArray[np.float64], joined: NDArray[np.int_], target_lp_mm: float, beams: Beam
) -> tuple[float, ...]:
    """What each seam keeps, the worse of its two sides; nan where two slices are not joined."""
    sides = (
        seam_contrast_at(step_um[joined], target_lp_mm=target_lp_mm, beam=beams[side]) for side in (joined, joined + 1)
    )
    kept = np.full(len(step_um), math.nan)
    kept[joined] = np.minimum(*sides)
    return tuple(kept.tolist())
