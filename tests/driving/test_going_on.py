"""Going on: with the same rail alone, from where it was, to the front again after a look; and deeper than planned."""

from __future__ import annotations

import shutil
import sys
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from driving.runs import (
    MIDDLE,
    Killer,
    assert_complete,
    events,
    journal_of,
    killed_run,
    make_job,
    openings,
    person,
    records,
    run,
    with_options,
)

from stacker.documents.journal import read_journal
from stacker.driving.bench import connect
from stacker.driving.beside import beside, journal_path, of_one_stack, of_this_plan, run_before
from stacker.driving.bring_up import go_by
from stacker.driving.drive import drive
from stacker.driving.going_on import port_of, same_rail
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal, RunStopped
from stacker.rail.controller import Identity
from stacker.rail.stops import StopOrder
from stacker.verifying.shots import read_run


def stopped_after(folder, frames, **changes):
    """A job whose run was stopped after so many frames."""
    folder.mkdir(exist_ok=True)
    job = make_job(folder, **changes)
    taken = []
    with pytest.raises(RunStopped):
        run(job, who=person(report=taken.append, stop_order=lambda: StopOrder(len(taken) >= frames)))
    return job


def at(job, url):
    return replace(job, link=replace(job.link, url=url))


# ------------------------------------------------------------------------------------------------- the same rail


def test_a_run_is_not_gone_on_with_on_another_rail(tmp_path):
    job = stopped_after(tmp_path, 2)
    moved = len(events(job, "start"))
    other = at(job, f"sim://desk?time_scale=inf&log={tmp_path / 'rail.log'}&state={tmp_path / 'other.json'}")
    with pytest.raises(Refusal, match=r"the run was on sim://bench\?state=.*; this is sim://desk.*--url sim://bench"):
        run(other, resume=True)
    with pytest.raises(Refusal, match=r"\(sim\); this is .*\(stranger\)"):
        run(with_options(job, "name=stranger"), resume=True)
    assert len(events(job, "start")) <= moved
    run(job, resume=True)
    assert read_journal(journal_of(job)).pending == ()


def test_the_same_controller_at_another_port_is_known_by_what_it_remembers(tmp_path):
    job = stopped_after(tmp_path, 2)
    run(at(job, job.link.url.replace("bench", "desk")), resume=True)
    assert_complete(job)


PAST_PORT = "/dev/ttyUSB0"


@pytest.mark.parametrize(
    ("port", "name", "boot", "session", "moved_port", "refused"),
    [
        (PAST_PORT, "own", 7, "00000000", False, None),
        ("/dev/ttyUSB1", "own", 7, "AAAAAAAA", False, None),  # it remembers the run
        ("/dev/ttyUSB1", "own", 7, "BBBBBBBB", False, "then add --url /dev/ttyUSB1 --refocused."),
        ("/dev/ttyUSB1", "own", 8, "AAAAAAAA", False, "then add --url /dev/ttyUSB1 --refocused."),
        ("/dev/ttyUSB1", "own", 8, "00000000", True, None),  # the person named the port, and focused there
        (PAST_PORT, "other", 7, "AAAAAAAA", True, f"--url {PAST_PORT}."),
        ("sim://bench", "own", 7, "AAAAAAAA", True, "One of the two is simulated, and takes no pictures."),
        ("sim://bench", "other", 7, "AAAAAAAA", True, "One of the two is simulated, and takes no pictures."),
    ],
)
def test_what_is_taken_for_the_same_rail(tmp_path, port, name, boot, session, moved_port, refused):
    job = stopped_after(tmp_path, 1)
    told = read_journal(journal_of(job))
    past = replace(told, port=PAST_PORT, controller="own", boot=7, sessions=frozenset({"AAAAAAAA"}), url=None)
    identity = Identity(name=name, version=1, boot=boot, microsteps_per_turn=3200, session=session)
    if refused is None:
        same_rail(at(job, port), past, identity, moved_port=moved_port)
        return
    with pytest.raises(Refusal, match=f"Resume it there: --url {PAST_PORT}") as told:
        same_rail(at(job, port), past, identity, moved_port=moved_port)
    assert str(told.value).endswith(refused)


def test_a_simulated_rail_is_told_by_its_name_and_its_memory():
    assert port_of("sim://bench?time_scale=20&log=x") == "sim://bench"
    assert port_of("sim://bench?state=a.json&stall_at=7") == "sim://bench?state=a.json"
    assert port_of("/dev/ttyACM0") == "/dev/ttyACM0"


@pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")
@pytest.mark.parametrize(
    "moments", [range(4, 32, 4), pytest.param(range(1, 60), marks=pytest.mark.campaign)], ids=["some", "many"]
)
def test_a_resume_killed_at_any_moment_blames_no_other_program(tmp_path, moments):
    base = stopped_after(tmp_path / "base", 2)
    for moment in moments:
        shutil.copytree(base.path.parent, folder := tmp_path / str(moment))
        job = make_job(folder)
        assert killed_run(job, Killer(moment), resume=True) == 0
        run(job, resume=True)  # else: "another program used the rail"
        assert_complete(job)


@pytest.mark.parametrize(("between", "asked"), [({}, False), ({"rail_at": MIDDLE + 40}, True)], ids=["ends", "named"])
def test_a_run_that_came_between_is_no_stranger_unless_it_named_the_place_anew(tmp_path, between, asked):
    job = stopped_after(tmp_path, 2)
    run_options = RunOptions(
        yes=True, front_at=MIDDLE, frames=(1, 6), kind="ends", journal=tmp_path / "ends.run.jsonl", **between
    )
    drive(job, run_options, person())
    if asked:
        for _ in range(2):  # a refused attempt is not trusted either
            with pytest.raises(Refusal, match="Another program used the rail"):
                run(job, resume=True)
    else:
        run(job, resume=True)
        assert read_journal(journal_of(job)).pending == ()


def test_a_stranger_between_two_runs_is_one(tmp_path):
    job = stopped_after(tmp_path, 2)
    rail, _ = connect(job.link, job.rail)
    rail.controller.close()
    anew(job, "ends.run.jsonl", RunOptions(yes=True, front_at=MIDDLE, frames=(1, 6), kind="ends"))
    with pytest.raises(Refusal, match="Another program used the rail"):
        run(job, resume=True)


def test_a_journal_of_compressed_time_gives_no_time_of_day(tmp_path):
    job = stopped_after(tmp_path, 2)
    run(job, resume=True)
    assert [record["compressed"] for record in records(job, "run", "resume")] == [True, True]
    assert [leg.begins_s for leg in read_run(journal_of(job)).legs] == [None, None]


def test_a_folder_renamed_in_mid_run_loses_nothing(tmp_path):
    for name, stop_after in (("whole", 99), ("stopped", 3)):
        rails = tmp_path / f"{name}_rail"
        rails.mkdir()
        (tmp_path / name).mkdir()
        job = replace(make_job(rails), path=tmp_path / name / "demo.plan.yaml")
        taken, told = [], []

        def report(progress, name=name, taken=taken):
            taken.append(progress)
            if len(taken) == 2:
                (tmp_path / name).rename(tmp_path / f"{name}_renamed")

        who = person(
            report=report, notify=told.append, stop_order=lambda n=stop_after, taken=taken: StopOrder(len(taken) >= n)
        )
        if name == "whole":
            outcome = run(job, who=who)
            assert set(outcome.past.confirmed) == set(range(1, 7))
            assert "renamed during the run; the journal demo.run.jsonl is still in it" in told[-1]
        else:
            with pytest.raises(RunStopped, match=r"3 of 6 frames(.|\n)*folder was renamed(.|\n)*--resume"):
                run(job, who=who)
        assert (tmp_path / f"{name}_renamed" / "demo.run.jsonl").exists()


# ------------------------------------------------------------------------------------------------------- here


def test_a_resumed_look_at_the_ends_goes_back_to_the_front(tmp_path):
    job = make_job(tmp_path)
    taken = []
    with pytest.raises(RunStopped):
        run(
            job,
            run_options=RunOptions(yes=True, frames=(1, 3, 6), kind="ends"),
            who=person(report=taken.append, stop_order=lambda: StopOrder(len(taken) >= 2)),
        )
    outcome = run(job, resume=True)  # as the command line does: it knows nothing of ends
    assert (outcome.position, outcome.past.kind) == (MIDDLE, "ends")


def anew(job, name, run_options=None):
    return drive(job, replace(run_options or RunOptions(yes=True), journal=job.path.parent / name), person())


def test_where_a_run_left_the_rail_is_not_taken_for_the_front(tmp_path):
    job = make_job(tmp_path)
    run(job)
    moved = len(events(job, "start"))
    told = r"where a run left it \(demo.run.jsonl\), 0.120 mm deeper than its front.*--front-at-mm 40 for the front"
    with pytest.raises(Refusal, match=told):
        anew(job, "again.run.jsonl")
    with pytest.raises(Refusal, match=r"where a run left it \(demo.run.jsonl\), 0.150 mm deeper"):
        anew(job, "again.run.jsonl", RunOptions(rail_at=MIDDLE + 240))  # its scale read by hand: it was not moved
    assert len(events(job, "start")) == moved
    anew(job, "again.run.jsonl", RunOptions(yes=True, front_at=MIDDLE + 48))  # as that place is called by now
    assert openings(job) == 2 * [MIDDLE + position for position in job.positions]


