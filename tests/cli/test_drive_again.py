"""Commands that go on repeat what was asked for, and take the run that is meant."""

from __future__ import annotations

import json
import re
import shlex
import time

import pytest

from stacker.documents.journal import read_journal
from stacker.documents.plan_file import read_plan


@pytest.fixture
def url(tmp_path):
    """Another rail than that of the plan's profile."""
    return f"sim://desk?time_scale=inf&log={tmp_path / 'rail.log'}&state={tmp_path / 'rail.json'}"


def openings(tmp_path):
    lines = (tmp_path / "rail.log").read_text().splitlines()
    return [event["position_microsteps"] for event in map(json.loads, lines) if event["event"] == "shutter"]


def commands(text):
    """The commands that a text names, as a shell reads them."""
    return [shlex.split(line)[1:] for line in re.findall(r"(?:Go on: |Next: |then: )(stacker .*)$", text, re.MULTILINE)]


def drive(stacker, plan, url, *options):
    return stacker("drive", plan, "--go", "--yes", "--url", url, *options)


def test_the_command_that_goes_on_repeats_port_and_warm_up(stacker, plan, tmp_path, url):
    stopped = drive(stacker, plan, url + "&unplug_at_s=20", "--warm-up-s", "2")
    (command,) = commands(stopped.err)
    assert command[-4:] == ["--url", url + "&unplug_at_s=20", "--warm-up-s", "2"]
    done = drive(stacker, plan, url, "--frames", "3", "--closing-frame", "--warm-up-s", "2")
    assert "verify FOLDER --journal" in done.err


@pytest.mark.parametrize(
    ("options", "repeated"),
    [
        (["--frames", "3,7-9", "--front-at-mm", "32"], "--frames 3,7-9 --go --front-at-mm 32"),
        (["--between", "6,5", "--between", "9,10"], "--between 5,6 --between 9,10 --go"),
        (["--ends", "--rail-at-mm", "40"], "--ends --go --rail-at-mm 40"),
        (["--frames", "5", "--closing-frame", "--journal", "j"], "--frames 5 --go --closing-frame --journal j"),
    ],
)
def test_the_dry_run_names_the_same_in_earnest(stacker, plan, url, options, repeated):
    shown = stacker("drive", plan, "--url", url, "--warm-up-s", "1.5", *options)
    assert f'Next: stacker drive {plan} {repeated} --url "{url}" --warm-up-s 1.5\n' in shown.err


def test_a_resume_without_a_port_goes_on_where_the_run_was_begun_and_nowhere_else(stacker, plan, tmp_path, url):
    """Else it went on with the rail of the profile, and confirmed there what the first rail never took."""
    drive(stacker, plan, url + "&unplug_at_s=20")
    (journal,) = tmp_path.glob("*.run.jsonl")
    taken = len(openings(tmp_path))
    elsewhere = drive(stacker, plan, f"sim://bench?time_scale=inf&state={tmp_path / 'b.json'}", "--resume", journal)
    assert (elsewhere.code, "the run was on sim://desk" in elsewhere.err) == (1, True)
    done = stacker("drive", plan, "--go", "--yes", "--resume", journal)
    assert done.code == 3, done.err  # the cable is pulled again: it is that rail
    assert len(openings(tmp_path)) > taken


def test_a_look_at_the_ends_between_does_not_hide_the_run_that_was_stopped(stacker, plan, tmp_path, url):
    drive(stacker, plan, url + "&unplug_at_s=20")
    (journal,) = tmp_path.glob("*.run.jsonl")
    assert drive(stacker, plan, url, "--ends", "--journal", tmp_path / "beetle-20310504-220000Z.run.jsonl").code == 0
    done = drive(stacker, plan, url, "--resume")  # what came between is in its journal: nothing to be asked
    assert done.code == 0, done.err
    assert done.err.startswith(f"Continues {journal}: still to take ")
    rows = read_plan(plan).frames.position_microsteps
    assert set(openings(tmp_path)) == {round(31.5 * 1600) + row for row in rows}
    again = stacker("drive", plan, "--resume")
    assert (again.code, "every run of this plan" in again.err) == (1, True)


def test_of_two_unfinished_runs_the_newer_is_taken_and_the_other_one_named(stacker, plan, tmp_path, url):
    drive(stacker, plan, url + "&unplug_at_s=20", "--journal", tmp_path / "beetle-20320101-000000Z.run.jsonl")
    drive(stacker, plan, url + "&unplug_at_s=10", "--journal", tmp_path / "beetle-20310101-000000Z.run.jsonl")
    shown = stacker("drive", plan, "--resume")  # by the time inside: a name is from a clock that may have been set back
    assert "Continues" in shown.err
    assert "beetle-20310101-000000Z.run.jsonl: still to take" in shown.err
    assert "Also unfinished: " in shown.err
    assert "beetle-20320101-000000Z.run.jsonl; to continue that one instead, name it after --resume" in shown.err


