"""How the rail came to stand where it stands: what a run left there is not taken for the front unasked."""

from __future__ import annotations

from stacker.driving.beside import in_folder
from stacker.driving.job import Job
from stacker.errors import Refusal
from stacker.figures import typed_mm
from stacker.rail.address import port_of
from stacker.rail.controller import NOBODY, Identity


def how_here(job: Job, identity: Identity, position: int, counted: int) -> str:
    """Say how the rail came to a place that is to be taken for the front.

    Parameters
    ----------
    job : Job
        What is to run; the journals beside its plan are asked, of whatever plan.
    identity : Identity
        What the controller said of itself before it was taken over.
    position, counted : int
        Where the rail stands, and what that was called before a person redefined it, if so [microsteps].

    Raises
    ------
    Refusal
        When a run left it there, and not at its front.
    """
    for path, past in reversed(in_folder(job.path.parent)):
        held = identity.session in past.sessions - {"", NOBODY} and identity.boot == past.boot
        if past.port not in ("", port_of(job.link.url)) or not (held or counted == past.left_at):
            continue
        if position == past.front_at:
            return f"here, where the run of {path.name} left it, at its front"
        away_mm = job.mm(position - past.front_at)
        raise Refusal(
            f"the rail stands at {job.mm(position):.3f} mm, where a run left it ({path.name}), "
            f"{abs(away_mm):.3f} mm {'deeper' if away_mm > 0 else 'nearer'} than its front: that is not taken for the "
            f"front. Pass --front-at-mm {typed_mm(job.mm(past.front_at))} for the front of that run, or --front-at-mm "
            f"{typed_mm(job.mm(position))} if the front is in focus here.",
            code="front_unknown",
            key="subject.front_at_mm",
        )
    if identity.session == NOBODY:
        return "here; no program has moved it since it was switched on"
    return "here; no journal beside the plan says how it came there"
