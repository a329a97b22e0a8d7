"""Shutters that the rail's controller does not open: a modem line, a command; and exposures that a contact holds."""

import errno
import os
import shlex
import subprocess
import sys
import tempfile
import time

import pytest
import serial
from driving.runs import assert_complete, events, make_job, person, records, run

from stacker.documents.rail_link import Shutter
from stacker.driving import dry_run
from stacker.driving.run_options import RunOptions
from stacker.errors import LinkError, Refusal, RunStopped
from stacker.motion.frame_clock import Pace
from stacker.rail import clock as clocks
from stacker.rail import command_shutter as command_shutter_module
from stacker.rail import port_shutter
from stacker.rail.clock import SystemClock, VirtualClock
from stacker.rail.command_shutter import CommandShutter
from stacker.rail.port_shutter import PortShutter, SerialReleaseLine
from stacker.rail.rail import Rail
from stacker.rail.shutter import Ambiguous


class StillRail:
    """What a shutter needs of a rail."""

    def __init__(self, clock):
        self.clock = clock
        self.looks = 0

    def attend(self):
        self.looks += 1

    def wait_until(self, due_s, *, through=False):
        assert through
        self.clock.sleep(due_s - self.clock.now())


class Line:
    """A modem line that writes down when it changes, and breaks when told."""

    def __init__(self, clock, breaks_at=0):
        self.clock, self.breaks_at, self.changes, self.open = clock, breaks_at, [], True

    def set(self, *, on):
        self.changes.append((self.clock.now(), on))
        if len(self.changes) == self.breaks_at:
            raise LinkError("the port is gone")

    def close(self):
        self.set(on=False)
        self.open = False


@pytest.mark.parametrize(("bulb", "closed_s"), [(False, 0.3), (True, 45.0)])
def test_a_modem_line_closes_the_contact_for_its_time_and_waits_for_the_exposure(bulb, closed_s):
    clock = VirtualClock()
    line = Line(clock)
    shutter = PortShutter(StillRail(clock), Pace(settle_s=0.0, contact_s=0.3, bulb=bulb, delay_s=0.1), line)
    shutter.set_up()
    closed = shutter.fire(7, 0)
    assert shutter.outcome(7, closed, 45.0) == "pulse"
    assert line.changes[1:] == [(closed, True), (closed + closed_s, False)]
    assert clock.now() == pytest.approx(closed + 45.1)


class SleepyRail(StillRail):
    """Its computer oversleeps now and then: a lid was closed, another program had the processor."""

    def __init__(self, clock, extra_s):
        super().__init__(clock)
        self.extra_s = extra_s

    def wait_until(self, due_s, *, through=False):
        super().wait_until(due_s + self.extra_s, through=through)


@pytest.mark.parametrize(("extra_s", "counts"), [(0.0, True), (0.09, True), (0.11, False), (4.26, False)], ids=str)
def test_a_contact_that_the_computer_held_for_a_tenth_too_long_proves_no_exposure(extra_s, counts):
    clock = VirtualClock()
    line = Line(clock)
    shutter = PortShutter(SleepyRail(clock, extra_s), Pace(settle_s=0.0, bulb=True), line)
    shutter.set_up()
    closed = shutter.fire(7, 0)
    if counts:
        assert shutter.outcome(7, closed, 1.0) == "pulse"
    else:
        with pytest.raises(Ambiguous, match=rf"shot 7 was exposed for {1 + extra_s:.2f} s instead of 1.00 s"):
            shutter.outcome(7, closed, 1.0)
    assert line.changes[-1] == (clock.now() if not counts else closed + 1 + extra_s, False)  # open in either case


def test_a_pulse_that_was_long_is_still_one_exposure():
    clock = VirtualClock()
    shutter = PortShutter(SleepyRail(clock, 5.0), Pace(settle_s=0.0, contact_s=0.2), Line(clock))
    assert shutter.outcome(7, shutter.fire(7, 0), 0.01) == "pulse"


