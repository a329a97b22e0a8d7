"""Whether the request beside a plan still says what the plan was made from."""

from __future__ import annotations

from pathlib import Path

from stacker.documents.files import request_path
from stacker.documents.loading import load_request
from stacker.documents.plan import Plan
from stacker.documents.rail_profile import RailProfile
from stacker.errors import Refusal, StackerError


def changed_request(plan: Plan, path: Path) -> Path | None:
    """The request that a plan is named after, if it, or a file that it names, says something else by now.

    ``None`` also where no such request stands beside the plan, and for a survey or a target, which are not what their
    request asks for. A plan of values that were tried differs from its request too, so this is a remark and no fault.
    """
    request = request_path(path)
    if request is None or not request.is_file() or plan.request.purpose != "stack":
        return None
    try:
        return None if load_request(request).value == plan.request else request
    except StackerError:  # changed, and with faults
        return request


def refuse_wider_limits(plan: Plan, path: Path) -> None:
    """Refuse a plan that allows its rail more than the profile in the request beside it.

    A digest is no signature: whoever wrote the plan wrote its limits too. Where the request stands beside it, the
    profile there is the one of this bench.

    Raises
    ------
    Refusal
        With what the plan says and what the profile says.
    """
    request, planned = request_path(path), plan.request.rail
    if request is None or not request.is_file() or not isinstance(planned, RailProfile):
        return
    try:
        own = load_request(request).value.rail
    except StackerError:  # its faults are told by whoever asks for it
        return
    if not isinstance(own, RailProfile):
        return
    if said := _beyond(planned, own):
        raise Refusal(
            f"{path} differs from the rail of {request}: {'; '.join(said)}. Plan again: {plan.again(path)}",
            code="wider_limits",
            key="rail.soft_limits_mm",
        )


def _beyond(planned: RailProfile, own: RailProfile) -> list[str]:
    """What one profile allows and the other does not."""
    said = [
        f"{key} {getattr(planned, key):g}, there {getattr(own, key):g}"
        for key in ("travel_mm", "speed_mm_s", "acceleration_mm_s2")
        if getattr(planned, key) > getattr(own, key)
    ]
    (low, high), (own_low, own_high) = planned.soft_limits_mm, own.soft_limits_mm
    if low < own_low or high > own_high:
        said.append(f"soft_limits_mm {low:g} to {high:g}, there {own_low:g} to {own_high:g}")
    if planned.microstep_um != own.microstep_um:
        said.append(f"a microstep of {planned.microstep_um:g} um, there {own.microstep_um:g}")
    return said


def remark_on_age(plan: Plan, path: Path) -> str | None:
    """What to tell a person who is about to use a plan that its request no longer asks for."""
    request = changed_request(plan, path)
    if request is None:
        return None
    return (
        f"{request}, or a file that it names, has changed since this plan was made.\nTo follow the change: "
        f"{plan.again(path)}"
    )