def test_nor_is_where_a_killed_run_left_it(tmp_path):
    job = make_job(tmp_path)
    assert killed_run(job, Killer(75)) == 0
    with pytest.raises(Refusal, match="where a run left it"):
        anew(job, "again.run.jsonl")


def test_how_here_was_reached_is_said(tmp_path):
    job = make_job(tmp_path)
    asked = []
    who = person(confirm=lambda text: asked.append(" ".join(text.split())) or True)

    def drive_on(name, **run_options):
        drive(job, RunOptions(**run_options, journal=tmp_path / name), who)
        return asked[-1]

    fresh = drive_on("a.run.jsonl", frames=(1, 6), kind="ends")
    assert "here; no program has moved it since it was switched on" in fresh
    assert "here, where the run of a.run.jsonl left it, at its front" in drive_on("b.run.jsonl")
    rail, _ = connect(job.link, job.rail)
    go_by(rail, -500)
    rail.controller.close()
    assert "here; no journal beside the plan says how it came there" in drive_on("c.run.jsonl")


# --------------------------------------------------------------------------------------------------- made deeper


def planned_anew(job, before, behind, digest="e"):
    """The plan of a job with more frames on both sides."""
    step = job.positions[1] - job.positions[0]
    deeper = make_job(job.path.parent, count=job.count + before + behind, step=step)
    places = tuple(place - before * step for place in deeper.positions)
    rows = tuple([row[0], place * 0.625, place, *row[3:]] for row, place in zip(deeper.rows, places, strict=True))
    focus_um = tuple(place * 0.625 for place in places)
    path = job.path.with_name(f"{digest}.plan.yaml")
    return replace(deeper, positions=places, rows=rows, focus_um=focus_um, digest=digest * 64, path=path)


def after(job, name, before, **run_options):
    path = job.path.parent / name
    return drive(job, RunOptions(yes=True, kind="after", journal=path, after=before, **run_options), person())


def test_a_stack_is_made_deeper_on_both_sides_without_taking_a_frame_twice(tmp_path):
    job = make_job(tmp_path)
    run(job)
    new = planned_anew(job, 2, 3)
    outcome = after(new, "new.run.jsonl", journal_of(job))
    assert outcome.frames == (1, 2, 9, 10, 11)
    assert sorted(openings(job)) == [MIDDLE + place for place in new.positions]
    assert len(set(openings(job))) == len(openings(job))
    assert (outcome.past.kind, Path(outcome.past.after)) == ("after", journal_of(job).resolve())
    assert of_one_stack(outcome.journal, outcome.past, {}) == [journal_of(job), outcome.journal]
    with pytest.raises(Refusal, match="nothing is left to take: that run took every frame"):
        after(job, "x.run.jsonl", outcome.journal)
    still_deeper = planned_anew(new, 0, 2, digest="f")
    outcome = after(replace(still_deeper, **deepened(new, 2)), "deeper.run.jsonl", outcome.journal)
    assert outcome.frames == (12, 13)  # what either run before it took counts
    assert run_before(outcome.past, outcome.journal) == [journal_of(job), tmp_path / "new.run.jsonl"]


def deepened(job, more):
    """Positions and rows of a job with more frames behind."""
    step = job.positions[1] - job.positions[0]
    places = (*job.positions, *(job.positions[-1] + step * (n + 1) for n in range(more)))
    rows = tuple([n + 1, place * 0.625, place, *job.rows[0][3:]] for n, place in enumerate(places))
    return {"positions": places, "rows": rows, "focus_um": tuple(place * 0.625 for place in places)}


def test_a_deeper_run_that_was_stopped_is_resumed(tmp_path):
    job = make_job(tmp_path)
    run(job)
    new = planned_anew(job, 0, 4)
    taken = []
    with pytest.raises(RunStopped):
        drive(
            new,
            RunOptions(yes=True, kind="after", journal=tmp_path / "new.run.jsonl", after=journal_of(job)),
            person(report=taken.append, stop_order=lambda: StopOrder(len(taken) >= 2)),
        )
    drive(new, RunOptions(yes=True, resume=tmp_path / "new.run.jsonl"), person())
    assert openings(job) == [MIDDLE + place for place in new.positions]


def test_what_an_unfinished_run_left_open_is_taken_with_what_lies_deeper(tmp_path):
    job = stopped_after(tmp_path, 4)
    outcome = after(planned_anew(job, 1, 1), "new.run.jsonl", journal_of(job))
    assert outcome.frames == (1, 6, 7, 8)