def test_a_run_stops_at_an_exposure_held_too_long_and_takes_it_again(tmp_path, monkeypatch):
    clock_of_the_run = []
    held = Rail.wait_until

    def oversleep(rail, due_s, *, through=False):
        held(rail, due_s, through=through)
        clock_of_the_run.append(due_s)
        if len(clock_of_the_run) == 5:  # the contact of frame 2: each frame waits to be due, held, and over
            assert through
            rail.clock.sleep(4.26)

    monkeypatch.setattr(port_shutter, "SerialReleaseLine", lambda *_: Line(VirtualClock()))
    monkeypatch.setattr(Rail, "wait_until", oversleep)
    job = make_job(tmp_path, exposure_s=(1.0,) * 6, shutter=Shutter(via="rts", port="COM9", bulb=True))
    with pytest.raises(
        RunStopped, match=r"instead of 1\.00 s: it does not count(.|\n)*In doubt, to be taken again: 2\."
    ):
        run(job)
    assert [record["frame"] for record in records(job, "confirmed")] == [1]
    run(job, resume=True)
    assert [record["frame"] for record in records(job, "confirmed")] == [1, 2, 3, 4, 5, 6]


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="only Linux calls its clock so")
def test_the_clock_goes_on_while_the_computer_sleeps():
    before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    assert before_s <= SystemClock().now() <= time.clock_gettime(time.CLOCK_BOOTTIME)


def test_which_clock_that_is_on_other_systems(monkeypatch):
    """From memory of the manuals: macOS counts sleep in CLOCK_MONOTONIC, Windows in the only clock that it has."""
    monkeypatch.setattr(clocks.sys, "platform", "darwin")
    assert clocks._counts_sleep() == time.CLOCK_MONOTONIC
    monkeypatch.setattr(clocks.sys, "platform", "win32")
    monkeypatch.delattr(clocks.time, "CLOCK_BOOTTIME", raising=False)
    assert clocks._counts_sleep() is None


@pytest.mark.parametrize("breaks_at", [2, 3])
def test_a_port_that_goes_while_the_contact_changes_leaves_the_shot_in_doubt(breaks_at):
    clock = VirtualClock()
    shutter = PortShutter(StillRail(clock), Pace(settle_s=0.0), Line(clock, breaks_at))
    shutter.set_up()
    with pytest.raises(Ambiguous, match="shot 3"):
        shutter.outcome(3, shutter.fire(3, 0), 0.01)


class Port:
    """Stands in for a serial port; notes what is set in which order."""

    def __init__(self):
        object.__setattr__(self, "story", [])

    def __setattr__(self, name, value):
        self.story.append((name, value))

    def open(self):
        self.story.append(("open", None))

    def close(self):
        self.story.append(("close", None))


@pytest.mark.parametrize("name", ["rts", "dtr"])
def test_both_lines_are_low_before_the_port_is_opened_and_the_line_when_it_is_closed(monkeypatch, name):
    port = Port()
    monkeypatch.setattr(serial, "serial_for_url", lambda *_, **options: port if options["do_not_open"] else None)
    line = SerialReleaseLine("COM9", name)
    line.set(on=True)
    line.close()
    assert sorted(port.story[:2]) == [("dtr", False), ("rts", False)]
    assert port.story[2:] == [("open", None), (name, False), (name, True), (name, False), ("close", None)]


def test_a_port_that_cannot_be_opened_is_told():
    with pytest.raises(LinkError, match="the shutter's port cannot be opened"):
        SerialReleaseLine("/nowhere/port", "rts")


# ------------------------------------------------------------------------------------------------------ commands


def command_shutter(*words, timeout_s=30.0):
    rail = StillRail(SystemClock())
    return CommandShutter(rail, words, timeout_s=timeout_s), rail


def test_a_command_is_run_to_its_end_without_a_shell(tmp_path):
    # A shell would take the semicolon for the end of a command and the star for file names.
    note = tmp_path / "taken; echo *"
    code = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text('taken')"
    shutter, _ = command_shutter(sys.executable, "-c", code, str(note))
    opened_s = shutter.fire(1, 0)
    assert note.read_text() == "taken"
    assert shutter.outcome(1, opened_s, 0.01) == "command"
    assert time.monotonic() >= opened_s + 0.01


def test_a_command_that_fails_is_told_with_its_last_words():
    shutter, _ = command_shutter(sys.executable, "-c", "import sys; sys.exit('no camera found')")
    with pytest.raises(RunStopped, match=r"failed \(exit code 1\): no camera found\. The frame counts as not taken"):
        shutter.fire(1, 0)


