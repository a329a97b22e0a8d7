"""From a job to a rail that listens: open, identify, compare with the profile, take over, find position 0."""

from __future__ import annotations

from collections.abc import Callable

from stacker.documents.gcode_link import GcodeLink
from stacker.documents.rail_link import Link
from stacker.driving.job import Job
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal
from stacker.rail.acknowledged import LONGEST_ANSWER
from stacker.rail.address import is_simulated
from stacker.rail.controller import Controller, Identity, Where
from stacker.rail.gcode import GcodeController
from stacker.rail.line import LineController
from stacker.rail.link import open_link
from stacker.rail.rail import Rail
from stacker.rail.settings import RailSettings
from stacker.rail.stops import StopOrder


def connect(
    link: Link | GcodeLink,
    settings: RailSettings,
    stop_order: Callable[[], StopOrder] = lambda: StopOrder.GO_ON,
    *,
    met: Callable[[Controller, Identity], None] = lambda _controller, _identity: None,
) -> tuple[Rail, Identity]:
    """Open the port and become the host that the controller obeys; nothing moves.

    Parameters
    ----------
    link, settings : Link or GcodeLink, RailSettings
        How to reach it, what it must be.
    stop_order : callable
        Go on, stop, or stop at once.
    met : callable
        Told who answers, before it is taken over; what it raises ends the matter.

    Raises
    ------
    Refusal
        When the controller's microsteps a turn are not the profile's.
    LinkError
        When nobody answers.
    """
    controller = controller_for(link, settings)
    try:
        identity = controller.connect()
        _compare(identity, settings)
        met(controller, identity)
        rail = Rail(controller, settings, stop_order)
        controller.attend = rail.attend
        controller.take_over()
        rail.come_to_rest()
        rail.set_up()
    except BaseException:
        controller.close()
        raise
    return rail, identity


def look(link: Link, settings: RailSettings) -> tuple[Identity, Where, list[str]]:
    """Who answers in the line dialect, where the rail is, and its `state`.

    Nothing moves, and no other program loses the rail.
    """
    controller = LineController(open_link(link.url, link.baud), extra_s=link.reply_extra_s)
    try:
        identity = controller.connect()
        _compare(identity, settings)
        controller.only_look()
        return identity, controller.where(), controller.state()
    finally:
        controller.close()


def controller_for(link: Link | GcodeLink, settings: RailSettings) -> LineController | GcodeController:
    """Open the port for the dialect of the profile."""
    if isinstance(link, Link):
        return LineController(open_link(link.url, link.baud), extra_s=link.reply_extra_s)
    port = open_link(link.url, link.baud, longest=LONGEST_ANSWER)
    return GcodeController(port, link, microsteps_per_mm=settings.microsteps_per_mm)


def _compare(identity: Identity, settings: RailSettings) -> None:
    its_own = identity.microsteps_per_turn
    if its_own is not None and its_own != settings.microsteps_per_turn:
        raise Refusal(
            f"the controller makes {its_own} microsteps a turn, the profile says {settings.microsteps_per_turn}: every "
            "move would be wrong. Compare microsteps_per_full_step with the driver's jumpers; a measured move of "
            "10 mm tells which of the two is right.",
            code="microsteps_differ",
            key="rail.microsteps_per_full_step",
        )


def make_ready(rail: Rail) -> Where:
    """Allow motion again after an earlier stop, energise the motor if it was let go, and say where the rail is."""
    rail.controller.clear()
    where = rail.controller.where()
    if not where.known:
        rail.controller.hold(on=True)
    return where


def name_place(rail: Rail, position: int) -> None:
    """Take the person's word for where the rail stands [microsteps].

    Raises
    ------
    Refusal
        When it cannot stand there: a slip of a digit would send it into its end with the next move.
    """
    if not 0 <= position <= rail.settings.travel:
        mm = rail.settings.mm
        raise Refusal(
            f"the rail cannot stand at {mm(position):.3f} mm: its travel is 0 to {mm(rail.settings.travel):.3f} mm. "
            "Read its scale again.",
            code="beyond_travel",
            key="rail.travel_mm",
        )
    make_ready(rail)
    rail.controller.declare(position)


def place_front(rail: Rail, job: Job, options: RunOptions, *, how_here: Callable[[int, int], str]) -> tuple[int, str]:
    """Decide where position 0 of the plan is taken.

    Parameters
    ----------
    rail : Rail
        Connected.
    job : Job
        What to run.
    options : RunOptions
        From the command line: where the front is, where the rail stands now, whether nobody is asked.
    how_here : callable
        Says how the rail came to a position that is to be taken for the front, or refuses it; told that position, and
        what it was called before it was redefined [microsteps].

    Returns
    -------
    int, str
        The rail position of position 0 [microsteps], and where it was taken from.

    Raises
    ------
    Refusal
        When nobody knows where the rail is, or "here" would be taken on a real rail without asking anybody.
    """
    counted = rail.controller.where().position
    if options.rail_at is not None:
        name_place(rail, options.rail_at)
    where = make_ready(rail)
    if not where.known:
        raise Refusal(
            "the rail's position is not known (the controller was switched on or stopped at once). Read its scale and "
            "pass --rail-at-mm, or seek a switch: stacker rail find.",
            code="position_unknown",
        )
    if options.front_at is not None:
        return options.front_at, "as --front-at-mm says"
    if job.front_at is not None:
        return job.front_at, "as the request says"
    if options.yes and not is_simulated(job.link.url):
        raise Refusal(
            f"--yes does not take the present place for the front on a real rail. Pass --front-at-mm "
            f"{job.mm(where.position):.3f} if the front is in focus here.",
            code="front_unknown",
            key="subject.front_at_mm",
        )
    return where.position, how_here(where.position, counted)
