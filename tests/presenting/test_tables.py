"""Numbers and tables for the terminal."""

from __future__ import annotations

import re

import pytest

from stacker.figures import shutter_time, significant
from stacker.planning.apertures import ApertureRow
from stacker.presenting.apertures_table import trade_off
from stacker.presenting.tables import WIDTH, table


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (None, 3, "?"),
        (0.0, 3, "0"),
        (0.062514, 3, "0.0625"),
        (1234.4, 3, "1234"),
        (-1302.6, 3, "-1303"),
        (49328.1, 4, "49328"),
        (1.5e12, 3, "1.5e+12"),
    ],
)
def test_a_person_reads_no_exponents(value, digits, text):
    assert significant(value, digits) == text


def test_columns_stand_closer_before_a_line_gets_too_long():
    head = ["a"] * 8
    assert table(head, [["12345678"] * 8])[1] == "  ".join(["12345678"] * 8)  # 78 columns
    narrow = table(head, [["123456789"] * 8])[1]  # two apart they would be 86
    assert narrow == " ".join(["123456789"] * 8)
    assert len(narrow) <= WIDTH


def test_labels_of_a_trade_off_never_touch():
    rows = [
        ApertureRow(f_number=mark, frames=10 if mark < 16 else 4, finest_detail_um=detail)
        for mark, detail in ((4, 2.0), (5.6, 2.31), (8, 3.2), (11, 4.0), (16, 5.6), (22, 8.0), (32, 12.0))
    ]
    curve = "\n".join(trade_off(rows, 4, None))
    assert "> f/4" in curve
    assert not re.search("[0-9]o", curve)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.00625, "1/160 s"), (0.25, "1/4 s"), (0.28, "0.28 s"), (0.2, "1/5 s"), (0.5, "0.5 s"), (2, "2 s")],
)
def test_a_shutter_time_is_a_fraction_only_where_it_is_one(seconds, text):
    assert shutter_time(seconds) == text
