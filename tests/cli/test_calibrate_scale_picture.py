"""``stacker calibrate scale --ruler``: from a picture to the request, its frames, and a drawing."""

from __future__ import annotations

import io
import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from darkroom.camera import Body, photograph
from darkroom.ruler import Ruler

from stacker.documents.loading import load_request

SHAPE = (420, 1260)
REQUEST = """\
# on the bench
rig: {kind: lens, focal_length_mm: 50, max_magnification: 0.15, f_number: 4, tubes_mm: [36]}   # f/4
camera: {sensor_mm: [25.2, 8.4], pixels: [1260, 420]}
subject: {depth_mm: 30}
"""


@cache  # a third of a second each
def picture(seed: int, ruler: Ruler) -> bytes:
    rng, held = np.random.default_rng(seed), io.BytesIO()
    photograph(ruler.scene(rng), held, Body(), rng)
    return held.getvalue()


def take(path: Path, seed: int = 1, **ruler: object) -> None:
    path.write_bytes(picture(seed, Ruler(**{"shape": SHAPE, "spacing_px": 44.0, "rotation_deg": 2.0} | ruler)))


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("mine.yaml").write_text(REQUEST, encoding="utf-8")
    take(Path("ruler.jpg"))
    return tmp_path


def test_the_picture_gives_the_magnification_and_what_it_does_to_the_frames(bench, stacker):
    done = stacker("calibrate", "scale", "mine.yaml", "--ruler", "ruler.jpg", "--line-mm", "1")
    assert done.code == 0, done.err
    # By hand: 44 pixels of 20 um for each millimetre, 0.88x; the ruler's 0.02 mm over 27 mm are 0.0013 at 95 %.
    assert "magnification" in done.out
    assert done.out.startswith("0.88")
    words = " ".join(done.out.split())
    assert "three bands of them agree to 0.0" in words
    assert "The plan goes from" in words
    assert "rig:\n    measured_magnification: 0.88" in done.out
    assert Path("mine.yaml").read_text(encoding="utf-8") == REQUEST
    assert max(map(len, done.out.splitlines())) <= 80


def test_it_is_written_with_every_comment_kept_and_counted_in_the_plan(bench, stacker):
    before = json.loads(stacker("plan", "mine.yaml", "--json").out)["result"]["coverage"]["frame_count"]
    done = stacker("calibrate", "scale", "mine.yaml", "--ruler", "ruler.jpg", "--line-mm", "1", "--write", "--json")
    result = json.loads(done.out)["result"]
    after = json.loads(stacker("plan", "mine.yaml", "--json").out)["result"]["coverage"]["frame_count"]
    assert result["frames"] == [before, after]
    assert load_request("mine.yaml").value.rig.measured_magnification == pytest.approx(0.88, abs=3e-4)
    text = Path("mine.yaml").read_text(encoding="utf-8")
    assert text.startswith("# on the bench\n")
    assert "# f/4\n" in text
    assert result["line_count"] == 28  # 1260/44 are 28.6: the last one is cut
    assert result["rotation_deg"] == pytest.approx(2, abs=0.1)


def test_a_second_picture_gives_the_entrance_pupil(bench, stacker):
    take(Path("after.jpg"), seed=2, spacing_px=40.0, blur_px=5.0)
    arguments = ("--ruler", "ruler.jpg", "--line-mm", "1", "--moved-mm", "8", "--ruler-after", "after.jpg")
    done = stacker("calibrate", "scale", "mine.yaml", *arguments, "--json")
    # By hand: u = 8 * 40/(44 - 40) = 80 mm.
    assert json.loads(done.out)["result"]["entrance_pupil_mm"]["value"] == pytest.approx(80, rel=0.01)


def test_the_fit_is_drawn(bench, stacker):
    pytest.importorskip("matplotlib")
    arguments = ("--ruler", "ruler.jpg", "--line-mm", "1", "--picture", "fit.svg")
    assert stacker("calibrate", "scale", "mine.yaml", *arguments).code == 0
    assert Path("fit.svg").read_text(encoding="utf-8").count("<use") > 60


def test_a_turned_picture_is_the_same(bench, stacker):
    from PIL import Image

    exif = Image.Exif()
    exif[0x0112] = 6
    with Image.open("ruler.jpg") as image:
        image.save("turned.jpg", exif=exif, quality=95)
    values = [
        json.loads(stacker("calibrate", "scale", "mine.yaml", "--ruler", name, "--line-mm", "1", "--json").out)
        for name in ("ruler.jpg", "turned.jpg")
    ]
    one, other = (value["result"]["magnification"]["value"] for value in values)
    assert one == pytest.approx(other, rel=1e-4)


@pytest.mark.parametrize(
    ("ruler", "line_mm", "said"),
    [
        ({"shape": (210, 630), "spacing_px": 22.0}, "1", "found 630 x 210 pixels; a picture of this camera has 1260"),
        ({"shape": (420, 1100)}, "1", "found 1100 x 420 pixels"),
        ({"lengths": ((1, 3.0), (2, 5.5)), "spacing_px": 26.0, "digits": False}, "1", "every second line is longer"),
        ({"contrast": 0.0}, "1", "no row of at least 15 equal lines was found"),
    ],
    ids=["smaller", "cropped", "half_units", "empty"],
)
def test_pictures_that_cannot_tell_are_refused_and_nothing_is_written(bench, stacker, ruler, line_mm, said):
    take(Path("bad.jpg"), **ruler)
    arguments = ("--ruler", "bad.jpg", "--line-mm", line_mm, "--write")
    done = stacker("calibrate", "scale", "mine.yaml", *arguments)
    assert (done.code, done.out) == (1, "")
    assert done.err.startswith("bad.jpg: ")
    assert said in " ".join(done.err.split())
    assert Path("mine.yaml").read_text(encoding="utf-8") == REQUEST


def test_half_units_are_measured_when_they_are_called_so(bench, stacker):
    take(Path("half.jpg"), lengths=((1, 3.0), (2, 5.5)), spacing_px=26.0, digits=False)
    done = stacker("calibrate", "scale", "mine.yaml", "--ruler", "half.jpg", "--line-mm", "0.5", "--json")
    # By hand: 26 pixels of 20 um for half a millimetre.
    assert json.loads(done.out)["result"]["magnification"]["value"] == pytest.approx(1.04, rel=1e-3)
