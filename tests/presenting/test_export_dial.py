"""The dial sheet: followed line by line by somebody who only turns and ticks."""

from __future__ import annotations

import re

import pytest

from stacker.errors import Refusal
from stacker.presenting.export_dial import dial_text

ROW = re.compile(r"\[ \] +(\d+) +(-?\d+) +(\d+) +([+-]\d+) +([+-]\d+) +(-?\d+\.\d+)( +past 0)?")


def rows(text):
    return [
        (*map(int, match.groups()[:5]), match[7] is not None)
        for line in text.splitlines()
        if (match := ROW.fullmatch(line))
    ]


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_whoever_follows_the_sheet_stands_where_the_plan_says(planned, hand_rail, order):
    plan = planned(f"order={order}", rail=hand_rail)
    dial = in_all = 0
    for frame, turn, division, by, so_far, past_zero in rows(dial_text(plan)):
        turned_over = (dial + by) // 50 != dial // 50
        dial += by
        in_all += by if frame > 1 else 0
        assert (turn, division) == divmod(dial, 50)
        assert dial == plan.frames.position_microsteps[frame - 1]
        assert so_far == in_all
        assert past_zero == (turned_over and frame > 1)
    assert frame == len(plan.frames)


def test_a_pause_after_every_ten_frames_says_what_is_taken(planned, hand_rail):
    text = dial_text(planned(rail=hand_rail))
    count = len(rows(text))
    taken = [tuple(map(int, found)) for found in re.findall(r"---- (\d+) taken, (\d+) to go", text)]
    assert taken[-1] == (count, 0)
    assert all(done + left == count for done, left in taken)
    assert [done for done, _ in taken[:-1]] == list(range(10, count, 10))


def test_the_sheet_fits_the_page_and_says_how_backlash_is_taken_up(planned, hand_rail):
    text = dial_text(planned(rail=hand_rail))
    assert max(map(len, text.splitlines())) <= 80
    # 30 um and a quarter more, rounded up to divisions of 10 um
    assert "4 divisions beyond frame 1" in " ".join(text.split())


def test_refused_for_a_plan_that_is_not_in_divisions(planned, motor_rail):
    for rail in (motor_rail, None):
        with pytest.raises(Refusal, match="dial"):
            dial_text(planned(rail=rail))
