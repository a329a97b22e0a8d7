"""CSV by RFC 4180, read back by Python's own reader."""

from __future__ import annotations

import csv
import io

import pytest

from stacker.documents.plan import COLUMNS
from stacker.documents.plan_file import read_plan
from stacker.presenting.export_csv import csv_text


def read_back(text: str) -> tuple[list[str], list[list[float | None]]]:
    header, *rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    return header, [[float(cell) if cell else None for cell in row] for row in rows]


@pytest.mark.parametrize(
    "name",
    [
        "leaf_beetle",
        "weevil_reversed",
        "wulfenite_objective",
        "calcite_by_hand",
        "seed_head_bellows",
        "fly_wing_coupled",
        "water_flea_finite",
    ],
)
def test_csv_read_back_is_the_plans_table(plans, name):
    plan = read_plan(plans / f"{name}.plan.yaml")
    header, rows = read_back(csv_text(plan))
    assert header == list(COLUMNS)
    assert rows == [list(row) for row in zip(*plan.frames.columns(), strict=True)]


def test_lines_end_in_crlf_and_no_cell_needs_quotes(planned):
    text = csv_text(planned())
    assert text.count("\r\n") == text.count("\n") == len(planned().frames) + 1
    assert '"' not in text


def test_what_is_not_known_is_empty(planned):
    text = csv_text(planned(rail=None))
    _, rows = read_back(text)
    assert {row[list(COLUMNS).index("position_microsteps")] for row in rows} == {None}
    assert "None" not in text


def test_every_dimensional_column_carries_its_unit_in_the_header():
    assert all(column.unit is None or name.endswith(f"_{column.unit}") for name, column in COLUMNS.items())
