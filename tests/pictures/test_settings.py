import sys

import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from stacker.errors import Refusal
from stacker.pictures.settings import Settings, settings_of


def shot(path, **tags):
    """A picture with settings (EXIF 2.32, section 4.6.5; numbers from memory), fractions as cameras write them."""
    numbers = {"exposure": 0x829A, "f_number": 0x829D, "iso": 0x8827, "focal": 0x920A, "balance": 0xA403}
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({numbers[name]: value for name, value in tags.items()})
    Image.new("L", (32, 24)).save(path, exif=exif)
    return path


def test_what_the_camera_wrote(tmp_path):
    path = shot(
        tmp_path / "a.jpg",
        exposure=IFDRational(1, 160),
        f_number=IFDRational(56, 10),
        iso=200,
        focal=IFDRational(105),
        balance=1,
    )
    found = settings_of(path)
    assert found.exposure_s == pytest.approx(1 / 160, rel=1e-4)
    assert (found.f_number, found.iso, found.focal_length_mm) == pytest.approx((5.6, 200, 105))
    assert found.white_balance == "Manual"


def test_a_lens_without_contacts_tells_nothing(tmp_path):
    found = settings_of(
        shot(tmp_path / "a.jpg", exposure=IFDRational(1, 2), f_number=IFDRational(0, 0), focal=IFDRational(0))
    )
    assert found == Settings(exposure_s=0.5)


@pytest.mark.parametrize("data", [b"", b"text", b"\xff\xd8\xff\xe1\0\x10Exif\0\0II*\0\xff\xff\xff\xff\xff\xd9"])
def test_a_file_without_settings_holds_none(tmp_path, data):
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    assert settings_of(path) == Settings()


def test_without_the_reader_it_says_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "exifread", None)
    with pytest.raises(Refusal, match=r'pip install "\.\[look\]"'):
        settings_of(tmp_path / "a.jpg")
