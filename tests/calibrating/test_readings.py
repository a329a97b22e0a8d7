import numpy as np
import pytest

from stacker.calibrating.readings import parse_readings
from stacker.errors import InputError

GOOD = """\
# dial indicator on the carriage
position_mm,reading_mm,approached
10,0,up   # zeroed here
10.25,0.251,up

10.25,0.266,DOWN
"""


def faults_of(text):
    with pytest.raises(InputError) as caught:
        parse_readings(text, "screw.csv", microstep_um=0.625)
    return [str(fault) for fault in caught.value.faults]


def test_columns_in_um_with_their_lines():
    found = parse_readings(GOOD, "screw.csv", microstep_um=0.625)
    np.testing.assert_allclose(found.position_um, [10_000, 10_250, 10_250])
    np.testing.assert_allclose(found.reading_um, [0, 251, 266])
    np.testing.assert_array_equal(found.approached, [1, 1, -1])
    assert found.line == (3, 4, 6)


def test_microsteps_and_micrometres_in_any_order():
    found = parse_readings("approached,reading_um,position_microsteps\nup,12.5,3200\n", "a", microstep_um=0.625)
    assert (found.position_um[0], found.reading_um[0]) == (2000, 12.5)


@pytest.mark.parametrize("cell", ["1" * 200_000, "\0", '"1'])
def test_a_line_that_cannot_be_taken_apart_is_a_fault_of_its_line(cell):
    """The library gives up on a null character (before Python 3.11) and on a value longer than 131,072 signs."""
    (fault,) = faults_of(f"position_mm,reading_mm,approached\n1,2,up\n{cell},2,up\n")
    assert fault.startswith("screw.csv:3:1: ")
    assert len(fault) < 200


def test_semicolons_allow_decimal_commas():
    text = "position_mm;reading_mm;approached\n10,25;0,251;up\n"
    assert parse_readings(text, "a", microstep_um=1).reading_um[0] == pytest.approx(251)


def test_all_faults_are_told_with_their_lines():
    text = "position_mm,reading_mm,approached\n1,2,up\n1,nan,up\nx,2,left\n3,4,2,up\n"
    assert faults_of(text) == [
        "screw.csv:3:1: reading_mm: found 'nan'; write a number",
        "screw.csv:4:1: position_mm: found 'x'; write a number",
        "screw.csv:4:1: approached: found 'left'; write up or down",
        "screw.csv:5:1: found 4 values under 3 columns; write one a column, decimal points, or semicolons between "
        "values",
    ]


@pytest.mark.parametrize(
    "head",
    [
        "position,reading_mm,approached",
        "position_mm,reading_mm",
        "position_mm,position_microsteps,approached",
        "position_mm,reading_mm,approached,note",
        "position_mm,reading_mm,reading_um,approached",
    ],
)
def test_other_columns_are_refused_with_what_to_write(head):
    (fault,) = faults_of(f"{head}\n1,2,up\n")
    assert "write position_mm or position_microsteps, reading_mm or reading_um, and approached" in fault


def test_an_empty_file():
    assert faults_of("# nothing\n") == ["screw.csv: empty; begin with the line 'position_mm,reading_mm,approached'"]
