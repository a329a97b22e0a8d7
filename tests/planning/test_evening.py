"""Several stacks in one evening, against sums done by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.documents.plan_file import read_plan
from stacker.errors import Refusal
from stacker.planning.evening import _Cards, evening_of
from stacker.presenting.evening_table import evening_table


@pytest.fixture
def beetle(plans):
    return read_plan(plans / "leaf_beetle.plan.yaml")


def variant(plan, *, frames, duration_s, raw_mb=30.0, card_gb=32.0, battery_frames=400):
    camera = replace(plan.request.camera, raw_mb=raw_mb, card_gb=card_gb, battery_frames=battery_frames)
    return replace(
        plan,
        request=replace(plan.request, camera=camera),
        coverage=replace(plan.coverage, frame_count=frames),
        budget=replace(
            plan.budget,
            duration_s=duration_s,
            raw_gb=None if raw_mb is None else frames * raw_mb / 1000,
            working_gb=frames * 0.1,
        ),
    )


def test_an_evening_added_up_by_hand(beetle):
    first = variant(beetle, frames=600, duration_s=3600)
    second = variant(beetle, frames=700, duration_s=5400)
    evening = evening_of([first, second], setup_s=900)
    # 3600 + 900 + 5400
    assert evening.duration_s == 9900
    assert [(stack.begins_s, stack.ends_s) for stack in evening.stacks] == [(0, 3600), (4500, 9900)]
    # 32 GB hold 1066 files of 30 MB: 600 on the first; 466 more would fit, but then the card had to be changed in the
    # middle of the second stack
    assert evening.stacks[0].cards == (1,)
    assert evening.stacks[1].cards == (2,)
    assert evening.card_gb == pytest.approx((18.0, 21.0))
    # by frames 600/400 = 1.5; 700/400 = 1.75 against (5400 + 900)/60/200 = 0.525 by the clock: 3.25
    assert [stack.charges for stack in evening.stacks] == pytest.approx([1.5, 1.75])
    assert evening.batteries == 4
    assert evening.raw_gb == pytest.approx(39)
    assert (evening.working_gb, evening.largest_working_gb) == pytest.approx((130, 70))
    assert evening.unknown == ()


def test_a_card_is_changed_in_the_middle_only_of_a_stack_that_fits_on_none(beetle):
    small, large = variant(beetle, frames=500, duration_s=60), variant(beetle, frames=1200, duration_s=60)
    # 1066 files a card: two small ones share the first, the third begins a new one, the large one takes two of its own
    evening = evening_of([small, small, small, large, small], setup_s=0)
    assert [stack.cards for stack in evening.stacks] == [(1,), (1,), (2,), (3, 4), (4,)]
    told = evening_table(evening, starts=datetime(2026, 1, 1, tzinfo=timezone.utc), setup_s=0)
    assert sum("does not fit on one" in line for line in told) == 1


def test_set_up_drains_a_battery_that_runs_by_the_clock(beetle):
    slow = variant(beetle, frames=10, duration_s=6000, battery_frames=100)
    alone = evening_of([slow, slow], setup_s=0).stacks[1].charges
    waited = evening_of([slow, slow], setup_s=3000).stacks[1].charges
    # CIPA DC-002 by the clock: 100 min over 50 min a battery; with 50 min of set-up before it 150 over 50
    assert (alone, waited) == (2, 3)


def test_what_is_not_known_is_named_and_the_rest_added_up(beetle):
    dark = variant(beetle, frames=100, duration_s=None, raw_mb=None)
    known = variant(beetle, frames=100, duration_s=1000)
    evening = evening_of([known, dark, known], setup_s=60)
    assert evening.duration_s == 2120
    assert [stack.begins_s for stack in evening.stacks] == [0, 1060, None]
    assert [stack.ends_s for stack in evening.stacks] == [1000, None, None]
    assert [stack.cards for stack in evening.stacks] == [(1,), (), (1,)]
    assert (evening.raw_gb, evening.batteries) == (pytest.approx(6), 1)  # 2 * 100 * 30 MB; twice 100/400 of a charge
    assert evening.unknown == tuple(f"{beetle.name}: {what}" for what in ("time", "raw files", "batteries"))


def test_cards_or_batteries_that_are_not_known_are_left_out(beetle):
    no_card = evening_of([variant(beetle, frames=100, duration_s=1000, card_gb=None)], setup_s=0)
    assert (no_card.stacks[0].cards, no_card.card_gb, no_card.raw_gb) == ((), (), pytest.approx(3))
    no_battery = evening_of([variant(beetle, frames=100, duration_s=1000, battery_frames=None)], setup_s=0)
    assert (no_battery.stacks[0].charges, no_battery.batteries) == (None, 0)
    assert no_battery.unknown == (f"{beetle.name}: batteries",)


def test_an_evening_of_nothing(beetle):
    nothing = evening_of([], setup_s=900)
    assert (nothing.duration_s, nothing.raw_gb, nothing.batteries, nothing.largest_working_gb) == (0, 0, 0, 0)


def test_a_card_too_small_for_one_file_is_refused(beetle):
    with pytest.raises(Refusal, match="does not fit"):
        evening_of([variant(beetle, frames=1, duration_s=1, raw_mb=100, card_gb=0.05)], setup_s=0)


@given(
    stacks=st.lists(
        st.tuples(st.integers(1, 400), st.sampled_from([10.0, 24.7, 61.3]), st.sampled_from([1.0, 4.0])),
        min_size=1,
        max_size=6,
    )
)
def test_cards_lose_no_file_and_never_overflow(stacks):
    cards, total_gb = _Cards(), 0.0
    last = 0
    for frames, raw_mb, card_gb in stacks:
        used = cards.take(frames, raw_mb, card_gb)
        total_gb += frames * raw_mb / 1000
        assert all(cards.filled_gb[card - 1] <= card_gb + 1e-9 for card in used)
        assert used == tuple(range(used[0], used[-1] + 1))
        assert used[0] >= last, "cards are used one after the other"
        last = used[-1]
    assert sum(cards.filled_gb) == pytest.approx(total_gb)
