import base64
import io

import numpy as np
import pytest
from darkroom.dng import write_dng
from PIL import Image

from stacker.errors import Refusal
from stacker.pictures.preview import read_for_looking, thumbnail


def jpeg(level: int, size: tuple[int, int], **more) -> bytes:
    """An even JPEG of some width and height, without colours."""
    held = io.BytesIO()
    Image.new("L", size, level).save(held, "JPEG", **more)
    return held.getvalue()


def raw_like(*parts: bytes) -> bytes:
    """Bytes that only resemble a raw file: what is in it lies somewhere between other bytes."""
    rng = np.random.default_rng(1)
    between = rng.integers(0, 255, 5000, dtype=np.uint8).tobytes()
    return b"II*\0" + between + between.join(parts) + between


def test_of_a_raw_file_the_largest_jpeg_is_read(tmp_path):
    small, large = jpeg(40, (320, 240)), jpeg(90, (640, 480))
    path = tmp_path / "a.rw9"
    for parts in ((small, large), (large, small)):
        path.write_bytes(raw_like(*parts))
        grey = read_for_looking(path)
        assert grey.shape == (480, 640)
        assert abs(int(grey[200, 300]) - 90) <= 1


def test_a_picture_inside_a_preview_is_no_larger_than_it(tmp_path):
    """A preview carries a little picture of its own in its header."""
    little = jpeg(40, (160, 120))
    outer = jpeg(90, (640, 480))
    held = outer[:2] + b"\xff\xe1" + (len(little) + 2).to_bytes(2, "big") + little + outer[2:]
    path = tmp_path / "a.rw9"
    path.write_bytes(raw_like(held))
    assert read_for_looking(path).shape == (480, 640)


def test_a_progressive_jpeg_counts_and_raw_data_packed_without_loss_does_not(tmp_path):
    path = tmp_path / "a.rw9"
    path.write_bytes(raw_like(jpeg(90, (640, 480), progressive=True)))
    assert read_for_looking(path).shape == (480, 640)
    # ITU-T T.81, table B.1: 0xC3 begins a frame without loss; here a picture of which only the marker is changed
    packed = jpeg(90, (4000, 3000)).replace(b"\xff\xc0", b"\xff\xc3", 1)
    path.write_bytes(raw_like(packed, jpeg(40, (640, 480))))
    assert read_for_looking(path).shape == (480, 640)


@pytest.mark.parametrize(("width", "counts"), [(320, True), (319, False)])
def test_a_preview_is_320_pixels_long_at_least(tmp_path, width, counts):
    path = tmp_path / "a.rw9"
    path.write_bytes(raw_like(jpeg(90, (240, width))))
    if counts:
        assert read_for_looking(path).shape == (width, 240)
    else:
        with pytest.raises(Refusal, match="found no JPEG inside"):
            read_for_looking(path)


HUGE = b"\xc0\x00\x11\x08\x27\x10\x27\x10\x01"  # a frame of 10,000 x 10,000 pixels (ITU-T T.81, B.2.2), its 0xFF apart


@pytest.mark.parametrize(
    "misleading",
    [
        b"\xff\xd8\xff\xe0\0\4ab\0" + HUGE,  # no segment begins like that
        b"\xff\xd8\xff\xda\0\4ab\xff" + HUGE,  # behind the beginning of a scan
        b"\xff\xd8\xff" + HUGE.replace(b"\x08", b"\x0c", 1),  # 12 bits: raw data too
    ],
)
def test_what_only_looks_like_a_large_picture_is_passed_over(tmp_path, misleading):
    path = tmp_path / "a.rw9"
    path.write_bytes(raw_like(misleading, jpeg(40, (640, 480))))
    assert read_for_looking(path).shape == (480, 640)


def test_a_beginning_at_the_very_end_is_none(tmp_path):
    path = tmp_path / "a.rw9"
    path.write_bytes(raw_like(jpeg(40, (640, 480))) + b"\xff\xd8\xff\xc0\0")
    assert read_for_looking(path).shape == (480, 640)


def test_a_raw_file_without_a_preview_says_so(tmp_path):
    path = write_dng(np.full((64, 96), 0.5), tmp_path / "a.dng")
    with pytest.raises(Refusal, match="found no JPEG inside"):
        read_for_looking(path)
    path.write_bytes(raw_like(jpeg(90, (160, 120))))  # for the list on the camera's screen
    with pytest.raises(Refusal, match="found no JPEG inside"):
        read_for_looking(path)
    path.write_bytes(b"")
    with pytest.raises(Refusal, match="cannot be read"):
        read_for_looking(path)
    path.write_bytes(raw_like(jpeg(90, (640, 480)))[:-6000])
    with pytest.raises(Refusal, match="found no whole JPEG"):
        read_for_looking(path)


def test_many_beginnings_of_jpegs_do_not_keep_it_busy(tmp_path):
    path = tmp_path / "a.rw9"
    path.write_bytes(b"\xff\xd8\xff\xe0\0\2" * 500_000)
    with pytest.raises(Refusal, match="found no JPEG inside"):
        read_for_looking(path)


def test_frames_are_compared_as_the_sensor_lay(tmp_path):
    """A camera that looks down turns its mind about which side is up from frame to frame."""
    grey = np.zeros((40, 60), np.uint8)
    grey[:20, :20] = 200
    read = []
    for orientation in (1, 3, 6):
        exif = Image.Exif()
        exif[0x0112] = orientation
        Image.fromarray(grey).save(tmp_path / "a.jpg", exif=exif)
        read.append(read_for_looking(tmp_path / "a.jpg"))
    assert all(np.array_equal(one, read[0]) for one in read)


def test_sixteen_bits_of_colour_are_read(tmp_path):
    """A TIFF of three times 16 bits, written tag by tag (TIFF 6.0, section 6)."""
    values = np.full((32, 48, 3), 0x8123, "<u2").tobytes()
    bits = 8 + 2 + 12 * 9 + 4
    start = bits + 6
    tags = [(256, 3, 1, 48), (257, 3, 1, 32), (258, 3, 3, bits), (259, 3, 1, 1), (262, 3, 1, 2), (273, 4, 1, start)]
    tags += [(277, 3, 1, 3), (278, 3, 1, 32), (279, 4, 1, len(values))]
    head = b"II*\0" + (8).to_bytes(4, "little") + len(tags).to_bytes(2, "little")
    for tag, kind, count, value in tags:
        head += b"".join(
            number.to_bytes(size, "little") for number, size in ((tag, 2), (kind, 2), (count, 4), (value, 4))
        )
    path = tmp_path / "a.tif"
    path.write_bytes(head + bytes(4) + (16).to_bytes(2, "little") * 3 + values)
    assert read_for_looking(path).shape == (32, 48)
    assert int(read_for_looking(path)[5, 5]) == 0x81


@pytest.mark.parametrize("ending", ["jpg", "png", "tif", "rw9"])
def test_a_small_picture_stands_in_its_own_address(tmp_path, ending):
    path = tmp_path / f"a.{ending}"
    if ending == "rw9":
        path.write_bytes(raw_like(jpeg(90, (640, 480))))
    else:
        Image.new("L", (640, 480), 90).save(path)
    begins, data = thumbnail(path, 160).split(",")
    assert begins == "data:image/jpeg;base64"
    assert Image.open(io.BytesIO(base64.b64decode(data))).size == (160, 120)
