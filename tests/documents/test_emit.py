"""Values as YAML: what is written is what another reader of YAML reads back, of the same type."""

from __future__ import annotations

import pytest
import yaml

from stacker.documents.emit import lines, scalar


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),  # in Python a bool is a number too; in YAML it is none
        (False, "false"),
        (1, "1"),
        (1.0, "1"),
        (None, "null"),
        ("true", '"true"'),
        ("No", '"No"'),
        ("1", '"1"'),
        ("", '""'),
        ("a ruler", "a ruler"),
        ('say "so"\\', '"say \\"so\\"\\\\"'),
        ("\x07", '"\\x07"'),
        ("\u2028", '"\\u2028"'),
        ("\U000e0001", '"\\U000e0001"'),
        (1e-7, "1.0e-07"),
        (1e16, "1.0e+16"),
    ],
)
def test_a_value_has_one_spelling_that_any_reader_of_yaml_takes_for_what_it_is(value, text):
    assert scalar(value) == text
    read = yaml.safe_load(text)
    assert read == value
    assert isinstance(read, bool) == isinstance(value, bool)
    assert isinstance(read, str) == isinstance(value, str)


def test_a_mapping_nests_by_indents_and_lists_stand_in_brackets():
    value = {"rail": {"bulb": True, "limits": [1, 2.5]}, "zones": [{"from_mm": 1}, {"from_mm": 2}], "none": {}}
    assert yaml.safe_load("\n".join(lines(value))) == value
