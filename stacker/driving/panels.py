"""All panels of a plan, one run each: the main rail out, one axis after the other, then the stack."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

from stacker.documents.journal import Past, read_journal
from stacker.documents.panels import Panel, Panels, PlannedPanels, of_whole
from stacker.driving import preflight
from stacker.driving.axes import Axis, Places, announced, axis_plans, connect_axes
from stacker.driving.beside import of_panels
from stacker.driving.drive import agree, earlier_of, ready, take
from stacker.driving.durable import DurableFile
from stacker.driving.follow_up import drive_command
from stacker.driving.job import Job
from stacker.driving.person import Person
from stacker.driving.run import Outcome, Run, Start
from stacker.driving.run_options import RunOptions
from stacker.driving.watcher import Watcher
from stacker.errors import LinkError, Refusal, RunStopped, StackerError


@dataclass(frozen=True, kw_only=True, slots=True)
class Set:
    """Panels to be taken in one go.

    Parameters
    ----------
    asked, planned : Panels or None, PlannedPanels
        From the plan.
    jobs : tuple of Job
        One a panel, in order.
    earlier : Path or None
        Journal to go on from: of the first of them, or of the one that was taken last before it.
    begun : bool
        Whether it is that of the first of them.
    places : mapping
        What their journals say of the axes.
    name : str
        Of the set, by which its journals know one another.
    """

    asked: Panels | None
    planned: PlannedPanels
    jobs: tuple[Job, ...]
    earlier: Path | None
    begun: bool
    places: Places
    name: str


def set_of(
    asked: Panels | None,
    planned: PlannedPanels,
    job_of_panel: Callable[[Panel], Job],
    *,
    digest: str,
    resume: str | None,
    only: int | None,
) -> Set:
    """What a run of panels is to take: all, one, or what an earlier set left open.

    Raises
    ------
    Refusal
        When there is no such panel, or nothing is left.
    """
    jobs = [job_of_panel(panel) for panel in planned.panels]
    if only is not None and only > len(jobs):
        raise Refusal(f"--panel: found {only}; the plan has panels 1 to {len(jobs)}", code="panel")
    found = of_panels(jobs[0].path, digest)
    chosen = tuple(jobs if only is None else jobs[only - 1 : only])
    new = Set(
        asked=asked,
        planned=planned,
        jobs=chosen,
        earlier=None,
        begun=False,
        places=next((past.axes for _, past in reversed(found) if past.axes), {}),
        name=secrets.token_hex(4),
    )
    if resume is None:
        return new
    path, past = _named(Path(resume), digest) if resume else _newest(found, jobs[0].path)
    if past.kind != "all" and past.panel is not None:  # some frames of one panel
        return replace(new, jobs=(jobs[past.panel - 1],), earlier=path, begun=True, name=past.set)
    return _rest_of(new, past, {one.panel: (at, one) for at, one in found if one.set == past.set})


def _rest_of(new: Set, past: Past, own: Mapping[int | None, tuple[Path, Past]]) -> Set:
    """What a set of panels left open: the panel that was begun first, then those that were not."""
    begun = [job for job in new.jobs if (one := own.get(_number(job))) and one[1].pending]
    untouched = [job for job in new.jobs if _number(job) not in own]
    if not begun and not untouched:
        raise Refusal("nothing is left to take: every panel of that set is complete.", code="complete")
    last = max(own.values(), key=lambda one: one[1].last_utc)
    return replace(
        new,
        jobs=(*begun, *untouched),
        earlier=own[_number(begun[0])][0] if begun else last[0],
        begun=bool(begun),
        name=past.set,
    )


def _number(job: Job) -> int:
    assert job.panel is not None  # all jobs of a set are of panels
    return job.panel.panel


def _named(path: Path, digest: str) -> tuple[Path, Past]:
    past = read_journal(path)
    if of_whole(past.digest) != digest or past.panel is None:
        raise Refusal(f"{path} belongs to another plan, or to one without panels.", code="other_plan")
    return path, past


def _newest(found: Sequence[tuple[Path, Past]], plan: Path) -> tuple[Path, Past]:
    """Of a set: runs of some frames of a panel are gone on with by name alone."""
    whole = [(path, past) for path, past in found if past.kind == "all"]
    if not whole:
        raise Refusal(f"no journal of these panels beside {plan}", code="no_journal")
    return whole[-1]


def drive_panels(
    panels: Set,
    options: RunOptions,
    person: Person,
    *,
    watcher: Watcher | None = None,
    opener: Callable[..., DurableFile] = DurableFile,
) -> list[Outcome]:
    """Take the panels of a set.

    Raises
    ------
    Refusal, LinkError
        Before anything moved.
    RunStopped
        Later: the journals are kept, and the message names the command that goes on.
    """
    first = panels.jobs[0]
    preflight.check_travel(first)
    with ExitStack() as to_close:
        options = replace(options, resume=panels.earlier)
        earlier = earlier_of(options, person, opener, to_close)
        run = ready(first, options, person, earlier, to_close)
        run = run if watcher is None else replace(run, watcher=watcher)
        axes = connect_axes(
            axis_plans(panels.asked, panels.planned),
            before=panels.places,
            centred=options.centred,
            stop_order=person.stop_order,
            confirm_moved=person.confirm_moved,
            to_close=to_close,
        )
        places = tuple(job.panel for job in panels.jobs if job.panel is not None)
        agree(run, panels.jobs[1:], [f"panels: {len(places)}, a journal each", *announced(axes, places)])
        outcomes: list[Outcome] = []
        for number, job in enumerate(panels.jobs):
            part = run if number == 0 else _next(run, job)
            part = replace(part, set_name=panels.name, axes={axis.plan.name: axis.journal() for axis in axes})
            person.notify(f"panel {places[number].panel} of {len(panels.planned.panels)}")
            _bring(part, axes, begun=panels.earlier is not None or number > 0)
            outcomes.append(take(part, earlier if number == 0 and panels.begun else None, opener, to_close))
        _bring_home(run, axes)
        return outcomes


def _next(run: Run, job: Job) -> Run:
    """The same run for the next panel: nothing was switched off, and position 0 is where it was."""
    frames = tuple(range(1, job.count + 1))
    start = Start(front_at=run.start.front_at, frames=frames, where_from="as for the panel before")
    return replace(run, job=job, start=start, options=replace(run.options, resume=None, kind="all"))


# Without a journal nobody remembers the middle, and what moves sideways may have left it.
_AFRESH = (
    "No frame was taken: bring the middle of the subject into the middle of the picture again, then give the same "
    "command."
)


def _bring(run: Run, axes: Sequence[Axis], *, begun: bool) -> None:
    """The panel into the picture: the main rail out first, then one axis after the other."""
    panel = run.job.panel
    assert panel is not None  # all jobs of a set are of panels
    try:
        _out(run)
        for axis in axes:
            axis.go(panel)
    except StackerError as error:
        go_on = f"Go on: {_resumed(run)}" if begun else _AFRESH
        raise _stopped(error, f"panel {panel.panel} is not in the picture yet. {go_on}") from error


def _bring_home(run: Run, axes: Sequence[Axis]) -> None:
    """Back to the middle, whence the next set begins."""
    try:
        _out(run)
        for axis in axes:
            axis.home()
    except StackerError as error:
        raise _stopped(error, "every panel is taken; the axes are not back at the middle.") from error


def _out(run: Run) -> None:
    """The main rail to its outermost place: where it is farther from the subject than for any depth of any panel."""
    run.rail.move(run.start.front_at)


def _resumed(run: Run) -> str:
    options = run.options
    return drive_command(
        run.job.path, "--go", "--resume", url=options.url, warm_up_s=options.warm_up_s, call=options.call
    )


def _stopped(error: StackerError, what: str) -> RunStopped:
    text = str(error) if isinstance(error, (RunStopped, Refusal, LinkError)) else repr(error)
    return RunStopped(f"{text}\nBetween two panels: {what}", code=error.code)
