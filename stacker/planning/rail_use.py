"""How a plan uses the rail: its microsteps, and the two walls it must never reach."""

from __future__ import annotations

from stacker.documents.rail_profile import HandRail, RailProfile
from stacker.documents.request import Request
from stacker.errors import Refusal
from stacker.figures import significant
from stacker.motion.step_grid import whole_down, whole_up
from stacker.motion.take_up import Direction, extent
from stacker.optics.imaging import Imaging
from stacker.planning.coverage import Planes
from stacker.records import record


@record
class RailUse:
    """The numbers of a rail that a plan rests on; one division of a hand rail's dial counts as its microstep.

    ``direction`` is that in which every stop is reached: 1 deeper, -1 outward.
    """

    profile: RailProfile | HandRail
    microstep_um: float
    take_up_microsteps: int
    direction: Direction
    lead_error: float

    @classmethod
    def of(cls, request: Request) -> RailUse | None:
        """The rail of a request, if it has one."""
        profile = request.rail
        if profile is None:
            return None
        return cls(
            profile=profile,
            microstep_um=profile.microstep_um,
            take_up_microsteps=profile.take_up_microsteps,
            direction=request.direction,
            # a depth that was jogged on this very rail is as wrong as the steps are: nothing is missing at the end
            lead_error=0.0 if request.subject.depth_source == "rail" else profile.lead_error,
        )

    def reach_um(self, planes: Planes) -> tuple[float, float]:
        """Lowest and highest rail position of a run from position 0, the overshoot of the take-up included."""
        ends = planes.position_microsteps[[0, -1]].tolist()
        low, high = extent(ends, direction=self.direction, take_up=self.take_up_microsteps)
        return low * self.microstep_um, high * self.microstep_um


def distance_to_subject_mm(request: Request, imaging: Imaging) -> float | None:
    """From the front of the rig to what it would touch first: the subject's front, or the flat face before it."""
    if imaging.working_distance_mm is None:
        return None
    # what is behind the face seems nearer to it by the index
    return imaging.working_distance_mm - request.subject.below_face_mm / request.subject.index


def foremost(request: Request) -> str:
    """What the rig would touch first."""
    return "the front of the subject" if request.subject.index == 1 else "the face in front of the subject"


def refuse_collision(request: Request, imaging: Imaging, planes: Planes, rail: RailUse | None) -> None:
    """Refuse a plan that brings the rig closer to the subject than ``keep_clear_mm``.

    Raises
    ------
    Refusal
        With the distance that would be left. An unknown working distance is never refused: a warning tells.
    """
    distance_mm = distance_to_subject_mm(request, imaging)
    if distance_mm is None:
        return
    advance_mm = 0.0  # with a moving rear standard lens and subject stand still
    if request.moves != "rear":
        deepest_um = rail.reach_um(planes)[1] if rail else float(planes.rail_um[-1])
        advance_mm = deepest_um / 1000
    left_mm = distance_mm - advance_mm
    if left_mm < request.subject.keep_clear_mm:
        near = f"come to {significant(left_mm)} mm from" if left_mm >= 0 else f"run {significant(-left_mm)} mm past"
        raise Refusal(
            f"the rig would {near} {foremost(request)}: the working distance is "
            f"{significant(distance_mm, 4)} mm, the rail goes {significant(advance_mm, 4)} mm in, "
            f"and keep_clear_mm is {request.subject.keep_clear_mm:g}; use less magnification, a longer lens, or a "
            "shallower stack",
            code="collision",
            key="subject.depth_mm",
        )


def refuse_outside_limits(request: Request, planes: Planes, rail: RailUse | None) -> None:
    """Refuse a plan that does not fit between the soft limits.

    Raises
    ------
    Refusal
        If the travel is longer than the limits allow, or, with ``front_at_mm`` known, leaves them.
    """
    if rail is None:
        return
    low_mm, high_mm = rail.profile.soft_limits_mm
    first_mm, last_mm = (end_um / 1000 for end_um in rail.reach_um(planes))
    if last_mm - first_mm > high_mm - low_mm:
        raise Refusal(
            f"the stack needs {significant(last_mm - first_mm, 4)} mm of travel, take-up included, and the soft limits "
            f"leave {significant(high_mm - low_mm, 4)} mm; shoot it in two stacks, or use a longer rail",
            code="soft_limits",
            key="rail.soft_limits_mm",
        )
    front_mm = request.subject.front_at_mm
    if front_mm is not None and not low_mm - first_mm <= front_mm <= high_mm - last_mm:
        # a number that is typed as it is told must not be refused once more
        lowest_um, highest_um = whole_up((low_mm - first_mm) * 1000), whole_down((high_mm - last_mm) * 1000)
        raise Refusal(
            f"the rail would go from {significant(front_mm + first_mm, 4)} to {significant(front_mm + last_mm, 4)} mm, "
            f"take-up included, and the soft limits are {low_mm:g} and {high_mm:g} mm; set the subject up so that "
            f"front_at_mm lies between {lowest_um / 1000:.3f} and {highest_um / 1000:.3f}",
            code="soft_limits",
            key="subject.front_at_mm",
        )