def test_a_command_that_hangs_is_ended_and_the_shot_is_in_doubt():
    shutter, rail = command_shutter(sys.executable, "-c", "import time; time.sleep(60)", timeout_s=0.4)
    began_s = time.monotonic()
    with pytest.raises(Ambiguous, match=r"longer than timeout_s \(0\.4 s\)"):
        shutter.fire(5, 0)
    assert time.monotonic() - began_s < 30  # of the 60 that it would take; a busy computer is late
    assert rail.looks > 1  # an interrupt would have been seen


def test_the_last_words_of_a_command_do_not_command_the_terminal():
    """However much it said before: a title, a cleared screen, a text turned round."""
    says = (
        "import sys; sys.stderr.write('x' * 10**6 + ' \\33[2J\\33]0;title\\7 gone\\u202eevil\\n\\rwords'); sys.exit(2)"
    )
    with pytest.raises(RunStopped) as stopped:
        command_shutter(sys.executable, "-X", "utf8", "-c", says)[0].fire(1, 0)
    assert "x ?[2J?]0;title? gone?evil words. The frame" in str(stopped.value)
    assert len(str(stopped.value)) < 400


def test_a_run_whose_temporary_files_find_no_room_is_stopped_by_the_book(tmp_path, monkeypatch):
    made = []

    def full(*arguments, **options):
        made.append(1)
        if len(made) == 3:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(*arguments, **options)

    real = tempfile.TemporaryFile
    monkeypatch.setattr(command_shutter_module.tempfile, "TemporaryFile", full)
    job = make_job(tmp_path, shutter=Shutter(via="command", command=(sys.executable, "-c", "pass")))
    with pytest.raises(RunStopped, match=r"no temporary file(.|\n)*was not started(.|\n)*--resume"):
        run(job)
    assert records(job, "stop")[-1]["code"] == "temporary_file"
    assert [record["frame"] for record in records(job, "confirmed")] == [1, 2]
    monkeypatch.undo()
    run(job, resume=True)
    assert len(records(job, "confirmed")) == job.count


def test_a_command_that_does_not_exist_is_refused():
    with pytest.raises(Refusal, match="cannot be started"):
        command_shutter("/nowhere/camera")[0].fire(1, 0)


# ---------------------------------------------------------------------------------------------------- whole runs


def test_a_run_with_a_modem_line_fires_at_rest_and_lets_go(tmp_path, monkeypatch):
    lines = []

    def opened(port, name):
        assert (port, name) == ("COM9", "rts")
        lines.append(Line(VirtualClock()))
        return lines[0]

    monkeypatch.setattr(port_shutter, "SerialReleaseLine", opened)
    said = []
    job = make_job(tmp_path, shutter=Shutter(via="rts", port="COM9", pulse_s=0.1))
    who = person(confirm=lambda text: bool(said.append(text)) or True)
    run(job, run_options=RunOptions(), who=who)
    assert [on for _, on in lines[0].changes if on] == [True] * job.count
    assert not lines[0].open
    assert [record["evidence"] for record in records(job, "confirmed")] == ["pulse"] * job.count
    assert "its port COM9 is open now; opening may fire, so plug the camera in now" in said[-1]
    assert not events(job, "contact")  # the rail's own contact stays as it is


def test_a_run_whose_modem_line_breaks_stops_with_the_frame_in_doubt(tmp_path, monkeypatch):
    monkeypatch.setattr(port_shutter, "SerialReleaseLine", lambda *_: Line(VirtualClock(), breaks_at=4))
    job = make_job(tmp_path, shutter=Shutter(via="dtr", port="COM9", pulse_s=0.1))
    with pytest.raises(RunStopped, match=r"In doubt, to be taken again: 2\."):
        run(job)
    assert [record["frame"] for record in records(job, "confirmed")] == [1]


def test_a_run_with_a_command_names_it_before_it_runs_and_confirms_by_it(tmp_path):
    """The plan may be somebody else's: what it would run on this computer stands in the question."""
    ran = tmp_path / "ran"
    words = (sys.executable, "-c", f"open({str(ran)!r}, 'a').write('x')")
    job = make_job(tmp_path, count=2, shutter=Shutter(via="command", command=words))
    asked = []
    with pytest.raises(Refusal, match="not started"):
        run(job, run_options=RunOptions(), who=person(confirm=lambda text: bool(asked.append(text))))
    assert "for every frame this computer runs the program that the plan names" in asked[0]
    assert f"\n  {shlex.quote(sys.executable)} -c " in asked[0]
    assert not ran.exists()
    run(job)
    assert [record["evidence"] for record in records(job, "confirmed")] == ["command"] * 2


