"""Which files are one exposure, which are copies, how numbers go on: by lists of files made up here."""

from __future__ import annotations

from pathlib import Path

import pytest

from stacker.pictures.soundness import Look
from stacker.verifying.exposures import File, Picture, counted_on, paired, without_copies
from stacker.verifying.faults import faults_of


def file(name, written_s=0.0, exif_s=None, *, size=1000, **look):
    made = File(path=Path(name), size=size, written_s=written_s, exif_s=exif_s, look=Look(**{"followed": True, **look}))
    made.stem = made.path.stem
    made.taken_s = written_s if exif_s is None else exif_s
    return made


def groups(*files, resolution_s=1.0):
    pictures, _ = paired(files, resolution_s)
    return sorted(tuple(map(str, picture.files)) for picture in pictures)


@pytest.mark.parametrize(
    ("one", "other", "together"),
    [
        (file("A1.raw", 0, 5.0), file("A1.jpg", 900, 5.1), True),  # whatever a disk says, the camera took both then
        (file("A1.raw", 0, 5.0), file("A1.jpg", 0, 5.11), False),
        (file("A1.raw", 0, 5.0), file("A1.jpg", 0, 4.85), False),
        (file("A1.raw", 10), file("A1.jpg", 13), True),
        (file("A1.raw", 10), file("A1.jpg", 13.1), False),
        (file("A1.raw", 10, 5.0), file("A1.jpg", 13), True),  # only one knows its capture time
        (file("A1.raw", 10), file("a1.JPG", 10), True),
        (file("A1.raw", 10), file("sub/A1.raw", 10), False),  # of one kind: two exposures of two cards
        (file("A1.raw", 10), file("A2.jpg", 12), False),
    ],
)
def test_a_pair_has_one_name_and_one_moment(one, other, together):
    alone = [file(f"Z{n}.raw", 9000.0 + 20 * n) for n in range(4)]  # so that pairs are not the rule
    assert len(groups(one, other, *alone)) == (5 if together else 6)
    assert len(groups(other, one, *alone)) == (5 if together else 6)


def test_a_third_file_must_fit_both():
    files = file("A1.raw", 0), file("A1.jpg", 2), file("A1.tif", 4)
    assert groups(*files) == [("A1.raw", "A1.jpg"), ("A1.tif",)]


def test_where_pairs_are_the_rule_a_renamed_one_is_found_by_its_moment():
    whole = [file(f"A{n}.{ending}", 20.0 * n) for n in range(1, 5) for ending in ("raw", "jpg")]
    raw, jpeg = file("A9.raw", 200.0), file("mine.jpg", 200.6)
    assert ("A9.raw", "mine.jpg") in groups(*whole, raw, jpeg, resolution_s=0.01)
    late = file("mine.jpg", 200.7)
    assert ("A9.raw",) in groups(*whole, raw, late, resolution_s=0.01)
    assert ("A9.raw", "mine.jpg") in groups(*whole, raw, late, resolution_s=1.0)  # as near as times tell
    assert ("A9.raw",) in groups(*whole, raw, file("A8.raw", 200.1))  # two raw files are no pair
    third = groups(*whole, raw, jpeg, file("yours.jpg", 200.7))
    assert ("A9.raw", "mine.jpg") in third
    assert ("yours.jpg",) in third
    assert len(third) == 6
    # three raw files for each JPEG: those of one moment are none
    rare = [file(f"A{n}.raw", 20.0 * n) for n in range(1, 5)]
    assert ("A9.raw",) in groups(*rare, raw, file("A1.jpg", 20.0), jpeg)
    # six JPEGs to ten raw files are pairs enough, five are not
    for count, found in ((5, True), (4, False)):
        some = [file(f"A{n}.jpg", 20.0 * n) for n in range(1, count + 1)]
        raws = [file(f"A{n}.raw", 20.0 * n) for n in range(1, 10)]
        assert (
            ("A99.raw", "mine.jpg") in groups(*raws, *some, file("A99.raw", 999.0), file("mine.jpg", 999.1))
        ) == found


def test_a_picture_has_its_first_time_and_its_number():
    (one,), undated = paired([file("IMG_0042.raw", 7.4), file("IMG_0042.jpg", 7.2)], 1.0)
    assert (one.taken_s, one.prefix, one.number, one.digits) == (7.2, "IMG_", 42, 4)
    assert one.kinds == {".raw", ".jpg"}
    assert undated == []
    (bare,), _ = paired([file("front.jpg", 1.0)], 1.0)
    assert (bare.prefix, bare.number, bare.digits) == ("front", None, 0)
    lost = file("x1.jpg")
    lost.taken_s = None
    assert paired([lost], 1.0) == ([], [lost])


def numbers(*names):
    made = [
        Picture(files=(Path(f"{prefix}{number}"),), taken_s=0.0, prefix=prefix, number=number, digits=4)
        for prefix, number in names
    ]
    return [one.number for one in counted_on(made)]


