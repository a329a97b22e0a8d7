import sys

import numpy as np
import pytest
from PIL import Image

from stacker.errors import Refusal
from stacker.pictures.reading import read_grey


def corner() -> np.ndarray:
    """A picture whose upper left corner alone is bright."""
    grey = np.zeros((40, 60), np.uint8)
    grey[:20, :20] = 200
    return grey


# What each value says of where the upper left corner went: EXIF 2.32, tag Orientation (from memory).
@pytest.mark.parametrize(
    ("orientation", "bright"),
    [(1, (0, 0)), (2, (0, -1)), (3, (-1, -1)), (4, (-1, 0)), (6, (0, -1)), (8, (-1, 0))],
)
def test_a_picture_comes_upright(tmp_path, orientation, bright):
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(corner()).save(tmp_path / "a.jpg", exif=exif)
    grey = read_grey(tmp_path / "a.jpg")
    assert grey.shape == ((60, 40) if orientation > 4 else (40, 60))
    assert grey[bright] > 150
    assert grey[~bright[0], ~bright[1]] < 50  # the corner across


def test_colours_become_brightness_and_sixteen_bits_stay(tmp_path):
    colour = np.stack([corner()] * 3, axis=-1)
    Image.fromarray(colour).save(tmp_path / "a.tif")
    assert np.array_equal(read_grey(tmp_path / "a.tif"), corner())
    deep = corner().astype(np.uint16) * 257
    Image.fromarray(deep).save(tmp_path / "b.tif")
    assert np.array_equal(read_grey(tmp_path / "b.tif"), deep)


@pytest.mark.parametrize("data", [b"", b"not a picture", None], ids=["empty", "text", "cut"])
def test_what_is_no_whole_picture_is_refused(tmp_path, data):
    path = tmp_path / "a.jpg"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (400, 600), dtype=np.uint8)).save(path)
    path.write_bytes(path.read_bytes()[:20_000] if data is None else data)
    with pytest.raises(Refusal, match="found no whole JPEG, TIFF or PNG picture"):
        read_grey(path)
    with pytest.raises(Refusal, match="there is no such file"):
        read_grey(tmp_path / "none.jpg")


def test_without_pillow_it_says_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(Refusal, match=r'pip install "\.\[look\]"'):
        read_grey(tmp_path / "a.jpg")
