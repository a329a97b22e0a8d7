"""Plans of one subject agree where they meet, or it is said where they do not."""

from __future__ import annotations

import pytest

from stacker.documents.common_frames import by_column, common_frames
from stacker.documents.loading import load_request
from stacker.documents.plan import COLUMNS
from stacker.errors import Refusal
from stacker.planning.planner import plan_of


@pytest.fixture
def table(plans):
    def planned(*changes: str):
        loaded = load_request(plans / "leaf_beetle.yaml", changes)
        frames = plan_of(loaded.value, loaded.assumed).frames
        return by_column(tuple(COLUMNS), list(zip(*frames.columns(), strict=True)))

    return planned


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
def test_a_deeper_plan_has_all_frames_of_the_shallow_one_and_more(table, order):
    old, new = table(f"order={order}"), table(f"order={order}", "subject.depth_mm=6", "focus.end_frames=4")
    shared = common_frames(old, new)
    assert sorted(shared) == list(old["frame"])
    assert len(new["frame"]) > len(old["frame"]) + 6
    for before, after in shared.items():
        assert old["focus_um"][before - 1] == new["focus_um"][after - 1]
    ends = len(new["frame"]) - len(old["frame"])
    assert shared[1] == (4 if order == "front_to_back" else ends - 2)  # one end frame before, four now


def test_a_front_moved_by_whole_steps_is_seen_by_the_shift(table):
    """In a part without zones the planes lie evenly: 146 microsteps of 0.625 um (bench rail) each."""
    plain = ("subject.zones=[]",)
    old, new = table(*plain), table(*plain, "subject.depth_mm=5.5")
    step = old["position_microsteps"][1] - old["position_microsteps"][0]
    shared = common_frames(old, new, shift_microsteps=5 * step, shift_um=5 * step * 0.625)
    assert shared[1] == 6
    with pytest.raises(Refusal, match="frame 1 of the old plan is not in the other one"):
        common_frames(old, new, shift_microsteps=5 * step - 1, shift_um=(5 * step - 1) * 0.625)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("focus.overlap=0.4", "is not in the other one"),
        ("light.exposure_s=0.01", "exposure_s is 0.01, in the old 0.005"),
        ("order=back_to_front", "from front to back"),
    ],
)
def test_plans_that_differ_are_told_apart(table, change, told):
    with pytest.raises(Refusal, match=told):
        common_frames(table(), table(change, "subject.depth_mm=6"))


def test_plans_that_do_not_meet_have_nothing_in_common(table):
    with pytest.raises(Refusal, match="no frame in common"):
        common_frames(table(), table(), shift_microsteps=-100_000)