def test_a_bare_resume_goes_on_with_frames_between_too(stacker, plan, tmp_path, url):
    drive(stacker, plan, url)
    stopped = drive(stacker, plan, url + "&unplug_at_s=4", "--between", "2,3", "--between", "5,6", "--between", "7,8")
    assert stopped.code == 3
    assert "frame between 2 and 3: 1 of 3" in stopped.err
    done = drive(stacker, plan, url, "--resume")
    assert "(frames between): still to take one between" in done.err
    assert done.code == 0, done.err
    assert "frame between 7 and 8" in done.err
    assert done.err.count("--journal") == 2


def test_journals_are_named_by_utc(stacker, plan, tmp_path, url, monkeypatch):
    monkeypatch.setenv("TZ", "Pacific/Kiritimati")  # 14 hours ahead
    if hasattr(time, "tzset"):
        time.tzset()
    before = time.strftime("%Y%m%d-%H%M%SZ", time.gmtime())
    drive(stacker, plan, url, "--frames", "1")
    (journal,) = tmp_path.glob("beetle-*Z.run.jsonl")
    name = journal.name.removeprefix("beetle-").removesuffix(".run.jsonl")
    assert before <= name <= time.strftime("%Y%m%d-%H%M%SZ", time.gmtime())
    assert read_journal(journal).began_utc[:10].replace("-", "") == name[:8]
    monkeypatch.undo()
    if hasattr(time, "tzset"):
        time.tzset()


def test_a_stack_that_proved_too_short_is_made_deeper(stacker, plan, plans, tmp_path, url):
    assert drive(stacker, plan, url).code == 0
    (old,) = tmp_path.glob("beetle-*.run.jsonl")
    deeper = tmp_path / "deeper.plan.yaml"
    options = ("--set", "subject.depth_mm=6", "--set", "focus.end_frames=4", "-o", deeper, "--quiet")
    assert stacker("plan", plans / "leaf_beetle.yaml", *options).code == 0
    frames = read_plan(deeper).frames
    new = len(frames) - 60
    dry = stacker("drive", deeper, "--after", old)
    assert f"{new} frames of {len(frames)}" in dry.out
    (command,) = commands(dry.err)
    done = stacker(*command, "--yes")
    assert done.code == 0, done.err
    assert f"{new} frames taken" in done.out
    front = round(31.5 * 1600)
    assert sorted(openings(tmp_path)) == [front + place for place in sorted(frames.position_microsteps)]
    (after,) = tmp_path.glob("deeper-*.run.jsonl")
    assert commands(done.err) == [["verify", "FOLDER", "--journal", str(old), "--journal", str(after)]]
    other = stacker("drive", plan, "--resume", after)
    assert "belongs to another plan" in other.err
    assert "are taken with --after" in stacker("drive", deeper, "--resume", old).err


def test_a_plan_shot_twice_is_two_stacks(stacker, plan, tmp_path, url):
    first, second, third = (tmp_path / f"beetle-2031050{n}-220000Z.run.jsonl" for n in (4, 5, 6))
    drive(stacker, plan, url, "--journal", first)
    stopped = drive(stacker, plan, url + "&unplug_at_s=20", "--journal", second)
    assert stopped.code == 3
    done = drive(stacker, plan, url, "--resume", second)
    assert commands(done.err) == [["verify", "FOLDER", "--journal", str(second)]]
    done = drive(stacker, plan, url, "--frames", "7", "--journal", third)
    assert commands(done.err) == [["verify", "FOLDER", "--journal", str(second), "--journal", str(third)]]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--after", "J", "--ends"], "exclude one another"),
        (["--after", "J", "--rail-at-mm", "3"], "--rail-at-mm would do nothing"),
        (["--after", "nowhere"], "does not exist"),
    ],
)
def test_after_is_not_mixed_with_what_it_does_not_take(stacker, plan, tmp_path, url, options, told):
    journal = tmp_path / "j"
    drive(stacker, plan, url, "--frames", "1", "--journal", journal)
    shown = stacker("drive", plan, *[journal if word == "J" else word for word in options])
    assert (shown.code, told in " ".join(shown.err.split())) == (2, True)
