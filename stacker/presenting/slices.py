"""The slices of a plan in order of depth, their seams, and what the seams keep: what pictures and tables show."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from stacker.documents.plan import Plan
from stacker.optics.beam import Beam
from stacker.optics.contrast import held_frequency_lp_mm, share_kept
from stacker.optics.spectrum import Spectrum

_AROUND = 3  # slices shown on either side of the softest seam


@dataclass(frozen=True, kw_only=True, slots=True)
class Slices:
    """By depth, not in shooting order; lengths in um, one seam less than slices.

    Parameters
    ----------
    frame, focus_um, near_um, far_um, magnification, effective_f_number
        One value a slice.
    seam_um, seam_contrast
        Depth of each seam, and the share of the in-focus contrast it keeps, signed; nan across a gap of the subject,
        where no seam is asked for.
    promised : float or None
        Share that the plan promises at every seam; None: its model promises none.
    level : float
        That share, or `kept_contrast` for comparison.
    """

    frame: tuple[int, ...]
    focus_um: tuple[float, ...]
    near_um: tuple[float, ...]
    far_um: tuple[float, ...]
    magnification: tuple[float, ...]
    effective_f_number: tuple[float, ...]
    seam_um: tuple[float, ...]
    seam_contrast: tuple[float, ...]
    promised: float | None
    level: float
    target_lp_mm: float
    spectrum: Spectrum
    index: float
    embedding: float

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
        promised = focus.seam_contrast or (focus.kept_contrast if focus.model == "contrast" else None)
        plain = cls(
            frame=number,
            focus_um=depth,
            near_um=near,
            far_um=far,
            magnification=magnification,
            effective_f_number=effective,
            seam_um=tuple((a + b) / 2 for a, b in pairwise(depth)),
            seam_contrast=(),
            promised=promised,
            level=promised or focus.kept_contrast,
            target_lp_mm=plan.depth_of_field.target_lp_mm or 0.0,
            spectrum=spectrum,
            index=plan.request.immersion_index,
            embedding=plan.request.subject.index,
        )
        with_the_one_before = overlap[1:] if plan.request.direction > 0 else overlap[:-1]
        at_seams = [
            math.nan if shared is None else min(plain.contrast(i, [seam])[0], plain.contrast(i + 1, [seam])[0])
            for i, (seam, shared) in enumerate(zip(plain.seam_um, with_the_one_before, strict=True))
        ]
        return cls(**{**{name: getattr(plain, name) for name in cls.__slots__}, "seam_contrast": tuple(at_seams)})

    def __len__(self) -> int:
        return len(self.frame)

    def contrast(self, slice_: int, depths_um: list[float]) -> list[float]:
        """Share of the in-focus contrast that one frame keeps at some depths, signed."""
        n_e = self.effective_f_number[slice_]
        beam = Beam(
            effective_f_number=n_e,
            object_na=self.magnification[slice_] / (2 * n_e),  # the sine condition
            spectrum=self.spectrum,
            index=self.index,
            embedding=self.embedding,
        )
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
