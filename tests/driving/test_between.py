"""One more frame between two of a plan: where it is taken, how it goes on, and that verify and sort know it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from driving.runs import events, make_job, openings, person

from stacker.documents.journal import read_journal
from stacker.driving.beside import of_one_stack, of_this_plan
from stacker.driving.between import listed_pairs, with_frames_between
from stacker.driving.drive import drive
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal, RunStopped
from stacker.rail.stops import StopOrder
from stacker.verifying.shots import read_run
from stacker.verifying.stacks import stacks_of

BETWEEN = RunOptions(yes=True, kind="between")


def more_of(job, *after, minute, who=None):
    """A run of the frames between alone, at the same front."""
    more = with_frames_between(job, after)
    new = tuple(frame + place for place, frame in enumerate(after, start=1))
    path = job.path.with_name(f"demo-20310504-22{minute:02}00Z.run.jsonl")
    asked = replace(BETWEEN, frames=new, front_at=openings(job)[0] - job.positions[0], journal=path)
    drive(more, asked, who or person())
    return more


def whole(tmp_path):
    job = make_job(tmp_path)
    drive(job, RunOptions(yes=True, journal=tmp_path / "demo-20310504-220000Z.run.jsonl"), person())
    return job


def test_pairs_are_taken_in_any_order_and_nothing_else():
    assert listed_pairs(["5,6", " 2 ,1"], 6) == (1, 5)
    for text in ("5", "5,7", "6,7", "0,1", "5,5", "a,b", "5,6,7", "-1,0", ""):
        with pytest.raises(Refusal, match="as 5,6"):
            listed_pairs([text], 6)


def test_where_the_rail_has_no_place_between_it_is_refused(tmp_path):
    with pytest.raises(Refusal, match="no place between"):
        with_frames_between(make_job(tmp_path, step=1), (2,))
    assert with_frames_between(make_job(tmp_path, step=2), (2,)).positions[1:4] in ((0, 1, 2), (2, 3, 4))


@pytest.mark.parametrize("after", [(6,), (40,)])
def test_behind_the_last_frame_lies_nothing_whatever_a_journal_says(tmp_path, after):
    with pytest.raises(Refusal, match="no place between"):
        with_frames_between(make_job(tmp_path), after)


def test_it_is_taken_halfway_and_reached_from_the_same_side(tmp_path):
    job = whole(tmp_path)
    front_at = openings(job)[0] - job.positions[0]
    more = more_of(job, 2, 5, minute=10)
    assert openings(job)[-2:] == [front_at + 24, front_at + 3 * 48 + 24]
    assert more.named(3) == "frame between 2 and 3"
    assert [more.named(frame) for frame in (2, 4, 8, 0)] == ["frame 2", "frame 3", "frame 6", "closing frame"]
    assert [more.number(frame) for frame in (2, 3, 7, 8)] == ["2", "between 2 and 3", "between 5 and 6", "6"]


def test_a_stopped_one_goes_on_by_its_journal(tmp_path):
    job = whole(tmp_path)
    taken = []
    order = person(report=taken.append, stop_order=lambda: StopOrder(len(taken) >= 1))
    with pytest.raises(RunStopped):
        more_of(job, 2, 5, minute=10, who=order)
    journal = max(tmp_path.glob("*.run.jsonl"))
    past = read_journal(journal)
    assert (past.kind, past.between, past.pending) == ("between", (2, 5), (7,))
    with pytest.raises(Refusal, match="another plan"):
        drive(job, RunOptions(yes=True, resume=journal), person())
    drive(with_frames_between(job, past.between), RunOptions(yes=True, resume=journal), person())
    assert read_journal(journal).pending == ()
    assert len(events(job, "shutter")) == job.count + 2


def test_such_runs_belong_to_the_stack_and_count_together(tmp_path):
    job = whole(tmp_path)
    more_of(job, 2, minute=10)
    more_of(job, 5, minute=20)
    paths = sorted(tmp_path.glob("*.run.jsonl"))
    found = of_this_plan(job.path, job.digest)
    assert sorted(found) == paths
    assert of_one_stack(paths[-1], found[paths[-1]], found) == paths
    _, (stack,) = stacks_of([read_run(path) for path in paths])
    assert stack.main.past.between == (2, 5)
    assert [row[0] for row in stack.main.past.rows] == list(range(1, job.count + 3))
    # legs in order of time: frames 1 to 6 of the plan, then the one behind 2, then the one behind 5
    assert stack.frames[0] == {1: 1, 2: 2, 3: 4, 4: 5, 5: 6, 6: 8}
    assert stack.frames[1][3] == 3
    assert stack.frames[2][6] == 7


def test_a_frame_that_the_older_plan_has_and_the_newer_has_not_is_no_frame_between(tmp_path):
    job = whole(tmp_path)
    other = replace(job, positions=(0, 48, 96, 149, 197, 245))
    rows = zip(job.rows, other.positions, strict=True)
    more_of(replace(other, rows=tuple([*row[:2], place, *row[3:]] for row, place in rows)), 2, minute=10)
    with pytest.raises(Refusal, match="different plans"):
        stacks_of([read_run(path) for path in sorted(tmp_path.glob("*.run.jsonl"))])
