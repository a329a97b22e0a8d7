"""What counts as sharp: from the focus block of a request to the thickness of a slice and the step it allows."""

from __future__ import annotations

from functools import cached_property, lru_cache
from typing import Any

import numpy as np

from stacker.documents.focus import Focus, Weighted
from stacker.documents.request import Request
from stacker.documents.subject import Zone
from stacker.optics.beam import Beam
from stacker.optics.contrast import in_focus_contrast, lens_falloff_mm2, share_kept, target_frequency_lp_mm
from stacker.optics.depth import (
    blur_circle_depth_um,
    contrast_depth_um,
    quarter_wave_depth_um,
    seam_contrast_at,
    sum_depth_um,
)
from stacker.optics.imaging import Imaging
from stacker.optics.spectrum import Spectrum
from stacker.planning.focus_grid import BoolArray, FloatArray, IntArray
from stacker.records import record


@record
class Aperture:
    """What depth of field depends on, for one frame or for many; every array has one value a frame."""

    magnification: FloatArray
    effective_f_number: FloatArray
    object_na: FloatArray

    @classmethod
    def of(cls, imaging: Imaging) -> Aperture:
        """The rig at the front of the subject, as arrays without a dimension."""
        return cls(
            magnification=np.asarray(imaging.magnification),
            effective_f_number=np.asarray(imaging.effective_f_number),
            object_na=np.asarray(imaging.object_na),
        )

    def __getitem__(self, frames: slice | IntArray) -> Aperture:
        """Some of the frames."""
        return Aperture(
            magnification=self.magnification[frames],
            effective_f_number=self.effective_f_number[frames],
            object_na=self.object_na[frames],
        )


def spectrum_of(focus: Focus) -> Spectrum:
    """The colours of the light."""
    colours = focus.wavelengths or ()
    weighted = [colour for colour in colours if isinstance(colour, Weighted)]
    band = [colour for colour in colours if not isinstance(colour, Weighted)]
    if weighted:
        return Spectrum(
            wavelengths_nm=tuple(colour.nm for colour in weighted),
            weights=tuple(colour.weight for colour in weighted),
        )
    return Spectrum.band(*band) if band else Spectrum.single(focus.mean_wavelength_nm)


