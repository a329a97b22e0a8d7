"""The request: what a person writes about the bench. Every key, its unit, range, default and meaning."""

from __future__ import annotations

from collections.abc import Iterator

from stacker.documents.fields import Block, declare
from stacker.documents.rail_profile import RAIL, HandRail, RailProfile
from stacker.documents.rigs import RIG, Rig
from stacker.documents.values import Choice, Either, Flag, ListOf, Number, Text
from stacker.motion.take_up import Direction
from stacker.records import record

_LENGTH_MM = Number(unit="mm", above=0, most=100_000)
_SHARE = Number(above=0, most=0.99)
MODELS = ("contrast", "quarter_wave", "blur_circle", "sum")
OVERLAP = 0.3  # unless a seam contrast fixes the step
WAVELENGTH_NM = 550.0  # the middle of what the eye sees; unless the light has other or several colours
_NANOMETRES = Number(unit="nm", least=200, most=2000)


@record
class Camera:
    """The camera: sensor, files, battery, shutter."""

    sensor_mm: tuple[float, float] = declare(
        ListOf(item=Number(unit="mm", above=0, most=300), length=2), "width and height of the sensor"
    )
    pixels: tuple[int, int] = declare(
        ListOf(item=Number(whole=True, least=16, most=200_000), length=2),
        "columns and rows of a full picture",
    )
    raw_mb: float | None = declare(
        Number(unit="MB", above=0, most=10_000), "size of one raw file (10^6 bytes)", default=None
    )
    card_gb: float | None = declare(
        Number(unit="GB", above=0, most=100_000), "size of a memory card (10^9 bytes)", default=None
    )
    battery_frames: int | None = declare(
        Number(whole=True, least=1, most=100_000),
        "rating of one battery in frames (CIPA DC-002)",
        default=None,
    )
    buffer_frames: int | None = declare(
        Number(whole=True, least=1, most=10_000),
        "frames the camera holds before it must have written one",
        default=None,
    )
    write_mb_s: float | None = declare(Number(unit="MB/s", above=0, most=100_000), "speed of the card", default=None)
    shutter: str | None = declare(
        Choice(words=("mechanical", "electronic_first_curtain", "electronic")),
        "which shutter the camera uses",
        default=None,
    )
    mirror_s: float = declare(Number(unit="s", least=0, most=60), "mirror up to shutter open", default=0.0)
    lag_s: float = declare(Number(unit="s", least=0, most=60), "release contact to shutter open", default=0.0)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Pixels are square to within what nominal sensor sizes are good to."""
        across, down = self.sensor_mm[0] / self.pixels[0], self.sensor_mm[1] / self.pixels[1]
        if abs(across / down - 1) > 0.05:  # two nominal sizes, each good to 1 %, and borders left out of the picture
            yield (
                "pixels",
                f"found pixels of {across * 1000:.2f} by {down * 1000:.2f} um; write width before height in both keys",
            )


@record
class Light:
    """The light: how long an exposure takes and when the next may start."""

    kind: str = declare(Choice(words=("flash", "continuous")), "flash or continuous light")
    exposure_s: float = declare(
        Number(unit="s", above=0, most=3600),
        "shutter time, as metered through this rig (light loss is already in it)",
    )
    recycle_s: float = declare(
        Number(unit="s", least=0, most=3600), "from one flash until the next may fire", default=0.0
    )
    moves_with_subject: bool = declare(Flag(), "whether the lamps ride on the stage with the subject", default=False)


@record
class Zone:
    """A depth range that must be stepped more finely."""

    name: str | None = declare(Text(), "what lies there", default=None)
    from_mm: float = declare(Number(unit="mm", least=0, most=10_000), "start, from the front of the subject")
    to_mm: float = declare(Number(unit="mm", above=0, most=10_000), "end, from the front of the subject")
    overlap: float | None = declare(Number(least=0, most=0.95), "overlap in this zone", default=None)
    kept_contrast: float | None = declare(_SHARE, "share of contrast kept in this zone", default=None)

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """A range in order, and something that it changes."""
        if self.to_mm <= self.from_mm:
            yield "to_mm", f"found {self.to_mm:g}; write a depth beyond from_mm ({self.from_mm:g})"
        if self.overlap is None and self.kept_contrast is None:
            yield "overlap", "missing; write overlap or kept_contrast, else the zone changes nothing"


@record
class Subject:
    """The subject: how deep it is and what must not touch it."""

    depth_mm: float = declare(Number(unit="mm", above=0, most=10_000), "front to back of what must be sharp")
    width_mm: float | None = declare(_LENGTH_MM, "width of what must be in the picture", default=None)
    keep_clear_mm: float = declare(
        Number(unit="mm", least=0, most=1000),
        "no part of the rig comes closer to the subject",
        default=1.0,
        assumed=True,
    )
    front_at_mm: float | None = declare(
        Number(unit="mm", least=-10_000, most=10_000), "rail position with the front in focus", default=None
    )
    depth_source: str = declare(
        Choice(words=("measured", "rail")),
        "how depth_mm was found; 'rail' (jogged on this rail) carries no lead error",
        default="measured",
    )
    zones: tuple[Zone, ...] = declare(
        ListOf(item=Block(variants={"": Zone}), most=20), "depth ranges that need finer steps", default=()
    )

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """Zones lie in the subject."""
        for place, zone in enumerate(self.zones, start=1):
            if zone.from_mm >= self.depth_mm:
                yield (
                    f"zones[{place}].from_mm",
                    f"found {zone.from_mm:g}; the subject ends at {self.depth_mm:g} mm",
                )


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
        "share of the in-focus contrast that ends the depth of field (contrast model)",
        default=0.8,
        assumed=True,
    )
    resolved_contrast: float = declare(
        Number(above=0, most=0.95),
        "contrast in focus at which a detail counts as resolved",
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
    index: float = declare(Number(least=1, most=2.5), "refractive index in front of the subject", default=1.0)

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


@record
class Request:
    """One stack, as a person asks for it."""

    name: str | None = declare(Text(), "title of the stack; the file's name where it is missing", default=None)
    moves: str = declare(
        Choice(words=("camera", "subject", "rear")),
        "what the rail carries: camera with lens, the subject, or the rear standard of a bellows",
        default="camera",
    )
    order: str = declare(
        Choice(words=("front_to_back", "back_to_front")), "which end is shot first", default="front_to_back"
    )
    rig: Rig = declare(RIG, "lens and everything between it and the camera")
    camera: Camera = declare(Block(variants={"": Camera}), "the camera")
    light: Light | None = declare(
        Block(variants={"": Light}), "the light; without it the time is unknown", default=None
    )
    subject: Subject = declare(Block(variants={"": Subject}), "the subject")
    focus: Focus = declare(Block(variants={"": Focus}), "what counts as sharp", default=Focus())
    rail: RailProfile | HandRail | None = declare(
        RAIL, "the rail; without it steps come in um and the time is unknown", default=None
    )

    @property
    def direction(self) -> Direction:
        """In which every stop is reached: 1 deeper into the subject, -1 out of it."""
        return 1 if self.order == "front_to_back" else -1

    def conflicts(self) -> Iterator[tuple[str, str]]:
        """What one block says against another."""
        for place, zone in enumerate(self.subject.zones, start=1):
            if zone.kept_contrast is not None and self.focus.model != "contrast":
                yield (
                    f"subject.zones[{place}].kept_contrast",
                    f"found with model {self.focus.model}; it goes with model contrast alone",
                )
