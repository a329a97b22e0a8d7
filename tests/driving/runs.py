"""Small jobs on the simulated rail, and the hardware's own log to hold them against."""

from __future__ import annotations

import json
import os
import signal
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from rails import SETTINGS

from stacker.documents.gcode_link import GcodeLink
from stacker.documents.journal import read_journal
from stacker.documents.rail_link import Link, Shutter
from stacker.driving.bench import connect
from stacker.driving.bring_up import go_by
from stacker.driving.drive import drive
from stacker.driving.durable import DurableFile
from stacker.driving.job import Job
from stacker.driving.person import Person
from stacker.driving.run import Outcome
from stacker.driving.run_options import RunOptions
from stacker.errors import InputError, Refusal, StackerError
from stacker.motion.frame_clock import Pace
from stacker.rail.link import Link as OpenLink

MICROSTEP_UM = 0.625
MIDDLE = 64_000  # where the simulated rail of 128,000 microsteps starts


def make_job(
    folder: Path,
    *,
    count: int = 6,
    step: int = 48,
    options: str = "time_scale=inf",
    state: bool = True,
    delay_s: float = 0.0,
    **changes: Any,
) -> Job:
    """A stack of that many frames, front to back; its pace and its shutter are of one mind, as a plan's are."""
    positions = tuple(step * (n - 1) for n in range(count))
    url = f"sim://bench?{options}&log={folder / 'rail.log'}" + (f"&state={folder / 'rail.json'}" if state else "")
    job = Job(
        name="demo",
        digest="d" * 64,
        profile_digest="p" * 64,
        path=folder / "demo.plan.yaml",
        positions=positions,
        focus_um=tuple(position * MICROSTEP_UM for position in positions),
        dof_um=(step * MICROSTEP_UM / 0.7,) * count,
        exposure_s=(0.005,) * count,
        start_s=tuple(1.0 + n for n in range(count)),
        duration_s=float(count),
        rows=tuple(
            [n + 1, position * MICROSTEP_UM, position, 1.0, 5.6, step, 0.005] for n, position in enumerate(positions)
        ),
        columns=(
            "frame",
            "focus_um",
            "position_microsteps",
            "magnification",
            "effective_f_number",
            "dof_um",
            "exposure_s",
        ),
        direction=1,
        front_at=None,
        refocus_error_um=None,
        clearance_um=None,
        rail=SETTINGS,
        rail_name="bench",
        link=Link(url=url),
        shutter=Shutter(pulse_s=0.1, sync_s=0.3),
        pace=Pace(settle_s=0.5, recycle_s=0.8),
        hold_after=True,
    )
    job = replace(job, **changes)
    return replace(job, pace=with_contacts(job.pace, job.shutter, delay_s=delay_s))


def with_contacts(pace: Pace, shutter: Shutter, *, delay_s: float = 0.0) -> Pace:
    """A pace that knows of its shutter's contacts."""
    contact_s = 0.0 if shutter.via in ("command", "manual") else shutter.pulse_s
    return replace(pace, contact_s=contact_s, bulb=shutter.bulb, focus_s=shutter.focus_s, delay_s=delay_s)


def gcode_link(**keys: Any) -> GcodeLink:
    """What a profile says of a controller of RS274/NGC words."""
    given = {"url": "bench", "dialect": "gcode", "acknowledge": ("taken",), "no_stop_accepted": True}
    return GcodeLink(**{**given, **keys})


def with_options(job: Job, options: str) -> Job:
    """The same job with more options of the simulated rail."""
    return replace(job, link=replace(job.link, url=f"{job.link.url}&{options}"))


def person(**changes: Any) -> Person:
    return Person(**{"confirm": lambda _: True, **changes})


def run(
    job: Job,
    *,
    resume: bool = False,
    run_options: RunOptions | None = None,
    who: Person | None = None,
    opener: Callable[..., DurableFile] = DurableFile,
) -> Outcome:
    """Drive a job into its journal."""
    asked = run_options or RunOptions(yes=True)
    asked = replace(asked, resume=journal_of(job)) if resume else replace(asked, journal=journal_of(job))
    return drive(job, asked, who or person(), opener=opener)


def journal_of(job: Job) -> Path:
    return job.path.parent / "demo.run.jsonl"


def events(job: Job, *names: str) -> list[dict[str, Any]]:
    """What the simulated hardware did, of those kinds."""
    lines = (job.path.parent / "rail.log").read_text(encoding="utf-8").splitlines()
    return [event for event in map(json.loads, lines) if not names or event["event"] in names]


def openings(job: Job) -> list[float]:
    """True positions at which the shutter opened."""
    return [event["position_microsteps"] for event in events(job, "shutter")]


def records(job: Job, *names: str) -> list[dict[str, Any]]:
    """Lines of the journal, of those kinds."""
    lines = journal_of(job).read_text(encoding="utf-8").splitlines()
    found = [record for record in map(json.loads, lines) if not names or record["event"] in names]
    return [{key: value for key, value in record.items() if key != "crc"} for record in found]