@record
class Criterion:
    """One criterion for the whole picture; the target frequency is that of the front."""

    focus: Focus
    imaging: Imaging
    pixel_pitch_um: float
    output_pitch_um: float | None
    index: float = 1.0
    embedding: float = 1.0

    @classmethod
    def of(cls, request: Request, imaging: Imaging) -> Criterion:
        """The criterion that a request asks for."""
        width_mm, columns = request.camera.sensor_mm[0], request.camera.pixels[0]
        output = request.focus.output_pixels
        return cls(
            focus=request.focus,
            imaging=imaging,
            pixel_pitch_um=width_mm / columns * 1000,
            output_pitch_um=max(request.camera.sensor_mm) / output * 1000 if output else None,
            index=request.immersion_index,
            embedding=request.subject.index,
        )

    @cached_property
    def spectrum(self) -> Spectrum:
        """The colours of the light."""
        return spectrum_of(self.focus)

    @property
    def circle_um(self) -> float:
        """Circle of confusion on the sensor."""
        return self.focus.circle_um or self.focus.circle_pixels * self.pixel_pitch_um

    @cached_property
    def lens_falloff_mm2(self) -> float:
        """What a real lens takes away, as measured; 0 for a perfect one."""
        if self.focus.lens_mtf50_lp_mm is None:
            return 0.0
        return lens_falloff_mm2(
            lens_mtf50_lp_mm=self.focus.lens_mtf50_lp_mm,
            effective_f_number=self.imaging.effective_f_number,
            pixel_pitch_um=self.pixel_pitch_um,
            spectrum=self.spectrum,
        )

    @cached_property
    def target_lp_mm(self) -> float:
        """The finest frequency, on the sensor, that the system resolves and the picture needs."""
        return self.target_at_lp_mm(1.0)

    def target_at_lp_mm(self, ratio: float) -> float:
        """The same with the f-number so many times larger, the lens's own blur as it is."""
        return _target_lp_mm(
            effective_f_number=self.imaging.effective_f_number * ratio,
            pixel_pitch_um=self.pixel_pitch_um,
            spectrum=self.spectrum,
            resolved_contrast=self.focus.resolved_contrast,
            output_pitch_um=self.output_pitch_um,
            lens_falloff_mm2=self.lens_falloff_mm2,
        )

    @property
    def in_focus_at_target(self) -> float:
        """Contrast in focus of the finest detail."""
        return float(self._in_focus_at_target(1.0))

    def still_resolved(self, ratios: FloatArray) -> BoolArray:
        """Whether the finest detail still is with the f-number so many times larger, the lens's own blur as it is."""
        return self._in_focus_at_target(ratios) >= self.focus.resolved_contrast

    def _in_focus_at_target(self, ratio: FloatArray | float) -> FloatArray:
        return in_focus_contrast(
            self.target_lp_mm,
            effective_f_number=self.imaging.effective_f_number * ratio,
            pixel_pitch_um=self.pixel_pitch_um,
            spectrum=self.spectrum,
            lens_falloff_mm2=self.lens_falloff_mm2,
        )

    # ------------------------------------------------------------------------------------------- depth of field

    def depth_at_share_um(self, share: float, aperture: Aperture) -> FloatArray:
        """The range that keeps a share of the in-focus contrast; also the step whose seam keeps it."""
        return contrast_depth_um(share, target_lp_mm=self.target_lp_mm, beam=self._beam(aperture))

    def depth_by_model_um(self, model: str, aperture: Aperture) -> FloatArray:
        """Depth of field by one of the four models, the contrast model at ``kept_contrast``."""
        if model == "contrast":
            return self.depth_at_share_um(self.focus.kept_contrast, aperture)
        return self.embedding * self._depth_in_air_um(model, aperture)

    def _depth_in_air_um(self, model: str, aperture: Aperture) -> FloatArray:
        """As seen from the lens: a flat face before the subject makes more of it."""
        focus = self.focus
        match model:
            case "quarter_wave":
                return quarter_wave_depth_um(
                    object_na=aperture.object_na, wavelength_nm=focus.mean_wavelength_nm, index=self.index
                )
            case "blur_circle":
                return blur_circle_depth_um(
                    effective_f_number=aperture.effective_f_number,
                    magnification=aperture.magnification,
                    circle_um=self.circle_um,
                    entrance_pupil_diameter_mm=self.imaging.entrance_pupil_diameter_mm,
                )
            case "sum":
                return sum_depth_um(
                    object_na=aperture.object_na,
                    magnification=aperture.magnification,
                    circle_um=self.circle_um,
                    wavelength_nm=focus.mean_wavelength_nm,
                    index=self.index,
                )
        raise ValueError(f"no model of depth of field is called {model}")

    def slice_um(self, aperture: Aperture) -> FloatArray:
        """What one frame renders sharp: by the model, or what the seam contrast makes of it."""
        if self.focus.seam_contrast is not None:
            return self.depth_at_share_um(self.focus.seam_contrast, aperture)
        return self.depth_by_model_um(self.focus.model, aperture)

    # --------------------------------------------------------------------------------------------- what it asks

    def step_um(self, aperture: Aperture) -> FloatArray:
        """The largest step allowed."""
        step_um: FloatArray = self.slice_um(aperture) * (1 - self.focus.overlap_asked)
        return step_um

    def zone_step_um(self, zone: Zone, aperture: Aperture) -> FloatArray:
        """The largest step allowed in a zone."""
        if zone.kept_contrast is None:
            slice_um = self.slice_um(aperture)
        else:
            slice_um = self.depth_at_share_um(zone.kept_contrast, aperture)
        overlap = self.focus.overlap_asked if zone.overlap is None else zone.overlap
        step_um: FloatArray = slice_um * (1 - overlap)
        return step_um

    def seam_contrast(self, step_um: FloatArray, aperture: Aperture) -> FloatArray:
        """Signed share of the in-focus contrast half a step from focus."""
        return seam_contrast_at(step_um, target_lp_mm=self.target_lp_mm, beam=self._beam(aperture))

    def share_kept(self, displacement_um: FloatArray, frequency_lp_mm: float) -> FloatArray:
        """Signed share of the in-focus contrast so far from the front's plane of focus, at any frequency."""
        beam = self._beam(Aperture.of(self.imaging))
        kept: FloatArray = share_kept(displacement_um, frequency_lp_mm=frequency_lp_mm, beam=beam)
        return kept

    def _beam(self, aperture: Aperture) -> Beam:
        return Beam(
            effective_f_number=aperture.effective_f_number,
            object_na=aperture.object_na,
            spectrum=self.spectrum,
            index=self.index,
            embedding=self.embedding,
        )


@lru_cache(maxsize=64)
def _target_lp_mm(**optics: Any) -> float:
    """`target_frequency_lp_mm` of one rig: the variants of a stack that advice lays have the same optics."""
    return float(target_frequency_lp_mm(**optics))
