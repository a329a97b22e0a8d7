"""A value whose block is not there yet brings its block along."""

import pytest

from stacker.documents.edit import with_values
from stacker.errors import Refusal


@pytest.mark.parametrize("end", ["", "\n", "   # the last\n"])
def test_a_missing_block_is_added_at_the_end_and_everything_else_stays(end):
    text = f"rig: {{kind: lens}}   # mine\nsubject:\n  depth_mm: 3{end}"
    after = with_values(text, {"focus.a": 1.5, "focus.b": 2}, "mine.yaml")
    assert after == f"{text.rstrip(chr(10))}\nfocus: {{a: 1.5, b: 2}}\n"


def test_a_missing_block_within_a_block_is_still_refused():
    with pytest.raises(Refusal, match="there is no block focus"):
        with_values("rig: {kind: lens}\n", {"focus.a.b": 1}, "mine.yaml")
