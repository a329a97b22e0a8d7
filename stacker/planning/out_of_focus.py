"""What the rig of a plan does out of focus, for whoever looks into its pictures."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stacker.documents.plan import Plan
from stacker.planning.criterion import Aperture
from stacker.planning.draft import Draft, draft_of
from stacker.planning.focus_grid import FloatArray
from stacker.records import record

_BELOW_CUT_OFF = 0.98  # beyond the cut-off there is no contrast of which a share could be kept


@record
class OutOfFocus:
    """The optics of a plan, at the front of its subject."""

    draft: Draft

    @classmethod
    def of(cls, plan: Plan) -> OutOfFocus:
        """Those of a plan as it was made."""
        return cls(draft=draft_of(plan.request))

    def curve(self, pixels: tuple[int, int]) -> Callable[[FloatArray, float], FloatArray]:
        """Share of contrast kept at displacements [um], at a frequency in cycles a pixel of pictures of that size."""
        criterion = self.draft.criterion
        pitch_um = criterion.pixel_pitch_um * max(self.draft.request.camera.pixels) / max(pixels)
        longest_nm = max(criterion.spectrum.wavelengths_nm)
        finest_lp_mm = _BELOW_CUT_OFF * 1e6 / (longest_nm * self.draft.imaging.effective_f_number)

        def share(displacement_um: FloatArray, per_px: float) -> FloatArray:
            return criterion.share_kept(displacement_um, min(per_px / pitch_um * 1000, finest_lp_mm))

        return share

    def seam(self, step_um: float) -> float:
        """Contrast kept halfway between two planes so far apart [um]; 0 where detail is reversed."""
        aperture = Aperture.of(self.draft.imaging)
        return max(0.0, float(self.draft.criterion.seam_contrast(np.array([step_um]), aperture)[0]))
