"""What each f-number buys: detail against frames, time and storage; and the f-number that suits a wish best."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property

from stacker.documents.request import Light, Request
from stacker.documents.rigs import CoupledRig, ObjectiveRig
from stacker.errors import Refusal
from stacker.optics.contrast import in_focus_contrast
from stacker.optics.otf import falling_root
from stacker.planning.budget import budget_of, timeline_of
from stacker.planning.criterion import Aperture, Criterion
from stacker.planning.draft import draft_of
from stacker.planning.focus_grid import FloatArray
from stacker.planning.rig import imaging_of
from stacker.records import record

MARKS = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0)

_SCAN = 2 ** (1 / 8)  # a quarter of a stop between the f-numbers that are tried before the best is closed in on
_HUNDREDTHS = 100  # f-numbers are sought to a hundredth: finer than any ring can be set
_SAME = 1 + 1e-9


@record
class ApertureRow:
    """An f-number and what it costs; ``refused`` says why there is no stack, and then costs are ``None``."""

    f_number: float
    effective_f_number: float | None = None
    finest_detail_um: float | None = None
    slice_um: float | None = None
    frames: int | None = None
    duration_s: float | None = None
    raw_gb: float | None = None
    exposure_s: float | None = None
    diffraction: bool = False
    refused: str | None = None


def aperture_rows(request: Request, f_numbers: Sequence[float] = MARKS) -> list[ApertureRow]:
    """Plan the stack at each of several marked f-numbers, and at the request's own.

    Parameters
    ----------
    request : Request
        Its own f-number is one of the rows.
    f_numbers : sequence of float
        As marked on the ring.

    Raises
    ------
    Refusal
        If the rig has no aperture ring to turn.
    """
    return [aperture_row(request, f_number) for f_number in sorted({*f_numbers, marked_f_number(request)})]


def marked_f_number(request: Request) -> float:
    """The f-number that a request asks for.

    Raises
    ------
    Refusal
        If the rig has no aperture ring to turn.
    """
    if isinstance(request.rig, ObjectiveRig):
        raise Refusal("an objective has no ring to turn: its aperture is na", key="rig.kind")
    if isinstance(request.rig, CoupledRig):
        raise Refusal(
            "coupled lenses have no ring to turn but two: compare them with 'stacker plan REQUEST --set "
            "rig.front_f_number=4'",
            key="rig.kind",
        )
    return request.rig.f_number


def at_f_number(request: Request, f_number: float) -> Request:
    """The same stack at another marked f-number: its light metered anew, the lens's own blur as it was measured.

    Raises
    ------
    Refusal
        If the rig has no aperture ring to turn, or the measured blur is less than a perfect lens has.
    """
    ratio = f_number / marked_f_number(request)
    assert not isinstance(request.rig, (ObjectiveRig, CoupledRig))  # refused just now
    changed = replace(request, rig=replace(request.rig, f_number=f_number), light=_metered(request.light, ratio))
    if ratio == 1 or request.focus.lens_mtf50_lp_mm is None:
        return changed
    return replace(changed, focus=replace(changed.focus, lens_mtf50_lp_mm=_mtf50_lp_mm(request, ratio)))


def _mtf50_lp_mm(request: Request, ratio: float) -> float:
    """What would be measured at another f-number if the lens's own blur stayed: nobody knows better without measuring.

    Real lenses blur less as they are stopped down, up to a point; so wider apertures come out too well here.
    """
    measured = Criterion.of(request, imaging_of(request))
    pitch_um = measured.pixel_pitch_um

    def above_half(frequency_lp_mm: FloatArray) -> FloatArray:
        contrast = in_focus_contrast(
            frequency_lp_mm,
            effective_f_number=measured.imaging.effective_f_number * ratio,
            pixel_pitch_um=pitch_um,
            spectrum=measured.spectrum,
            lens_falloff_mm2=measured.lens_falloff_mm2,
        )
        return contrast - 0.5

    return float(falling_root(above_half, 0.0, 1e3 / pitch_um)) * (1 - 1e-12)  # never above what a perfect lens gives


def _metered(light: Light | None, ratio: float) -> Light | None:
    """The light at another f-number: a lamp needs longer by the square of the ratio, a flash more power."""
    if light is None or light.kind == "flash":
        return light
    return replace(light, exposure_s=light.exposure_s * ratio**2)


def aperture_row(request: Request, f_number: float) -> ApertureRow:
    """Plan the stack at one marked f-number."""
    here = at_f_number(request, f_number)
    try:
        draft = draft_of(here)
        clock = timeline_of(draft)
        budget = budget_of(here, draft.planes.frame_count, clock)
    except Refusal as refusal:
        return ApertureRow(f_number=f_number, refused=str(refusal))
    limit = draft.diffraction_f_number
    return ApertureRow(
        f_number=f_number,
        effective_f_number=draft.imaging.effective_f_number,
        finest_detail_um=draft.finest_detail_um,
        slice_um=float(draft.criterion.slice_um(Aperture.of(draft.imaging))),
        frames=draft.planes.frame_count,
        duration_s=budget.duration_s,
        raw_gb=budget.raw_gb,
        exposure_s=here.light.exposure_s if here.light else None,
        diffraction=limit is not None and f_number > limit,
    )


@record
class Wish:
    """What a person wants of an f-number; ``None`` where it does not matter.

    Attributes
    ----------
    detail_um : float or None
        To be resolved on the subject.
    frames : int or None
        At most.
    minutes : float or None
        At most.
    """

    detail_um: float | None = None
    frames: int | None = None
    minutes: float | None = None

    def within_budget(self, row: ApertureRow) -> bool:
        """Whether there is a stack, with no more frames and time than wished."""
        if row.frames is None or (self.frames is not None and row.frames > self.frames):
            return False
        return self.minutes is None or (row.duration_s is not None and row.duration_s <= self.minutes * 60)

    def granted(self, row: ApertureRow) -> bool:
        """Whether a row also resolves the detail."""
        return self.within_budget(row) and (self.detail_um is None or (row.finest_detail_um or 0.0) <= self.detail_um)


@record
class _Search:
    """F-numbers in hundredths between two ends, each planned at most once."""

    request: Request
    lowest: int
    highest: int

    @cached_property
    def _known(self) -> dict[int, ApertureRow]:
        return {}

    def row(self, hundredths: int) -> ApertureRow:
        if hundredths not in self._known:
            self._known[hundredths] = aperture_row(self.request, hundredths / _HUNDREDTHS)
        return self._known[hundredths]

    def last(self, grants: Callable[[ApertureRow], bool]) -> int | None:
        """The largest f-number with a property that f-numbers lose as they grow."""
        if not grants(self.row(self.lowest)):
            return None
        return self.highest if grants(self.row(self.highest)) else self._edge(grants, self.lowest, self.highest)

    def nearest(self, wish: Wish, start: int, end: int) -> int | None:
        """The f-number nearest to `start`, on the way to `end`, that grants a wish.

        Tried are the start, then f-numbers a quarter of a stop apart; the best is closed in on before the first that
        grants the wish. A lamp's exposures can leave a range of f-numbers narrower than that unseen.
        """
        refusing = start
        for tried in self._between(start, end):
            if wish.granted(self.row(tried)):
                return self._edge(wish.granted, tried, refusing)
            refusing = tried
        return None

    def _edge(self, grants: Callable[[ApertureRow], bool], granting: int, refusing: int) -> int:
        """The last f-number with a property, on the way from one with it to one without."""
        while abs(granting - refusing) > 1:
            middle = (granting + refusing) // 2
            granting, refusing = (middle, refusing) if grants(self.row(middle)) else (granting, middle)
        return granting

    @staticmethod
    def _between(start: int, end: int) -> Iterator[int]:
        count = math.ceil(abs(math.log(end / start, _SCAN))) or 1
        for part in range(count + 1):
            yield round(start * (end / start) ** (part / count))


def best_aperture(
    request: Request, wish: Wish, *, least: float = MARKS[0], most: float = MARKS[-1]
) -> ApertureRow | None:
    """The f-number, to a hundredth, that grants a wish best.

    With a detail to resolve that is the one with the fewest frames, without one the finest detail within the budget;
    of equals it is the larger f-number.

    Parameters
    ----------
    request : Request
        Its own f-number counts as one that the lens has, beyond `least` or `most` too.
    wish : Wish
        What matters.
    least, most : float
        Ends of the aperture ring.

    Returns
    -------
    ApertureRow or None
        ``None`` where no f-number grants the wish.

    Raises
    ------
    Refusal
        If the rig has no aperture ring, or minutes are asked of a stack whose time is unknown.

    Notes
    -----
    Stopping down never makes detail finer nor frames more. So the largest f-number that grants a wish has the fewest
    frames; and the smallest within a budget has the finest detail, which larger ones share as long as pixels rule.
    Only the time may go up and down, since a lamp needs longer: hence the scan.
    """
    own = marked_f_number(request)
    if wish.minutes is not None:
        _refuse_unknown_time(aperture_row(request, own))
    search = _Search(
        request=request,
        lowest=round(min(least, own) * _HUNDREDTHS),
        highest=round(max(most, own) * _HUNDREDTHS),
    )
    detail_um = wish.detail_um
    if detail_um is None:
        many = search.last(lambda row: row.frames is None or not replace(wish, minutes=None).granted(row))
        start = search.lowest if many is None or many == search.highest else many + 1
        finest = search.nearest(wish, start, search.highest)
        detail_um = None if finest is None else search.row(finest).finest_detail_um
        if detail_um is None:
            return None
    wish = replace(wish, detail_um=detail_um * _SAME)
    # a refused f-number is passed over here: one wide open, say, whose steps are too small for the rail
    resolving = search.last(lambda row: row.finest_detail_um is None or row.finest_detail_um <= detail_um * _SAME)
    best = None if resolving is None else search.nearest(wish, resolving, search.lowest)
    return None if best is None else search.row(best)


def _refuse_unknown_time(row: ApertureRow) -> None:
    if row.refused is None and row.duration_s is None:
        raise Refusal(
            "the time of this stack is not known: describe the light, and a rail with a motor and a shutter that needs "
            "no finger",
            key="light",
        )
