"""Which runs took which stack, by what their journals say of themselves."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

from verifying.made_readings import shot

from stacker.verifying.shots import ShotLeg
from stacker.verifying.stacks import stacks_of


def run(name, kind="all", *, after=None, panel=None, began="2031-05-04T22:00:00+00:00", legs=(0.0,), frames=3):
    past = SimpleNamespace(
        kind=kind, after=after, panel=panel, began_utc=began, digest="one", profile_digest="rail", between=(),
        rows=[(n, 100.0 * n) for n in range(1, frames + 1)], columns=["frame", "focus_um"], pending=(), front_at=0,
        front_at_mm=0.0,
    )  # fmt: skip
    parts = tuple(ShotLeg(begins_s=begins, shots=(shot(1),)) for begins in legs)
    return SimpleNamespace(path=Path(f"{name}.journal.jsonl"), past=past, legs=parts)


def grouped(*runs):
    _, stacks = stacks_of(runs)
    return [[one.path.name.split(".")[0] for one in stack.runs] for stack in stacks]


def at(hour):
    return f"2031-05-04T{hour:02}:00:00+00:00"


def test_runs_of_some_frames_go_with_the_whole_run_before_them():
    runs = [
        run("a", began=at(1)),
        run("a2", "some", began=at(2)),
        run("b", began=at(3)),
        run("b2", "some", began=at(4)),
    ]
    assert grouped(*runs) == [["a", "a2"], ["b", "b2"]]
    assert grouped(*runs[::-1]) == [["a", "a2"], ["b", "b2"]]  # the clock on the wall orders them
    unknown = [run(one, kind, began=None) for one, kind in (("b", "all"), ("a", "all"), ("a2", "some"))]
    assert grouped(*unknown) == [["b"], ["a", "a2"]]  # as they were named
    half_known = [run("b", began=at(9)), run("a", began=None), run("a2", "some", began=at(1))]
    assert grouped(*half_known) == [["b"], ["a", "a2"]]


def test_one_goes_with_the_run_that_it_names_wherever_the_file_lay_then():
    runs = [run("a", began=at(1)), run("b", began=at(2)), run("a2", "some", after="/card/a.journal.jsonl", began=at(3))]
    assert grouped(*runs) == [["a", "a2"], ["b"]]
    gone = [run("a", began=at(1)), run("b", began=at(2)), run("x2", "some", after="gone.journal.jsonl", began=at(3))]
    assert grouped(*gone) == [["a"], ["b", "x2"]]
    chain = [*runs, run("a3", "deeper", after="a2.journal.jsonl", began=at(4))]
    assert grouped(*chain) == [["a", "a2", "a3"], ["b"]]


def test_of_panels_each_keeps_its_own():
    runs = [
        run("p1", panel=1, began=at(1)), run("p2", panel=2, began=at(2)), run("again", "some", panel=1, began=at(3)),
        run("other", "some", panel=7, began=at(4)),
    ]  # fmt: skip
    assert grouped(*runs) == [["p1", "again"], ["p2", "other"]]


def test_a_trial_of_the_ends_counts_only_where_nothing_else_was_named():
    assert grouped(run("a", began=at(1)), run("try", "ends", began=at(2))) == [["a"]]
    assert grouped(run("try", "ends", began=at(1)), run("try2", "ends", began=at(2))) == [["try"], ["try2"]]
    assert grouped(run("try", "ends", began=at(1)), run("a2", "some", began=at(2))) == [["a2"]]


def test_parts_of_all_runs_come_by_the_clock_or_as_they_were_named():
    legs, stacks = stacks_of([run("a", began=at(1), legs=(10.0, 300.0)), run("b", began=at(2), legs=(100.0,))])
    assert [leg.begins_s for leg in legs] == [10.0, 100.0, 300.0]
    assert [stack.legs for stack in stacks] == [(0, 2), (1,)]
    legs, stacks = stacks_of([run("a", began=at(1), legs=(10.0, None)), run("b", began=at(2), legs=(5.0,))])
    assert [leg.begins_s for leg in legs] == [10.0, None, 5.0]
    assert [stack.legs for stack in stacks] == [(0, 1), (2,)]
    assert stacks[0].frames == (None, None)  # of the plan itself


def test_what_a_resume_takes_is_pending_only_after_the_last_run():
    last = run("a", began=at(1))
    last.past.pending = (3,)
    _, (stack,) = stacks_of([last])
    assert stack.pending == (3,)
    _, (stack,) = stacks_of([last, run("a2", "some", began=at(2))])
    assert stack.pending == ()
