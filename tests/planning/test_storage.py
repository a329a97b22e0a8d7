import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.errors import Refusal
from stacker.planning.storage import batteries, cards, raw_gb, working_gb


def test_raw_files_of_24_megapixels():
    # Derived: payload bits * pixels / 8: 24 MP at 12, 14, 16 bit are 36, 42, 48 MB (10^6 bytes); 250 frames of each.
    payload_mb = [bits * 24e6 / 8 / 1e6 for bits in (12, 14, 16)]
    assert payload_mb == [36, 42, 48]
    assert [raw_gb(frames=250, raw_mb=each) for each in payload_mb] == [9, 10.5, 12]


def test_working_space_is_all_frames_and_the_result():
    # Derived: 6000 * 4000 pixels * 6 bytes = 144 MB; 99 frames and the result are 100 of them.
    assert working_gb(frames=99, pixels=6000 * 4000) == pytest.approx(14.4, rel=1e-12)


@pytest.mark.parametrize(
    ("frames", "raw_mb", "card_gb", "expected"),
    # Derived by hand. 64 GB hold 2560 files of 25 MB, and 2 of 30 MB need 64 MB: a file is never split.
    [
        (2560, 25, 64, 1),
        (2561, 25, 64, 2),
        (4, 30, 0.064, 2),
        (5, 30, 0.064, 3),
        (1, 64, 0.064, 1),
        (1, 0.1, 0.0003, 1),
    ],
)
def test_cards(frames, raw_mb, card_gb, expected):
    assert cards(frames=frames, raw_mb=raw_mb, card_gb=card_gb) == expected


@given(frames=st.integers(1, 10**6), raw_mb=st.floats(1, 200), card_gb=st.floats(1, 1000))
def test_the_cards_hold_all_and_one_fewer_would_not(frames, raw_mb, card_gb):
    count = cards(frames=frames, raw_mb=raw_mb, card_gb=card_gb)
    files_a_card = math.floor(1000 * card_gb / raw_mb * (1 + 1e-9))
    assert count * files_a_card >= frames > (count - 1) * math.floor(1000 * card_gb / raw_mb)


def test_a_card_too_small_for_one_file_is_refused():
    with pytest.raises(Refusal) as caught:
        cards(frames=1, raw_mb=65, card_gb=0.064)
    assert str(caught.value) == ("A raw file of 65 MB does not fit on a card of 0.064 GB; check raw_mb and card_gb.")
    assert caught.value.key == "camera.card_gb"


@pytest.mark.parametrize(
    ("frames", "minutes", "rating", "expected"),
    # CIPA DC-002 (read in extracts) rates one frame each 30 s: a rating of 420 frames is 210 minutes by the clock.
    [
        pytest.param(420, 210, 420, 1, id="both exactly one"),
        pytest.param(421, 10, 420, 2, id="by frames"),
        pytest.param(50, 210.1, 420, 2, id="by the clock"),
        pytest.param(840, 420, 420, 2, id="at the rated pace of a frame each 30 s both agree"),
        pytest.param(1, 0.1, 420, 1, id="rounded up"),
    ],
)
def test_batteries(frames, minutes, rating, expected):
    assert batteries(frames=frames, duration_s=minutes * 60, battery_frames=rating) == expected