def assert_complete(job: Job, front: float = MIDDLE) -> None:
    """By the hardware's log: each frame of the plan exposed at its place and at rest; what is double is listed."""
    opened = openings(job)
    planned = [front + position for position in job.positions]
    assert set(opened) == set(planned), (sorted(set(planned) ^ set(opened)), opened)
    assert not events(job, "blur")
    past = read_journal(journal_of(job))
    assert not past.pending
    assert set(past.confirmed) == set(range(1, job.count + 1))
    double = {planned.index(place) + 1 for place in planned if opened.count(place) > job.pictures_a_frame}
    assert double <= set(past.doubled), (double, past.doubled)


def finish(job: Job) -> None:
    """Do what a person does after a crash: resume, or start anew when no journal was begun; again until it is done."""
    journal = journal_of(job)
    for _ in range(6):
        try:
            resumable = journal.exists() and bool(read_journal(journal).rows)
        except InputError:
            journal.unlink()  # cut before its first line was whole: nothing was exposed
            resumable = False
        try:
            run(job, resume=resumable)
        except Refusal as refusal:
            assert refusal.code == "complete"  # noqa: PT017
        return


def refocus(job: Job, front: float = MIDDLE, error: int = 0) -> None:
    """Bring the front into focus by hand, off by `error` microsteps."""
    rail, _ = connect(job.link, job.rail)
    try:
        place = events(job, "open")[-1]["position_microsteps"]
        left = round(front + error - place)
        while left:
            step = max(-1600, min(1600, left))
            where = rail.controller.where()
            if where.known:  # as a rail that still knows where it is would be moved by its knob
                rail.controller.hold(on=False)
                rail.controller.hold(on=True)
            go_by(rail, step)
            left -= step
    finally:
        rail.controller.close()


# -- killing


class Killer:
    """Counts writes, syncs, sends and receives of this process and ends it at one of them.

    Parameters
    ----------
    at : int
        At which operation; 0: never, only count.
    torn : bool
        Do half of a write or a send before the end.
    power : bool
        Power loss: bytes that were not synced are gone.
    """

    def __init__(self, at: int, *, torn: bool = False, power: bool = False) -> None:
        self.at, self.torn, self.power, self.count = at, torn, power, 0
        self.synced: dict[str, int] = {}

    def install(self) -> None:
        """Put the counters in place; meant for a forked process, which ends without taking them out."""
        killer = self

        class Counting(DurableFile):
            def __init__(self, path: Path, *, new: bool) -> None:
                super().__init__(path, new=new)
                self.path = str(path)
                killer.synced[self.path] = 0 if new else path.stat().st_size

            def write(self, data: bytes) -> None:
                if killer.torn and killer.count + 1 == killer.at:
                    super().write(data[: len(data) // 2])
                    killer.end()
                super().write(data)
                killer.step()

            def sync(self) -> None:
                super().sync()
                killer.synced[self.path] = Path(self.path).stat().st_size
                killer.step()

        self.opener = Counting
        send, receive = OpenLink.send, OpenLink.read_line

        def counted_send(link: OpenLink, data: bytes) -> None:
            if killer.torn and killer.count + 1 == killer.at:
                send(link, data[: len(data) // 2])
                killer.end()
            send(link, data)
            killer.step()

        def counted_receive(link: OpenLink, deadline_s: float) -> bytes | None:
            line = receive(link, deadline_s)
            killer.step()
            return line

        OpenLink.send, OpenLink.read_line = counted_send, counted_receive  # type: ignore[method-assign]

    def step(self) -> None:
        self.count += 1
        if self.count == self.at:
            self.end()

    def end(self) -> None:
        if self.power:
            for path, size in self.synced.items():
                os.truncate(path, size)
        os.kill(os.getpid(), signal.SIGKILL)


def fork() -> int:
    """A copy of this process to be killed.

    Python 3.12 and later warn when threads run beside it (those of a parallel test run do): the copy needs none of
    them, and ends without cleaning up.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        return os.fork()


def killed_run(job: Job, killer: Killer, *, resume: bool = False) -> int:
    """Run in a forked process that dies; returns how many operations it made when it lived to the end, else 0."""
    return killed(lambda opener: run(job, resume=resume, opener=opener), killer)


def killed(action: Callable[[Callable[..., DurableFile]], object], killer: Killer) -> int:
    """The same for whatever opens its journals by what it is given."""
    reading, writing = os.pipe()
    child = fork()
    if child == 0:
        try:
            killer.install()
            action(killer.opener)
            os.write(writing, str(killer.count).encode())
        except StackerError as error:
            os.write(writing, b"E" + str(error).encode())
        finally:
            os._exit(0)
    os.close(writing)
    _, status = os.waitpid(child, 0)
    with os.fdopen(reading, "rb") as pipe:
        told = pipe.read()
    assert not told.startswith(b"E"), told
    return 0 if os.WIFSIGNALED(status) else int(told or b"-1")
