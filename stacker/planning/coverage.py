"""Where the frames of a stack focus: planes from position 0 outward, each as far as its step allows.

Depth 0 is the front of the subject and positive goes deeper. Planes come out in order of depth, front to back,
whatever order they will be shot in.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from stacker.errors import Refusal
from stacker.figures import significant
from stacker.planning.focus_grid import BoolArray, FloatArray, FocusGrid, FocusRailMap, IntArray, PerDepth, at_depths
from stacker.planning.zones import Gap, Reach, Zone, across_gaps, backward, bound_reach
from stacker.records import record

MAX_FRAMES = 1_000_000
"""More planes than this are refused: at a second a frame they would take eleven days."""

_BLOCK = 4096  # planes guessed at a time: long enough for arrays to pay, short enough to waste little


@record
class Planes:
    """The planes of focus of a stack in order of depth; lengths in um, columns of n planes or n - 1 pairs.

    Attributes
    ----------
    position_microsteps : ndarray of int64, shape (n,)
        Rail steps from position 0: microsteps, or whole um of rail travel where no rail is described.
    rail_um, focus_um : ndarray, shape (n,)
        Rail travel from position 0 and depth of the plane of focus. They differ only with a `FocusRailMap`.
    slice_um, near_um, far_um : ndarray, shape (n,)
        Thickness of the slice and its two ends: half of it to either side of the plane, but for what the cone of
        light from farther off is slimmer.
    step_um, overlap : ndarray, shape (n - 1,)
        From each plane to the next: the distance, and the share of the thinner slice that both cover.
    joined : ndarray of bool, shape (n - 1,)
        Whether a seam was asked for between the two; else a gap of the subject lies there.
    """

    position_microsteps: IntArray
    rail_um: FloatArray
    focus_um: FloatArray
    slice_um: FloatArray
    near_um: FloatArray
    far_um: FloatArray
    step_um: FloatArray
    overlap: FloatArray
    joined: BoolArray

    @property
    def frame_count(self) -> int:
        """Number of planes."""
        return len(self.position_microsteps)

    @property
    def step_microsteps(self) -> IntArray:
        """From each plane to the next in rail steps, shape (n - 1,)."""
        return np.diff(self.position_microsteps)


@record
class Extent:
    """What the planes must cover, from the front of the subject at 0.

    Attributes
    ----------
    depth_um : float
        Depth of the subject [um], 0 or more.
    end_frames : int
        Planes before the one at 0, and after the first at or beyond `depth_um` [-].
    lead_error : float
        Share by which the rail's travel may be wrong [-]: planes go on until both ends lie at least
        `lead_error` * `depth_um` outside of the subject.
    beyond_um : (float, float)
        How far planes must reach in front of 0 and beyond `depth_um` [um]: where the field is bent, the picture's
        corners are sharp elsewhere than its centre.
    """

    depth_um: float
    end_frames: int = 1
    lead_error: float = 0.0
    beyond_um: tuple[float, float] = (0.0, 0.0)


def lay_planes(
    extent: Extent,
    *,
    step_um: PerDepth,
    slice_um: PerDepth,
    microstep_um: float | None = None,
    zones: tuple[Zone, ...] = (),
    gaps: tuple[Gap, ...] = (),
    rail_map: FocusRailMap | None = None,
    entrance_pupil_um: PerDepth | None = None,
) -> Planes:
    """Lay the fewest planes that cover a depth with steps no larger than asked.

    Parameters
    ----------
    extent : Extent
        Of the subject, and how far beyond it.
    step_um : float or callable
        The largest step allowed [um]: slice times (1 - overlap), or what a seam contrast allows. As a function of
        depth, each pair of planes follows the one nearer to the front; it must not fall with depth.
    slice_um : float or callable
        Thickness of the slice that a frame renders sharp [um], likewise.
    microstep_um : float or None
        Rail travel for a microstep or a dial division [um]; None without a rail: planes stop on whole um.
    zones : tuple of Zone
        Depth ranges with finer steps; they may touch, overlap and extend beyond the subject.
    gaps : tuple of Gap
        Depth ranges that no slice need cover, none of them in a zone.
    rail_map : FocusRailMap or None
        Rail travel against depth where the rear standard moves.
    entrance_pupil_um : float or callable or None
        From the entrance pupil to the plane of focus [um]; None for one at infinity, or where it is not known.

    Returns
    -------
    Planes
        The first plane at or before 0, one at 0, the last at or beyond the depth, farther as the extent asks. Without
        zones and with `step_um` = `slice_um` * (1 - overlap), every pair overlaps by that share at least, after
        rounding.

    Raises
    ------
    Refusal
        If a step is under one microstep (key ``rail``), if there are more than `MAX_FRAMES` planes or a depth is
        out of reach (key ``subject.depth_mm``).

    Notes
    -----
    Each plane is the deepest stop that its neighbour's step and every zone allow. That bound never falls as the
    neighbour goes deeper, so nothing placed otherwise needs fewer planes, and a tighter bound never gives fewer.
    """
    grid = FocusGrid(unit_um=1.0 if microstep_um is None else microstep_um, rail_map=rail_map)
    front_um, back_um = -extent.beyond_um[0], extent.depth_um + extent.beyond_um[1]
    margin_um = extent.lead_error * extent.depth_um
    joining = bound_reach(grid, step_um, zones)
    narrowed = tuple(Gap(from_um=gap.from_um + margin_um, to_um=gap.to_um - margin_um) for gap in gaps)
    reach = across_gaps(grid, joining, narrowed)

    def refusal(front_stop: int) -> Refusal:
        return _step_under_one(grid, front_stop, step_um, zones, by_rail=microstep_um is not None)

    deeper = _lay(
        reach,
        through=grid.first_stop(back_um),
        margin=grid.first_stop(back_um + margin_um),
        end_frames=extent.end_frames,
        stuck=refusal,
    )
    frontward = _lay(
        backward(reach),
        through=-grid.last_stop(front_um),
        margin=-grid.last_stop(front_um - margin_um),
        end_frames=extent.end_frames,
        stuck=lambda mirrored: refusal(-mirrored - 1),
    )
    stops = np.concatenate((-frontward[:0:-1], deeper))
    return _measure(stops, stops[1:] <= joining(stops[:-1]), grid, slice_um, entrance_pupil_um)


def _measure(
    stops: IntArray, joined: BoolArray, grid: FocusGrid, slice_um: PerDepth, entrance_pupil_um: PerDepth | None
) -> Planes:
    focus_um = grid.focus_um(stops)
    thickness_um = at_depths(slice_um, focus_um)
    deeper_um = np.zeros_like(focus_um)
    if entrance_pupil_um is not None:
        # near a and far b are as much out of focus where 1/a - 1/b = 2/u; with a + b = t this is b - a
        deeper_um = _far_less_near_um(thickness_um, at_depths(entrance_pupil_um, focus_um))
    steps_um = np.diff(focus_um)
    shared_um = (thickness_um[1:] + thickness_um[:-1]) / 2 - steps_um
    return Planes(
        position_microsteps=stops,
        rail_um=grid.rail_um(stops),
        focus_um=focus_um,
        slice_um=thickness_um,
        near_um=focus_um - (thickness_um - deeper_um) / 2,
        far_um=focus_um + (thickness_um + deeper_um) / 2,
        step_um=steps_um,
        overlap=shared_um / np.minimum(thickness_um[1:], thickness_um[:-1]),
        joined=joined,
    )


def _far_less_near_um(thickness_um: FloatArray, pupil_um: FloatArray) -> FloatArray:
    """sqrt(u^2 + t^2) - u, written without the difference of nearly equal numbers."""
    return thickness_um**2 / (pupil_um + np.hypot(pupil_um, thickness_um))


def _lay(reach: Reach, *, through: int, margin: int, end_frames: int, stuck: Callable[[int], Refusal]) -> IntArray:
    """Planes from stop 0 to the first at or beyond `through`, `end_frames` more, and on to `margin`, farther out."""
    planes = _follow(reach, margin, stuck)
    missing = int(np.count_nonzero(planes < through)) + 1 + end_frames - len(planes)
    _refuse_too_many(len(planes) + missing)
    laid = [planes]
    for _ in range(missing):
        laid.append(reach(laid[-1][-1:]))
        if laid[-1][-1] <= laid[-2][-1]:
            raise stuck(int(laid[-2][-1]))
    return np.concatenate(laid)


def _follow(reach: Reach, stop: int, stuck: Callable[[int], Refusal]) -> IntArray:
    """Planes 0, reach(0), reach(reach(0)) and so on to the first at or beyond `stop`.

    A chain cannot be computed all at once, but it can be guessed and put right: summing up the steps that a guessed
    row of planes may make gives a better row, whose first planes are right as far as the guess was, and one more.
    Between zone edges the first guess, equal steps, is right throughout; in a stack whose step changes slowly a few
    rounds make it so.
    """
    at = 0
    laid = [np.zeros(1, np.int64)]
    guess = laid[0][:0]
    count = 1
    while at < stop:
        if len(guess) < 2:
            hop = int(reach(np.array([at]))[0]) - at
            if hop < 1:
                raise stuck(at)
            guess = np.arange(at, min(stop, at + hop * _BLOCK), hop)
        hops = reach(guess) - guess
        after = at + np.cumsum(hops)
        wrong = np.flatnonzero(after[:-1] != guess[1:])
        right = int(wrong[0]) + 1 if len(wrong) else len(guess)
        if np.any(hops[:right] < 1):
            raise stuck(int(guess[np.argmax(hops < 1)]))
        laid.append(after[:right])
        count += right
        _refuse_too_many(count)
        at = int(after[right - 1])
        guess = after[right - 1 :]
        guess = guess[guess < stop]
    return np.concatenate(laid)


def _refuse_too_many(count: int) -> None:
    if count > MAX_FRAMES:
        raise Refusal(
            f"This stack needs more than {MAX_FRAMES:,} frames; check the depth, the magnification, the overlap and"
            " the frames beyond the ends.",
            code="too_many_frames",
            key="subject.depth_mm",
        )


def _step_under_one(
    grid: FocusGrid, front_stop: int, step_um: PerDepth, zones: tuple[Zone, ...], *, by_rail: bool
) -> Refusal:
    """The refusal of a pair of planes whose front one stands at `front_stop` and cannot move on."""
    focus_um = grid.focus_um(np.array([front_stop]))
    asked = [(float(at_depths(step_um, focus_um)[0]), "")]
    for zone in zones:
        if grid.last_stop(zone.from_um) <= front_stop < grid.first_stop(zone.to_um):
            where = f" in the zone from {significant(zone.from_um, 6)} to {significant(zone.to_um, 6)} um"
            asked.append((float(at_depths(zone.step_um, focus_um)[0]), where))
    smallest_um, where = min(asked)
    found = f"a step of {significant(smallest_um, 4)} um{where}"
    if grid.rail_map is not None:
        rail_um = float(np.diff(grid.steps(focus_um + np.array([0.0, smallest_um])))[0]) * grid.unit_um
        found += f" at depth {significant(focus_um[0], 4)} um, {significant(rail_um, 4)} um of rail,"
    remedy = "ask for less overlap, or get thicker slices from a larger f-number or a lower magnification"
    if by_rail:
        text = (
            f"{found} is under one microstep of the rail ({significant(grid.unit_um, 4)} um); use a rail that moves"
            f" finer (a smaller lead, more microsteps per full step, a reduction), {remedy}."
        )
    else:
        text = (
            f"{found} is under 1 um, and without a rail steps are whole um; describe the rail that will make them,"
            f" {remedy}."
        )
    return Refusal(text[0].upper() + text[1:], code="step_under_microstep", key="rail")
