"""What the rig of a plan does out of focus, for whoever looks into its pictures."""

from __future__ import annotations

import numpy as np

from stacker.documents.plan import Plan
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.draft import Draft, draft_of
from stacker.planning.focus_grid import FloatArray
from stacker.records import record

_BELOW_CUT_OFF = 0.98  # beyond the cut-off there is no contrast of which a share could be kept


@record
class ShareKept:
    """What detail keeps out of focus in pictures of one size; equal where the optics are, and so reckoned once."""

    criterion: Criterion
    pitch_um: float
    finest_lp_mm: float

    def __call__(self, displacement_um: FloatArray, per_px: float) -> FloatArray:
        """Share of contrast at displacements [um], at a frequency [cycles a pixel]."""
        return self.criterion.share_kept(displacement_um, min(per_px / self.pitch_um * 1000, self.finest_lp_mm))


@record
class OutOfFocus:
    """The optics of a plan, at the front of its subject."""

    draft: Draft

    @classmethod
    def of(cls, plan: Plan) -> OutOfFocus:
        """Those of a plan as it was made."""
        return cls(draft=draft_of(plan.request))

    def curve(self, pixels: tuple[int, int]) -> ShareKept:
        """Share of contrast kept, for pictures of so many rows and columns."""
        criterion = self.draft.criterion
        longest_nm = max(criterion.spectrum.wavelengths_nm)
        return ShareKept(
            criterion=criterion,
            pitch_um=criterion.pixel_pitch_um * max(self.draft.request.camera.pixels) / max(pixels),
            finest_lp_mm=_BELOW_CUT_OFF * 1e6 / (longest_nm * self.draft.imaging.effective_f_number),
        )

    def seam(self, step_um: float) -> float:
        """Contrast kept halfway between two planes so far apart [um]; 0 where detail is reversed."""
        aperture = Aperture.of(self.draft.imaging)
        return max(0.0, float(self.draft.criterion.seam_contrast(np.array([step_um]), aperture)[0]))