@pytest.mark.parametrize(
    ("read", "counted"),
    [
        ((9998, 9999, 1, 2), [9998, 9999, 10000, 10001]),
        ((9998, 9999, 0, 1), [9998, 9999, 10000, 10001]),  # this counter knows a 0
        ((9999, 1, 9998, 2), [9999, 10000, 9998, 10001]),  # two of one second, sorted the wrong way round
        ((9000, 4000), [9000, 4000]),  # 5000 back is no roll-over, and one more is
        ((9001, 4000), [9001, 13999]),
        ((1, 9000), [1, 9000]),  # before any roll-over a large number is one
        ((9999, 1, 5001), [9999, 10000, 15000]),
        ((9999, 1, 5002), [9999, 10000, 5002]),
        ((9999, 1, 9999, 1), [9999, 10000, 9999, 10000]),
        ((9999, None, 1), [9999, None, 10000]),
    ],
)
def test_a_counter_that_rolled_over_goes_on(read, counted):
    assert numbers(*(("P", number) for number in read)) == counted


def test_each_prefix_counts_by_itself():
    found = numbers(("P", 9999), ("Q", 3), ("P", 1), ("Q", 4))
    assert sorted(found) == [3, 4, 9999, 10000]


def test_copies_are_set_aside(tmp_path):
    def put(name, data, written_s=0.0):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(data)
        return file(name, written_s, size=len(data))

    files = [
        put("A1.jpg", b"one"),
        put("A1 (1).jpg", b"another"),  # named a copy of one that is there
        put("A2 (1).jpg", b"two"),  # of one that is not
        put("B7.jpg", b"one"),  # the same bytes at the same time
        put("B8.jpg", b"eno"),  # as many, but others
        put("C1.jpg", b"one", 5.0),  # at another time
        put("D1.tif", b"one"),  # of another kind
        put("E1.jpg", b""),
        put("E2.jpg", b""),  # two empty files are no copies
        put("sub/A1 copy.jpg", b"far"),
        put("A1_COPY 2.JPG", b"yet another"),
    ]
    kept, copies = without_copies(files, tmp_path)
    assert sorted(map(str, copies)) == ["A1 (1).jpg", "A1_COPY 2.JPG", "B7.jpg"]
    assert len(kept) == len(files) - 3
    assert next(one.stem for one in kept if one.path.name == "A2 (1).jpg") == "A2"


def wrong(*files, **options):
    faults, unfollowed = faults_of(files, **options)
    return {str(path): why for path, why in faults.items()}, unfollowed


def test_a_broken_file_is_one_unless_most_raw_files_of_its_kind_are():
    cut = {"broken": "cut short"}
    whole = [file(f"A{n}.raw", n) for n in range(3)]
    two = [file(f"B{n}.raw", n, **cut) for n in range(3)]
    assert wrong(*whole, *two)[0].keys() == {"B0.raw", "B1.raw", "B2.raw"}  # half of them may be
    assert wrong(*whole[:2], *two) == ({}, (".raw",))
    lost = file("C.raw", lost="empty")
    assert wrong(*whole[:2], *two, lost) == ({"C.raw": "empty"}, (".raw",))  # 3 of 5, the sixth is none at all
    jpegs = [file(f"B{n}.jpg", n, **cut) for n in range(3)]
    assert wrong(*jpegs)[0] == {f"B{n}.jpg": "cut short" for n in range(3)}  # a standard has no builds of its own


def test_a_kind_that_cannot_be_followed_is_named():
    assert wrong(file("A.xyz", followed=False), file("B.jpg")) == ({}, (".xyz",))
    assert wrong(file("A.XYZ", lost="empty", followed=False))[1] == ()


def test_zeros_at_the_end_are_more_than_padding_and_more_than_usual():
    def ends(*zeros):
        return list(wrong(*(file(f"{n}.raw", n, zeros_at_end=zero) for n, zero in enumerate(zeros)))[0])

    assert ends(0, 0, 65_536) == []
    assert ends(0, 0, 65_537) == ["2.raw"]
    assert ends(40_000, 40_000, 80_000) == []
    assert ends(40_000, 40_000, 80_001) == ["2.raw"]
    assert wrong(file("a.raw", zeros_at_end=0), file("b.raw", 1, zeros_at_end=70_000), file("c.raw", 2))[0] == {
        "b.raw": "nothing but zeros in its last 70,000 bytes"
    }


def test_far_smaller_is_a_quarter_unless_sizes_come_down_bit_by_bit():
    def small(*sizes, **options):
        found, _ = wrong(*(file(f"{n}.jpg", n, size=size) for n, size in enumerate(sizes)), **options)
        return list(found)

    assert small(1000, 250, 1000, 1000) == []
    assert small(1000, 249, 1000, 1000) == ["1.jpg"]
    assert small(1000, 249, 1000, 1000, compare_sizes=False) == []
    assert small(1000, 1000, 1000, 1000, 1000, 500, 251, 126) == []  # toward the back, each more than half of the last
    assert small(126, 251, 500, 1000, 1000, 1000, 1000, 1000) == []  # and from the front
    assert small(1000, 1000, 1000, 1000, 1000, 500, 251, 125) == ["7.jpg"]
    assert small(1000, 1000, 1000, 1000, 100, 90) == ["4.jpg", "5.jpg"]
    found, _ = wrong(*(file(f"{n}.jpg", n, size=size) for n, size in enumerate((800, 100, 800, 900))))
    assert found == {"1.jpg": "far smaller (100 bytes) than half of them (800 or more)"}
    # in order of time, whatever their names
    late = [file("z.jpg", 0, size=1000), file("y.jpg", 1, size=400), file("a.jpg", 2, size=210)]
    rest = [file(f"r{n}.jpg", 10 + n, size=1000) for n in range(5)]
    assert wrong(*late, *rest)[0] == {}
