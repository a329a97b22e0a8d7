import sys

import numpy as np
import pytest
from darkroom.dng import write_dng

from stacker.errors import Refusal
from stacker.pictures.raw import read_greens


def test_the_greens_of_a_raw_file_come_linear_and_untouched(tmp_path):
    pytest.importorskip("rawpy")
    mosaic = np.random.default_rng(1).uniform(0, 1, (120, 160))
    sites, green = read_greens(write_dng(mosaic, tmp_path / "a.dng", black=512, white=15_000))
    assert np.allclose(sites, mosaic, atol=1 / (15_000 - 512))  # rounded to whole steps
    assert green[0, 1]
    assert green[1, 0]
    assert green.mean() == 0.5


@pytest.mark.parametrize("name", ["a.jpg", "b.TIF", "c.png"])
def test_developed_pictures_are_refused_with_the_reason(tmp_path, name):
    (tmp_path / name).write_bytes(b"x")
    with pytest.raises(Refusal, match="a developed picture; demosaicing, tone curve and sharpening"):
        read_greens(tmp_path / name)


def test_what_is_no_raw_file_is_refused(tmp_path):
    pytest.importorskip("rawpy")
    (tmp_path / "a.dng").write_bytes(b"not a picture" * 100)
    with pytest.raises(Refusal, match="found no raw file that can be read"):
        read_greens(tmp_path / "a.dng")


def test_without_rawpy_it_says_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(Refusal, match=r'pip install "\.\[raw\]"'):
        read_greens(tmp_path / "a.dng")