def test_the_rail_holds_the_contact_for_an_exposure_longer_than_the_cameras_own(tmp_path):
    job = make_job(
        tmp_path,
        count=3,
        options="time_scale=inf&exposure_s=40",
        exposure_s=(40.0, 40.0, 50.0),
        shutter=Shutter(pulse_s=0.1, bulb=True),
    )
    outcome = run(job)
    assert_complete(job)
    assert not events(job, "blur")
    assert outcome.duration_s > 130
    assert not events(job, "deadman")


@pytest.mark.parametrize(
    ("settings", "lines"),
    [
        (Shutter(via="rts", port="COM9"), ["move 0", "rts on", "rts off"]),
        (Shutter(via="command", command=("take", "one frame")), ["move 0", "take 'one frame'"]),
        (Shutter(bulb=True), ["shutter 20000 0", "watch 20000 0", "move 0", "fire 2 0"]),
    ],
    ids=["modem line", "command", "bulb"],
)
def test_the_dry_run_shows_what_would_open_the_shutter(tmp_path, settings, lines):
    job = make_job(tmp_path, shutter=settings, exposure_s=(10.0, 20.0, 20.0, 20.0, 20.0, 20.0))
    rehearsed = dry_run.rehearse(job, front_at=None, frames=(1, 2))
    assert sorted(rehearsed.frames[1][1]) == sorted(lines)


def test_a_command_is_out_of_reach_of_the_ctrl_c_that_is_for_the_run(tmp_path):
    """A terminal sends Ctrl-C to all of its foreground processes: the camera's program must finish its frame."""
    asked = {}

    def start(words, **how):
        asked.update(how)
        return subprocess.Popen(words, **how)

    note = tmp_path / "session"
    posix = sys.platform != "win32"
    code = "import os, sys, pathlib; pathlib.Path(sys.argv[1]).write_text(str(os.getsid(0)))" if posix else "pass"
    words = (sys.executable, "-c", code, str(note))
    rail = StillRail(SystemClock())
    CommandShutter(rail, words, timeout_s=30.0, start=start).fire(1, 0)
    if posix:
        assert int(note.read_text()) != os.getsid(0)
    else:
        assert asked["creationflags"] == subprocess.CREATE_NEW_PROCESS_GROUP


class Stubborn:
    """A program that does not end when it is told to; it notes how it was ended."""

    def __init__(self, *, ends_when_told=False):
        self.told, self._ends_when_told, self._over = [], ends_when_told, False

    def wait(self, timeout=None):
        if not self._over:
            assert timeout is not None, "waited for ever"
            raise subprocess.TimeoutExpired("program", timeout)
        self.told.append("waited")
        return -9

    def terminate(self):
        self.told.append("terminated")
        self._over = self._ends_when_told

    def kill(self):
        self.told.append("killed")
        self._over = True


@pytest.mark.parametrize(
    ("ends_when_told", "told"), [(True, ["terminated", "waited"]), (False, ["terminated", "killed", "waited"])]
)
def test_a_program_that_takes_too_long_is_told_to_end_and_ended_if_it_does_not(ends_when_told, told):
    program, clock = Stubborn(ends_when_told=ends_when_told), iter(range(100))
    shutter = CommandShutter(
        StillRail(VirtualClock()),
        ["program"],
        timeout_s=3,
        delay_s=0,
        start=lambda *_, **__: program,
        now_s=lambda: next(clock),
    )
    with pytest.raises(Ambiguous, match="took longer than timeout_s"):
        shutter.fire(1, 0)
    assert program.told == told


def test_a_program_is_ended_when_the_run_is_torn_away_from_it():
    class Torn(StillRail):
        def attend(self):
            raise KeyboardInterrupt

    program = Stubborn(ends_when_told=True)
    shutter = CommandShutter(Torn(VirtualClock()), ["program"], timeout_s=3, delay_s=0, start=lambda *_, **__: program)
    with pytest.raises(KeyboardInterrupt):
        shutter.fire(1, 0)
    assert program.told == ["terminated", "waited"]
