"""Subsets of tubes, by hand."""

from __future__ import annotations

import math

import pytest

from stacker.errors import Refusal
from stacker.optics.focusing import FocusingLens
from stacker.planning.tubes import tube_rows

LENS = {
    "ring": FocusingLens(focal_length_mm=50, max_magnification=0.2),
    "f_number": 4,
    "sensor_mm": (24, 16),
    "columns": 6000,
}


def test_one_tube_by_hand():
    bare, tube = tube_rows(**LENS, tubes_mm=(12,), subject_width_mm=40, front_offset_mm=30)
    assert (bare.tubes_mm, tube.tubes_mm) == ((), (12,))
    assert (bare.from_magnification, bare.magnification) == pytest.approx((0, 0.2))
    assert (tube.from_magnification, tube.magnification) == pytest.approx((0.24, 0.44))  # 12/50 more
    assert tube.field_mm == pytest.approx((24 / 0.44, 16 / 0.44))
    assert tube.effective_f_number == pytest.approx(4 * 1.44)  # N (1 + m)
    assert tube.light_loss_stops == pytest.approx(2 * math.log2(1.44))
    assert tube.working_distance_mm == pytest.approx(50 * (1 + 1 / 0.44) - 30)
    # an Airy disk of 2.43934 lam N (1 + m) is three pixels of 4 um wide there, the default of a request
    assert 2.43934 * 0.55 * tube.diffraction_f_number * 1.44 == pytest.approx(12, rel=1e-5)
    # 40 mm on 24 mm: at m it fills 40 m/24 of the width, and 0.6 to 0.95 frames it
    assert bare.subject_fills == pytest.approx((0, 0.2 * 40 / 24))
    assert tube.subject_fills == pytest.approx((0.24 * 40 / 24, 0.44 * 40 / 24))
    assert (bare.frames_subject, tube.frames_subject) == (False, True)


@pytest.mark.parametrize(
    ("width_mm", "frames"),
    # by hand: 12 mm fill 0.12 to 0.22 of the width, 99 mm from 0.99 on; 94 mm from 0.94 on, 33 mm up to 0.605
    [(12, False), (99, False), (94, True), (33, True), (32, False)],
)
def test_a_subject_is_framed_where_the_focus_ring_reaches_a_good_share(width_mm, frames):
    (tube,) = (row for row in tube_rows(**LENS, tubes_mm=(12,), subject_width_mm=width_mm) if row.tubes_mm)
    assert tube.frames_subject is frames


@pytest.mark.parametrize(
    ("width_mm", "missing_mm"),
    [
        # by hand: the tube of 12 mm reaches from 0.24 to 0.44; 32 mm should be drawn at 0.6 * 24/32 = 0.45 or more,
        # 50 * 0.01 = 0.5 mm more; 12 mm at 1.2, 38 mm more; 100 mm at 0.95 * 24/100 = 0.228 at most, 0.6 mm less
        (32, 1),
        (12, 38),
        (100, -1),
        (40, None),  # it is framed
    ],
)
def test_what_extension_would_frame_a_subject_is_told_in_whole_millimetres(width_mm, missing_mm):
    (tube,) = (row for row in tube_rows(**LENS, tubes_mm=(12,), subject_width_mm=width_mm) if row.tubes_mm)
    assert tube.extension_missing_mm == missing_mm
    if missing_mm:
        changed = tube_rows(**LENS, tubes_mm=(12 + missing_mm,), subject_width_mm=width_mm)[-1]
        assert changed.frames_subject


def test_equal_tubes_are_told_once_by_rising_extension():
    rows = tube_rows(**LENS, tubes_mm=(20, 12, 12))
    assert [row.tubes_mm for row in rows] == [(), (12,), (20,), (12, 12), (12, 20), (12, 12, 20)]
    assert {row.frames_subject for row in rows} == {None}


def test_more_tubes_than_anybody_carries_are_refused():
    assert len(tube_rows(**LENS, tubes_mm=[1, 2, 4, 8, 16, 32, 64, 128])) == 256
    with pytest.raises(Refusal, match="found 9 tubes; give at most 8"):
        tube_rows(**LENS, tubes_mm=range(1, 10))
