"""A run without a rail: the very code that would drive it, at a controller that only writes down what it is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from stacker.driving import preflight
from stacker.driving.job import Job
from stacker.driving.last_word import doubts
from stacker.driving.person import Person
from stacker.driving.rehearsal import RehearsalProcess, RehearsalReleaseLine, rehearsal_controller
from stacker.driving.run import Run, Start
from stacker.driving.run_options import RunOptions
from stacker.driving.runner import run_frames
from stacker.driving.shutters import ShutterAround, shutter_for
from stacker.figures import clock
from stacker.rail.gcode_words import mode_of
from stacker.rail.rail import Rail
from stacker.rail.shutter import Shutter

HEAD_FRAMES = 3


class _NoJournal:
    """A dry run leaves nothing behind."""

    def write(self, event: str, **values: Any) -> None:
        """Nothing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Rehearsed:
    """What a run would do.

    Parameters
    ----------
    front_at : int or None
        Rail position of the front; None: to be found at the bench, positions then count from it.
    set_up : tuple of str
        Requests before the first frame.
    frames : tuple of (int, tuple of str)
        Frame number (0: closing frame) and the requests for it.
    opens_s : tuple of float
        When the shutter of each opens [s], the rail at rest with the front in focus before.
    """

    front_at: int | None
    set_up: tuple[str, ...]
    frames: tuple[tuple[int, tuple[str, ...]], ...]
    opens_s: tuple[float, ...]


def rehearse(job: Job, *, front_at: int | None, frames: Sequence[int]) -> Rehearsed:
    """Go through a run; nothing moves, no port is opened.

    Raises
    ------
    Refusal
        As the run would: limits, collision.
    """
    origin = 0 if front_at is None else front_at
    controller = rehearsal_controller(job, origin)
    rail = Rail(controller, job.rail)
    controller.take_over()
    rail.set_up()
    low, high = preflight.run_range(job, origin)
    if front_at is not None:
        preflight.check(job, front_at)
        rail.narrow(low, high)
    else:
        rail.bounds = (low, high)
        controller.set_limits(low, high)
    ends: list[int] = []
    shutter = _Watched(
        shutter_for(
            rail,
            job,
            lambda _: True,
            open_line=lambda _, line: RehearsalReleaseLine(controller.requests, line),
            start=lambda command, **_: RehearsalProcess(controller.requests, command),
        )
    )
    person = Person(confirm=lambda _: True, report=lambda _: ends.append(len(controller.requests)))
    run = Run(
        job=job,
        options=RunOptions(),
        person=person,
        rail=rail,
        identity=controller.connect(),
        shutter=shutter,
        start=Start(front_at=origin, frames=tuple(frames)),
    )
    rail.here()  # as a run knows it
    began_s = rail.clock.now()
    shutter.set_up()
    before = len(controller.requests)
    run_frames(run, _NoJournal())
    requests = controller.requests
    return Rehearsed(
        front_at=front_at,
        set_up=tuple(requests[:before]),
        frames=tuple(
            (frame, tuple(requests[start:end]))
            for frame, start, end in zip(frames, [before, *ends[:-1]], ends, strict=True)
        ),
        opens_s=tuple(contact_s + job.pace.delay_s - began_s for contact_s in shutter.contacts_s),
    )


class _Watched(ShutterAround):
    """A shutter that is set up once, apart from the frames, and notes when its contact closes."""

    def __init__(self, shutter: Shutter) -> None:
        super().__init__(shutter)
        self._ready = False
        self.contacts_s: list[float] = []

    def set_up(self) -> None:
        """The first time."""
        if not self._ready:
            super().set_up()
        self._ready = True

    def fire(self, shot: int, position: int) -> float:
        """Note when."""
        self.contacts_s.append(super().fire(shot, position))
        return self.contacts_s[-1]


def text(job: Job, rehearsed: Rehearsed, *, whole: bool) -> str:
    """The dry run for people: headline, frames and lines; the middle left out unless `whole`."""
    rows = list(rehearsed.frames)
    front = rehearsed.front_at
    place = (
        "Position 0 is taken at the bench; positions below count from it."
        if front is None
        else f"Position 0, the front in focus, is at {job.mm(front):.3f} mm."
    )
    spent = "" if job.duration_s is None else f", about {clock(job.duration_s)}"
    if len(rows) < job.count:
        spent = f" of {job.count}"
    low, high = preflight.run_range(job, front or 0)
    lines = [
        f"{job.name}: {len(rows)} frames{spent}.",
        "Dry run: nothing moves, no port is opened.",
        f"Rail: {job.rail_name}, {job.link.url.partition('?')[0]}.",
        place,
        f"It would stay between {job.mm(low):.3f} and {job.mm(high):.3f} mm, take-up included.",
        "",
        "Lines to be sent:"
        if job.link.gcode
        else "Lines to be sent (boot, session, sequence and check code are added then):",
        *(f"    {request}" for request in rehearsed.set_up),
    ]
    left_out = 0 if whole or len(rows) <= 2 * HEAD_FRAMES else len(rows) - 2 * HEAD_FRAMES
    for number, (frame, requests) in enumerate(rows):
        if left_out and HEAD_FRAMES <= number < len(rows) - HEAD_FRAMES:
            if number == HEAD_FRAMES:
                lines.append(f"  ... {left_out} frames more: --all shows them")
            continue
        row = job.row(frame)
        title = job.named(frame)
        lines.append(
            f"  {title}: focus {job.focus_um[row]:.1f} um, {job.positions[row]} microsteps, {job.exposure_s[row]:g} s"
            + (f", opens at {rehearsed.opens_s[number]:.1f} s" if job.start_s else "")
        )
        lines += [f"    {request}" for request in requests]
    if job.link.gcode is None:
        lines.append("Between them 'where' and 'shot', which ask and move nothing, as often as needed.")
    elif job.link.gcode.position_query:
        lines.append(f"Between them: '{job.link.gcode.position_query}', which asks for the position.")
    elif mode_of(job.link.gcode):
        lines.append(f"Between them: '{mode_of(job.link.gcode)}', to hear whether it still answers.")
    if job.link.gcode and job.link.gcode.unlock:
        lines.append(f"After its greeting: {', '.join(map(repr, job.link.gcode.unlock))}.")
    lines += [line for text in doubts(job.link.gcode) for line in wrap(text, 80)]
    return "\n".join(lines)
