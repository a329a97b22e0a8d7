"""Numbers and flags as a person writes them, and what is advised for those that are read otherwise."""

from __future__ import annotations

import pytest

from stacker.documents.loading import load_request
from stacker.documents.scalars import read_flag, shown
from stacker.errors import InputError


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (1e-12, "0.000000000001"),
        (9e-13, None),
        (1e15, None),
        (-2.5, "-2.5"),
        (1 / 3, "0.333333"),
        (40.0, "40"),
    ],
)
def test_a_number_is_shown_without_an_exponent_or_not_at_all(value, text):
    assert shown(value) == text


@pytest.mark.parametrize(
    ("text", "quoted", "read"),
    [
        ("true", False, (True, None)),
        ("false", False, (False, None)),
        ("true", True, (None, "true without quotes")),
        ("Yes", False, (None, "true")),
        ("off", False, (None, "false")),
        ("False", False, (None, "false")),
        ("perhaps", False, (None, None)),
    ],
)
def test_a_flag_is_one_of_two_words(text, quoted, read):
    assert read_flag(text, quoted=quoted) == read


def test_a_byte_that_is_no_utf_8_is_told_with_its_place(tmp_path):
    path = tmp_path / "moss.yaml"
    path.write_bytes("subject: {depth_mm: 2}\nname: caf\xe9\n".encode("latin-1"))
    with pytest.raises(InputError) as refused:
        load_request(path)
    assert str(refused.value) == f"{path}:2:10: not UTF-8; save the file as UTF-8"


def test_a_word_may_stand_for_a_number_and_a_number_for_a_word(plans):
    lens = "rig={kind: lens, focal_length_mm: 50, max_magnification: 0.15, f_number: 4, focused_at: %s}"
    request = plans / "leaf_beetle.yaml"
    assert load_request(request, [lens % "infinity"]).value.rig.focused_at == "infinity"
    assert load_request(request, [lens % "0.05"]).value.rig.focused_at == 0.05
    with pytest.raises(InputError, match="focused_at: found '21'; write nearest, infinity or a number from 0 to 20"):
        load_request(request, [lens % "21"])
