"""When a stack counts as handed over whole, why one is not sorted at all, and what its folder is called."""

from __future__ import annotations

from dataclasses import replace

import pytest
from verifying.made_readings import folder, picture, reading, stack, way

from stacker.verifying import sorting
from stacker.verifying.hand_over import HandOver
from stacker.verifying.judging import evidence_of, judge
from stacker.verifying.sorting import Sorted, _names, _why_not, sort_stacks
from stacker.verifying.verify import Told

FIVE = [picture(n) for n in range(1, 6)]
READING = reading((range(1, 6), [way(range(5))], 0.0))
VERDICT = judge(evidence_of(READING, folder(FIVE), 1), stack(5))


def handed(lacking=()):
    return HandOver(
        name="beetle", depth_um={}, held=(5, 5), pieces=(), sub_stacks=(), lacking=lacking, doubles=(), in_doubt=()
    )


def test_whole_is_what_lacks_no_frame_and_has_nothing_amiss():
    assert VERDICT.complete
    assert Sorted(verdict=VERDICT, hand_over=handed()).whole
    assert not Sorted(verdict=VERDICT, hand_over=handed((3,))).whole  # a frame that lies in no certain place
    assert not Sorted(verdict=replace(VERDICT, complete=False), hand_over=handed()).whole
    assert not Sorted(verdict=VERDICT, why_not="nobody knows").whole


def test_why_a_stack_is_not_sorted():
    assert _why_not(VERDICT) == ""
    assert "do not fit the journal" in _why_not(replace(VERDICT, times_fit=False))
    assert _why_not(replace(VERDICT, look_alikes=7)).startswith("7 more pictures fit its journal as well")
    assert "does not say when the run went on" in _why_not(replace(VERDICT, unlinked=True))


@pytest.mark.parametrize(
    ("mains", "names"),
    [
        (["card/Moss.run.jsonl"], ["Moss"]),
        (["a.run.jsonl", "A.run.jsonl", "a.jsonl"], ["a", "A.2", "a.3"]),  # alike on some file systems
        (["a.run.jsonl", "b.run.jsonl"], ["a", "b"]),
    ],
)
def test_a_folder_is_called_after_its_journal(mains, names):
    assert _names([replace(VERDICT, main=one) for one in mains]) == names
    assert _names([replace(VERDICT, main="moss.run.jsonl", panel=3)]) == ["moss-panel-03"]


def sorted_with(monkeypatch, verdict=VERDICT, **rest):
    found = stack(5)
    found.main.past.columns[:] = ["frame", "focus_um"]
    monkeypatch.setattr(sorting, "tell", lambda *_, **__: (Told(stack=found, verdict=verdict, readings=(READING,)),))
    (one,) = sort_stacks((), folder(FIVE), **rest)
    return one


def test_every_file_lies_at_its_depth_and_groups_are_asked_for(monkeypatch):
    one = sorted_with(monkeypatch)
    assert one.whole
    assert [str(piece.target) for piece in one.hand_over.pieces][:2] == [
        "beetle_journal/0001_100um.jpg", "beetle_journal/0002_200um.jpg",
    ]  # fmt: skip
    assert one.hand_over.sub_stacks == ()
    grouped = sorted_with(monkeypatch, group=3, shared=1)
    assert [(part.first, part.last) for part in grouped.hand_over.sub_stacks] == [(1, 3), (3, 5)]
    apart = sorted_with(monkeypatch, group=3)
    assert [(part.first, part.last) for part in apart.hand_over.sub_stacks] == [(1, 3), (4, 5)]
    refused = sorted_with(monkeypatch, verdict=replace(VERDICT, unlinked=True))
    assert (refused.hand_over, refused.whole) == (None, False)


def test_pictures_that_can_be_read_in_too_many_ways_are_not_sorted(monkeypatch):
    def too_many(*_):
        raise sorting.Refusal("times and numbers can be read in too many ways")

    monkeypatch.setattr(sorting, "takes_of", too_many)
    one = sorted_with(monkeypatch)
    assert (one.hand_over, one.why_not) == (None, "times and numbers can be read in too many ways")
