"""Records behave as frozen dataclasses do: the same cases on both."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, is_dataclass, replace

import pytest

from stacker.records import record


@record
class Ours:
    a: float
    b: int = 3
    c: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Theirs:
    a: float
    b: int = 3
    c: dict[str, int] = field(default_factory=dict)


@pytest.mark.parametrize("cls", [Ours, Theirs])
def test_a_record_is_made_compared_copied_and_shown_like_a_frozen_dataclass(cls):
    one = cls(a=1.5)
    assert (one.a, one.b, one.c) == (1.5, 3, {})
    assert cls(a=1.5).c is not one.c
    assert one == cls(a=1.5, b=3)
    assert one != cls(a=2.0)
    assert one != "another thing"
    assert replace(one, b=4) == cls(a=1.5, b=4)
    assert asdict(one) == {"a": 1.5, "b": 3, "c": {}}
    assert [item.name for item in fields(one)] == ["a", "b", "c"]
    assert is_dataclass(cls)
    assert repr(one).endswith("(a=1.5, b=3, c={})")


@pytest.mark.parametrize("cls", [Ours, Theirs])
def test_a_record_cannot_be_changed_and_takes_its_own_keywords_only(cls):
    one = cls(a=1.5)
    with pytest.raises(FrozenInstanceError):
        one.a = 2.0
    with pytest.raises(FrozenInstanceError):
        del one.b
    for wrong in ({}, {"a": 1, "d": 2}, {"b": 1}):
        with pytest.raises(TypeError):
            cls(**wrong)
    with pytest.raises(TypeError):
        cls(1.5)


def test_records_of_equal_values_are_one_in_a_set_and_two_classes_are_not_equal():
    @record
    class Other:
        a: float

    @record
    class Same:
        a: float

    assert len({Other(a=1.0), Other(a=1.0), Other(a=2.0)}) == 2
    assert Other(a=1.0) != Same(a=1.0)
