"""The focus block of a request: what counts as sharp, in which light, and how far to step."""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from stacker.documents.fields import Block, declare
from stacker.documents.values import Choice, Either, ListOf, Number
from stacker.records import record

MODELS = ("contrast", "quarter_wave", "blur_circle", "sum")
OVERLAP = 0.3  # unless a seam contrast fixes the step
WAVELENGTH_NM = 550.0  # the middle of what the eye sees; unless the light has other or several colours
_NANOMETRES = Number(unit="nm", least=200, most=2000)
_SHARE = Number(above=0, most=0.99)


@record
class Weighted:
    """One colour of the light."""

    nm: float = declare(_NANOMETRES, "wavelength")
    weight: float = declare(
        Number(above=0, most=1e6), "its share of what the sensor records, of any scale", default=1.0
    )


@record
class Focus:
    """What counts as sharp, and how far to step."""

    model: str = declare(
        Choice(words=MODELS),
        "which depth-of-field model drives the plan",
        default="contrast",
    )
    kept_contrast: float = declare(
        _SHARE,
        "share of the in-focus contrast at which a slice ends (contrast model)",
        default=0.8,
        assumed=True,
    )
    resolved_contrast: float = declare(
        Number(above=0, most=0.95),
        "contrast in focus at which a detail, a line pair, counts as resolved",
        default=0.3,
        assumed=True,
    )
    overlap: float | None = declare(
        Number(least=0, most=0.95),
        f"share of a slice that the next one repeats; {OVERLAP:g} unless seam_contrast is given",
        default=None,
        assumed=True,
    )
    seam_contrast: float | None = declare(
        _SHARE,
        "instead of overlap: share of the in-focus contrast that the softest depth keeps",
        default=None,
    )
    end_frames: int = declare(
        Number(whole=True, least=0, most=1000),
        "spare frames before the front and beyond the back",
        default=1,
        assumed=True,
    )
    circle_um: float | None = declare(
        Number(unit="um", above=0, most=1000), "circle of confusion on the sensor", default=None
    )
    circle_pixels: float = declare(
        Number(above=0, most=100), "circle of confusion in pixels, where circle_um is not given", default=2.0
    )
    airy_pixels: float = declare(
        Number(above=0, most=100), "pixels across the Airy disk where diffraction begins to show", default=3.0
    )
    output_pixels: int | None = declare(
        Number(whole=True, least=16, most=200_000), "long side of the picture to be delivered", default=None
    )
    lens_mtf50_lp_mm: float | None = declare(
        Number(unit="lp/mm", above=0, most=5000),
        "line pairs a mm on the sensor at contrast 0.5, measured on this camera at this aperture and magnification",
        default=None,
    )
    field_curvature_um: float | None = declare(
        Number(unit="um", least=-100_000, most=100_000),
        "how much deeper the plane of focus lies at the picture's corners than at its centre, as measured; the "
        "stack is made longer by what subject.width_mm fills of it",
        default=None,
    )
    wavelength_nm: float | None = declare(
        _NANOMETRES, f"wavelength of the light; {WAVELENGTH_NM:g} unless wavelengths is given", default=None
    )
    wavelengths: tuple[float, float] | tuple[Weighted, ...] | None = declare(
        Either(values=ListOf(item=_NANOMETRES, length=2), blocks=ListOf(item=Block(variants={"": Weighted}), most=40)),
        "instead of one wavelength: white light as a band [shortest, longest], lit evenly, or a list of colours, "
        "each {nm, weight}",
        default=None,
    )
    refocus_error_um: float | None = declare(
        Number(unit="um", least=0, most=100_000),
        "how far a resume starts early after the position was lost; one slice where it is missing",
        default=None,
    )

    RENAMED: ClassVar[dict[str, str]] = {
        "index": "write subject.index for a subject in resin, amber or water behind a flat face, and "
        "rig.immersion_index for an immersion objective"
    }

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Overlap and seam contrast are two ways to fix one step; wavelengths are one colour or several."""
        yield from self._conflicts_of_colour()
        if self.seam_contrast is None:
            return
        if self.overlap is not None:
            yield "seam_contrast", "found together with overlap; write one of the two, both fix the step"
        if self.model != "contrast":
            yield "seam_contrast", f"found with model {self.model}; it goes with model contrast alone"
        if self.kept_contrast >= self.seam_contrast:
            yield (
                "kept_contrast",
                f"found {self.kept_contrast:g}; write less than seam_contrast ({self.seam_contrast:g})",
            )

    def _conflicts_of_colour(self) -> Iterator[tuple[str, str]]:
        colours = self.wavelengths
        if colours is None:
            return
        if self.wavelength_nm is not None:
            yield "wavelengths", "found together with wavelength_nm; write one of the two"
        if not colours:
            yield "wavelengths", "found an empty list; write a band [shortest, longest] or colours {nm, weight}"
            return
        ends_nm = [colour.nm if isinstance(colour, Weighted) else colour for colour in colours]
        if not isinstance(colours[0], Weighted) and ends_nm[0] >= ends_nm[1]:
            yield "wavelengths", f"found [{ends_nm[0]:g}, {ends_nm[1]:g}]; write the shorter wavelength first"
        elif max(ends_nm) >= 2 * self.mean_wavelength_nm:  # past that its cut-off is below the mean's mid frequencies
            yield (
                "wavelengths",
                f"found {max(ends_nm):g} nm, more than twice the mean of {self.mean_wavelength_nm:.4g} nm; one sum "
                "does not describe such light: plan for the colour that carries the detail",
            )

    @property
    def mean_wavelength_nm(self) -> float:
        """The one wavelength for rules that know a single colour: the mean of several, by weight."""
        if self.wavelengths is None:
            return WAVELENGTH_NM if self.wavelength_nm is None else self.wavelength_nm
        pairs = [(one.nm, one.weight) if isinstance(one, Weighted) else (one, 1.0) for one in self.wavelengths]
        return sum(nm * weight for nm, weight in pairs) / sum(weight for _, weight in pairs)

    @property
    def overlap_asked(self) -> float:
        """The overlap in force: 0 where the seam contrast fixes the step."""
        if self.overlap is not None:
            return self.overlap
        return OVERLAP if self.seam_contrast is None else 0.0