def test_a_front_moved_by_whole_steps_is_made_deeper_too(tmp_path):
    job = make_job(tmp_path)
    run(job)
    new = replace(planned_anew(job, 0, 2), front_at=MIDDLE - 2 * 48)
    outcome = after(new, "new.run.jsonl", journal_of(job))
    assert outcome.frames == (1, 2)
    assert outcome.past.front_at == MIDDLE - 2 * 48
    with pytest.raises(Refusal, match=r"do not agree where they meet.*for the same front add --front-at-mm 40\."):
        after(replace(new, front_at=MIDDLE - 50), "other.run.jsonl", journal_of(job))


@pytest.mark.parametrize("change", [{"profile_digest": "q"}, {"rows": None}])
def test_another_rail_or_plan_is_not_gone_on_from(tmp_path, change):
    job = make_job(tmp_path)
    run(job)
    new = planned_anew(job, 0, 2)
    rows = tuple([*row[:6], 0.01] for row in new.rows)  # another exposure
    before = events(job)
    with pytest.raises(Refusal, match=r"another rail profile|exposure_s is 0.01, in the old 0.005") as refused:
        after(replace(new, **(change if "profile_digest" in change else {"rows": rows})), "x", journal_of(job))
    assert "for the same front" not in str(refused.value)  # it is the same
    assert events(job) == before


def test_a_lost_position_widens_what_lies_deeper(tmp_path):
    job = make_job(tmp_path)
    run(job)
    new = with_options(planned_anew(job, 0, 4), "reset_on_open=always")
    with pytest.raises(Refusal, match="position was lost"):
        after(new, "x.run.jsonl", journal_of(job))
    rail, _ = connect(job.link, job.rail)
    rail.controller.hold(on=True)
    go_by(rail, -240)
    rail.controller.close()
    outcome = after(planned_anew(job, 0, 4), "y.run.jsonl", journal_of(job), refocused=True)
    assert outcome.frames[0] < 7  # a slice is a step and a half
    assert outcome.past.refocused


# ------------------------------------------------------------------------------------------------ which belong together


def test_names_are_utc_and_one_that_is_taken_is_not_taken_again(tmp_path):
    plan = tmp_path / "beetle [2].plan.yaml"
    now = datetime(2031, 10, 26, 2, 30, tzinfo=timezone(timedelta(hours=2)))  # the hour that comes twice, once
    again = datetime(2031, 10, 26, 2, 30, tzinfo=timezone(timedelta(hours=1)))  # and once more
    assert journal_path(plan, now).name == "beetle [2]-20311026-003000Z.run.jsonl"
    assert journal_path(plan, again).name == "beetle [2]-20311026-013000Z.run.jsonl"
    journal_path(plan, now).touch()
    assert journal_path(plan, now).name == "beetle [2]-20311026-003001Z.run.jsonl"


def test_journals_beside_a_plan_are_its_own_whatever_the_plans_are_called(tmp_path):
    for name in ("beetle", "beetle-side", "beetle [2]"):
        journal_path(tmp_path / f"{name}.plan.yaml", datetime(2031, 5, 4, tzinfo=timezone.utc)).touch()
    (tmp_path / "beetle-20310504-220000.run.jsonl").touch()  # as older versions named them, by local time
    found = [path.name for path in beside(tmp_path / "beetle.plan.yaml")]
    assert sorted(found) == ["beetle-20310504-000000Z.run.jsonl", "beetle-20310504-220000.run.jsonl"]
    assert [path.name for path in beside(tmp_path / "beetle [2].plan.yaml")] == [
        "beetle [2]-20310504-000000Z.run.jsonl"
    ]


def journals(job, *kinds):
    """Runs of a plan one after another; their journals."""
    paths = []
    for number, kind in enumerate(kinds):
        path = job.path.with_name(f"demo-20310504-2200{number:02}Z.run.jsonl")
        frames = () if kind == "all" else (2, 5)
        drive(job, RunOptions(yes=True, front_at=MIDDLE, kind=kind, frames=frames, journal=path), person())
        paths.append(path)
    return paths


@pytest.mark.parametrize(
    ("kinds", "together"),
    [
        (["all"], [0]),
        (["all", "all"], [1]),  # shot twice: two stacks
        (["all", "frames"], [0, 1]),
        (["all", "frames", "frames"], [0, 1, 2]),
        (["all", "all", "ends", "frames"], [1, 3]),
        (["frames"], [0]),
        (["ends", "frames"], [1]),
    ],
)
def test_a_run_of_some_frames_belongs_to_the_whole_run_before_it(tmp_path, kinds, together):
    job = make_job(tmp_path)
    paths = journals(job, *kinds)
    found = of_this_plan(job.path, job.digest)
    assert of_one_stack(paths[-1], found[paths[-1]], found) == [paths[number] for number in together]
