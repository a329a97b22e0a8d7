"""Whether the request beside a plan still says what the plan was made from."""

from __future__ import annotations

from pathlib import Path

from stacker.documents.loading import load_request
from stacker.documents.plan import Plan
from stacker.errors import StackerError
from stacker.figures import as_typed

_ENDING = ".plan.yaml"


def changed_request(plan: Plan, path: Path) -> Path | None:
    """The request that a plan is named after, if it, or a file that it names, says something else by now.

    ``None`` also where no such request stands beside the plan. A plan of values that were tried differs from its
    request too, so this is a remark and no fault.
    """
    request = path.with_name(path.name.removesuffix(_ENDING) + ".yaml")
    if not path.name.endswith(_ENDING) or not request.is_file():
        return None
    try:
        return None if load_request(request).value == plan.request else request
    except StackerError:  # changed, and with faults
        return request


def remark_on_age(plan: Plan, path: Path) -> str | None:
    """What to tell a person who is about to use a plan that its request no longer asks for."""
    request = changed_request(plan, path)
    if request is None:
        return None
    return (
        f"{request}, or a file that it names, says something else by now than this plan was made from.\n"
        f"To follow it: stacker plan {as_typed(request)}"
    )
