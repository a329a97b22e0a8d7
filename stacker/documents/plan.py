"""The plan: everything derived from a request, and the step sequence that a rail obeys."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from stacker.documents.fields import Block, declare
from stacker.documents.files import plan_command
from stacker.documents.focus import MODELS
from stacker.documents.panels import PlannedPanels
from stacker.documents.request import Request
from stacker.documents.values import Anything, Choice, ListOf, Number, Text
from stacker.documents.warnings import WARNINGS
from stacker.records import record

FORMAT = 1

_ANY = Number()
_POSITIVE = Number(least=0)
_COUNT = Number(whole=True, least=0)


def _known(kind: Number, meaning: str) -> Any:
    return declare(kind, meaning)


def _perhaps(kind: Any, meaning: str) -> Any:
    return declare(kind, meaning, optional=True)


@record
class Assumed:
    """A default that was taken for want of a better value."""

    key: str = declare(Text(), "the key of the request")
    value: Any = declare(Anything(), "the value taken", optional=True)


@record
class Optics:
    """What the rig does, at the front of the subject."""

    magnification: float = _known(_POSITIVE, "size on the sensor over size of the subject")
    magnification_range: tuple[float, float] = declare(
        ListOf(item=_POSITIVE, length=2), "what the rig reaches from infinity to nearest focus of the lens"
    )
    f_number: float | None = _perhaps(_POSITIVE, "as marked")
    effective_f_number: float = _known(_POSITIVE, "exit pupil to sensor over exit pupil diameter")
    object_na: float = _known(_POSITIVE, "numerical aperture on the subject's side")
    pupil_magnification: float | None = _perhaps(_ANY, "exit over entrance pupil, as mounted, before a converter")
    light_loss_stops: float | None = _perhaps(_ANY, "light lost against infinity focus, in stops")
    field_mm: tuple[float, float] = declare(
        ListOf(item=_POSITIVE, length=2), "width and height seen of the subject, in mm"
    )
    working_distance_mm: float | None = _perhaps(
        _ANY, "working distance: lens rim to the subject, or to the flat face before it, in mm"
    )
    entrance_pupil_mm: float | None = _perhaps(_ANY, "entrance pupil to the plane of focus, in mm")
    airy_um: float = _known(_POSITIVE, "diameter of the Airy disk on the sensor, in um")
    finest_detail_um: float = _known(_POSITIVE, "finest line pair on the subject that keeps resolved_contrast, in um")
    diffraction_f_number: float | None = _perhaps(_POSITIVE, "marked f-number past which diffraction shows")


@record
class Compared:
    """The same rig by all four models of depth of field."""

    contrast_um: float | None = _perhaps(_POSITIVE, "range that keeps the share kept_contrast, in um")
    quarter_wave_um: float = _known(_POSITIVE, "n lam / NA^2, in um")
    blur_circle_um: float | None = _perhaps(_POSITIVE, "geometric, from the circle of confusion, in um")
    sum_um: float = _known(_POSITIVE, "n lam / NA^2 + n c / (m NA), in um")


@record
class DepthOfField:
    """How thick a sharp slice is."""

    model: str = declare(Choice(words=MODELS), "the model that drives the plan")
    total_um: float = _known(_POSITIVE, "thickness of a slice at the front, in um")
    target_lp_mm: float | None = _perhaps(_POSITIVE, "frequency whose contrast is kept, line pairs a mm on the sensor")
    compared: Compared = declare(Block(variants={"": Compared}), "all four models")


@record
class Coverage:
    """How the slices cover the subject."""

    frame_count: int = _known(_COUNT, "frames in the stack")
    step_um: float | None = _perhaps(_POSITIVE, "largest step of the plane of focus, in um")
    overlap: float | None = _perhaps(_ANY, "smallest share of a slice that its neighbour repeats")
    seam_contrast: float | None = _perhaps(_ANY, "share of the in-focus contrast at the worst seam")
    gap_risk: float | None = _perhaps(_POSITIVE, "chance that some seam falls below the share, from the rail's errors")
    edge_loss: float | None = _perhaps(_ANY, "share of the picture's width lost when all frames are scaled alike")
    edge_reference_frame: int | None = _perhaps(_COUNT, "the frame to which the others are scaled")
    first_focus_um: float = _known(_ANY, "depth of the first frame in shooting order, in um")
    last_focus_um: float = _known(_ANY, "depth of the last frame in shooting order, in um")
    frames_saved: int = declare(Number(whole=True, least=0), "frames that the gaps save", default=0, left_out=True)


@record
class Motion:
    """What the rail does."""

    microstep_um: float | None = _perhaps(_POSITIVE, "travel of one microstep (or one division of a dial), in um")
    step_microsteps: int | None = _perhaps(_COUNT, "microsteps of the largest step")
    take_up_microsteps: int | None = _perhaps(_COUNT, "how far a move overshoots so that it ends from the usual side")
    travel_mm: float = _known(_POSITIVE, "from the first frame to the last, in mm")
    start_microsteps: int | None = _perhaps(Number(whole=True), "position of the first frame")


@record
class Budget:
    """What the stack costs."""

    duration_s: float | None = _perhaps(
        _POSITIVE, "from rest at position 0 until the last file is written, in s; by hand frames times frame_s"
    )
    frame_s: float | None = _perhaps(_POSITIVE, "duration over frames, in s")
    raw_gb: float | None = _perhaps(_POSITIVE, "raw files, in GB")
    working_gb: float = _known(_POSITIVE, "16-bit frames and the result while processing, in GB")
    batteries: int | None = _perhaps(_COUNT, "batteries, rounded up")
    cards: int | None = _perhaps(_COUNT, "cards, rounded up")


@record
class Advice:
    """A change worth a thought, with its numbers."""

    change: str | None = _perhaps(Text(), "what to write after --set, where one command does it")
    text: str = declare(Text(), "what it brings")


@record
class Warned:
    """Something that the person must know before the first frame."""

    code: str = declare(Choice(words=tuple(WARNINGS)), "stable name; 'stacker explain CODE' tells more")
    text: str = declare(Text(), "what is wrong and what helps, with its numbers")


@record
class Column:
    """One column of the frame table; ``decimals`` is ``None`` for whole numbers."""

    decimals: int | None
    unit: str | None
    meaning: str


COLUMNS: dict[str, Column] = {
    "frame": Column(decimals=None, unit=None, meaning="number, from 1, in shooting order"),
    "focus_um": Column(
        decimals=4, unit="um", meaning="depth of the plane of focus; 0 is the front, positive goes deeper"
    ),
    "near_um": Column(decimals=4, unit="um", meaning="near end of the slice"),
    "far_um": Column(decimals=4, unit="um", meaning="far end of the slice"),
    "rail_um": Column(decimals=4, unit="um", meaning="rail position from position 0; positive takes the focus deeper"),
    "position_microsteps": Column(decimals=None, unit="microsteps", meaning="what the rail obeys, from position 0"),
    "move_microsteps": Column(
        decimals=None, unit="microsteps", meaning="from the row before; in row 1 from position 0"
    ),
    "magnification": Column(decimals=6, unit=None, meaning="of this frame"),
    "effective_f_number": Column(decimals=4, unit=None, meaning="of this frame"),
    "dof_um": Column(decimals=4, unit="um", meaning="thickness of the slice"),
    "overlap": Column(decimals=4, unit=None, meaning="with the frame before; none in row 1"),
    "exposure_s": Column(decimals=6, unit="s", meaning="shutter time"),
    "start_s": Column(decimals=3, unit="s", meaning="when the shutter opens; 0 is the rail at rest at position 0"),
}


@record
class Frames:
    """The frame table by column, in shooting order; a column of ``None`` does not apply or is not known."""

    frame: list[int]
    focus_um: list[float]
    near_um: list[float]
    far_um: list[float]
    rail_um: list[float]
    position_microsteps: list[int | None]
    move_microsteps: list[int | None]
    magnification: list[float]
    effective_f_number: list[float]
    dof_um: list[float]
    overlap: list[float | None]
    exposure_s: list[float | None]
    start_s: list[float | None]

    def __len__(self) -> int:
        return len(self.frame)

    def columns(self) -> list[list[Any]]:
        """The columns in the order of the file."""
        return [getattr(self, name) for name in COLUMNS]


@record
class Plan:
    """A plan; ``digest`` is empty until it is written."""

    stacker_plan: int = declare(Number(whole=True, least=1), "version of this file format")
    planner: str = declare(Text(), "version of the planner")
    name: str = declare(Text(), "title of the stack")
    digest: str = declare(Text(), "sha256 of this file's UTF-8 text with LF line ends, without this line")
    request: Request = declare(Block(variants={"": Request}), "the request, defaults filled in, files inlined")
    assumed: tuple[Assumed, ...] = declare(
        ListOf(item=Block(variants={"": Assumed})), "defaults taken that are guesses"
    )
    optics: Optics = declare(Block(variants={"": Optics}), "what the rig does")
    depth_of_field: DepthOfField = declare(Block(variants={"": DepthOfField}), "how thick a slice is")
    coverage: Coverage = declare(Block(variants={"": Coverage}), "how the slices cover the subject")
    motion: Motion = declare(Block(variants={"": Motion}), "what the rail does")
    panels: PlannedPanels | None = declare(
        Block(variants={"": PlannedPanels}), "the stacks side by side", default=None, left_out=True
    )
    budget: Budget = declare(Block(variants={"": Budget}), "time, storage, batteries; of all panels together")
    advice: tuple[Advice, ...] = declare(ListOf(item=Block(variants={"": Advice})), "changes to consider")
    warnings: tuple[Warned, ...] = declare(ListOf(item=Block(variants={"": Warned})), "what to know beforehand")
    frames: Frames

    @property
    def frames_in_all(self) -> int:
        """Frames that are taken: of all panels, where there are some."""
        return self.coverage.frame_count if self.panels is None else self.panels.exposures

    def again(self, path: Path) -> str:
        """The command that makes this plan again; of a survey between two rail positions with those two."""
        subject, of_survey = self.request.subject, self.request.purpose == "survey"
        if not of_survey or subject.front_at_mm is None or self.request.moves == "rear":
            return plan_command(path)
        back_mm = subject.front_at_mm + subject.depth_mm / subject.index  # the rail goes less far behind a flat face
        return f"{plan_command(path)} --from-mm {subject.front_at_mm:.12g} --to-mm {back_mm:.12g}"
