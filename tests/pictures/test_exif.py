"""Capture times that a camera wrote into its files."""

from __future__ import annotations

import logging
import sys

import pytest
from PIL import Image

from stacker.pictures.exif import exif_reader


def written(path, taken=None, fraction=None):
    picture, exif = Image.new("L", (8, 8)), Image.Exif()
    inside = exif.get_ifd(0x8769)
    if taken is not None:
        inside[0x9003] = taken
    if fraction is not None:
        inside[0x9291] = fraction
    picture.save(path, exif=exif)
    return path


# 2031-03-04 21:15:09 as if it were UTC, by `date -u -d '2031-03-04 21:15:09' +%s`
WHOLE_S = 1_930_425_309


@pytest.mark.parametrize(
    ("fraction", "more_s"), [(None, 0), ("5", 0.5), ("05", 0.05), ("470 ", 0.47), ("", 0), ("x1", 0)]
)
def test_the_time_is_read_with_its_fraction_of_a_second(tmp_path, fraction, more_s):
    pytest.importorskip("exifread")
    read = exif_reader()
    path = written(tmp_path / "one.jpg", "2031:03:04 21:15:09", fraction)
    assert read(path) == pytest.approx(WHOLE_S + more_s, abs=1e-6)


def test_a_file_without_a_time_has_none_and_nobody_is_warned(tmp_path, caplog):
    pytest.importorskip("exifread")
    read = exif_reader()
    (tmp_path / "no.jpg").write_bytes(b"\xff\xd8nothing")
    assert read(tmp_path / "no.jpg") is None
    assert read(written(tmp_path / "none.jpg")) is None
    assert read(written(tmp_path / "odd.jpg", "yesterday")) is None
    assert read(tmp_path / "absent.jpg") is None
    assert logging.getLogger("exifread").level == logging.CRITICAL
    assert not caplog.records


def test_without_the_extra_there_is_no_reader(monkeypatch):
    monkeypatch.setitem(sys.modules, "exifread", None)
    assert exif_reader() is None
