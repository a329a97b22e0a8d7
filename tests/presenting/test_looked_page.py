"""The page of what the pictures show, as text."""

import numpy as np
import pytest
from presenting.test_report import Page

from stacker.looking.blur import Smear
from stacker.looking.depths import Between, Depths, Ends
from stacker.looking.light import Light, Off
from stacker.looking.moved import Moved, Part
from stacker.looking.planes import Planes
from stacker.looking.settings import Alike, Change
from stacker.looking.stack import Looked, Unread
from stacker.looking.steps import Step
from stacker.presenting.looked_page import StackOnPage, doubted, looked_page
from stacker.presenting.looked_text import looked_text

EVIL = "<script>alert(1)</script>\x1b[2J.jpg"
STOPS = {frame: 0.01 * (frame % 3) for frame in range(1, 13)} | {4: -6.5, 9: float("inf")}


def steps(*ratios) -> Depths:
    told = [Step(ratio=ratio, standard_error=0.03) for ratio in ratios]
    return Depths(between=tuple(Between(frames=(at, at + 1), step=step) for at, step in enumerate(told, 1)))


def swapped() -> Depths:
    return steps(1, 1, 2, -1, 2, 1, 1)


def backwards() -> Depths:
    return steps(1, 1, 1, -0.6, 1, 1, 1)


def looked(**more) -> Looked:
    light = Light(
        off=(
            Off(frames=(4,), stops=-6.5),
            Off(frames=(9,), stops=None),
            Off(frames=(10, 11, 12), stops=-0.5, lasting=True),
        ),
        compared=tuple(range(1, 13)),
        spread_stops=0.02,
        stops=STOPS,
    )
    files = {frame: f"{frame}{EVIL}" for frame in range(1, 13)}
    return Looked(**{"files": (files,), "light": (light,), "settings": (Alike(),), **more})


def depths() -> Depths:
    """Four frames: a step of twice the length, one not told, a stall; of four fields one tells nothing."""
    steps = (
        Step(ratio=2.0, standard_error=0.05),
        Step(reason="too few fields tell"),
        Step(ratio=0.001, standard_error=0.03),
        Step(ratio=1.01, standard_error=0.02),
    )
    between = tuple(Between(frames=(n, n + 1), step=step) for n, step in enumerate(steps, 1))
    maps = np.array([[0.0, 800.0], [400.0, np.nan]])
    blank = np.zeros(5)
    fit = Planes(steps=steps, plane_um=blank, depth_um=maps)
    between = (Between(frames=(1, 2), step=steps[0], kept=0.65, planned=0.9), *between[1:])
    return Depths(between=between, planes=fit, ends=Ends(first=1, last=5, inside=3, beyond=0, fields=4))


def page_of(one: Looked) -> str:
    """Two stacks that show the same."""
    small = dict.fromkeys(range(1, 13), "data:image/jpeg;base64,AAAA")
    stack = StackOnPage(name=f"moss{EVIL}", by_names=["Complete: all."], looked=one, seconds=1.0, known=0, small=small)
    return looked_page([stack, stack])


def test_the_page_is_well_formed_and_fetches_nothing():
    text = page_of(looked(unread=(Unread(frame=7, file=EVIL, why=EVIL, broken=True),)))
    read = Page(text)
    assert read.open == []
    names = [attributes["id"] for _, attributes in read.elements if "id" in attributes]
    assert len(names) == len(set(names))
    assert "script" not in {tag for tag, _ in read.elements}
    assert "\x1b" not in text
    sources = {value for _, attributes in read.elements for name, value in attributes.items() if name == "src"}
    assert sources == {"data:image/jpeg;base64,AAAA"}


def test_behind_the_picture_stand_its_numbers():
    table = Page(page_of(looked())).tables[0]
    assert table[0] == ["frame", "stops", "found"]
    assert table[4] == ["4", "-6.50", "off"]
    assert table[9] == ["9", "clipped", "off"]
    assert table[10] == ["10", "-0.50", "off"]  # beside its own neighbours it is not off, beside the others it is
    assert table[1] == ["1", "+0.01", ""]


def test_steps_and_depths_stand_with_their_numbers():
    text = page_of(looked(depths=depths()))
    tables = Page(text).tables
    assert tables[1][1:] == [
        ["1 to 2", "2.00", "0.05", "off"],
        ["2 to 3", "", "", "too few fields tell"],
        ["3 to 4", "0.00", "0.03", "off"],
        ["4 to 5", "1.01", "0.02", ""],
    ]
    assert [row[1] for row in tables[2][1:]] == ["1", "0", "0", "0", "1", "0", "0", "1"]
    assert "3 of 4 steps are told, 2 of them are off" in text
    assert "3 of 4 fields tell where they are sharpest" in text


def test_of_frames_in_a_row_the_first_stands_beside_its_neighbours():
    assert doubted(looked(), 9) == {4: (3, 4, 5), 9: (8, 9, 10)}
    assert doubted(looked(), 1) == {4: (3, 4, 5)}
    assert doubted(Looked(files=()), 9) == {}
    there = ({frame: f"{frame}.jpg" for frame in range(1, 10)},)
    for back in (False, True):  # where it lies elsewhere for the first time, beside where it lay before
        moved = Moved(parts=(Part(frames=(5, 6), shift_px=9, back=back),))
        assert doubted(Looked(files=there, moved=moved), 9) == {6: (5, 6, 7)}


@pytest.mark.parametrize(
    ("one", "told"),
    [
        (looked(), "frames 10-12 are dimmer by 0.5 stops than the others"),
        (looked(), "frame 9 is brighter than its neighbours, and clipped: cannot tell by how much"),
        (looked(unsure=(2, 3)), "Not into those of frames 2-3: no picture there is certainly theirs"),
        (looked(latest=(2,)), "Taken more than once, so the latest was looked into: 2."),
        (looked(other_size=(2,)), "Of another size than the others, so compared with none: frame 2."),
        (looked(light=(Light(),)), "light    cannot tell, because fewer than 6 pictures have fields"),
        (looked(light=(Light(compared=(1, 2, 3), untold=(4,)),)), "frame 4: cannot tell, because nearly all is black"),
        (
            looked(light=(Light(compared=(1, 2), least_stops=0.5),)),
            "it flickers: cannot tell what differs by less than 0.50",
        ),
        (looked(light=(Light(compared=(1,)),) * 2), "light    picture 1 of 2: 1 of 1 within 0.00 stops"),
        (looked(depths=depths()), "planes   1 to 2 is 2.00 of the planned step (0.05): the seam keeps 65%, not 90%"),
        (looked(depths=depths()), "frame 4 is as frame 3: 0.00 of the planned step (0.03)"),
        (
            looked(depths=swapped()),
            "frames 4 and 5 have changed places: each shows the depth of the other; which file is which? 7 of 7 steps",
        ),
        (looked(depths=backwards()), "frame 5 lies before frame 4: -0.60 of the planned step (0.03)"),
        (looked(depths=depths()), "3 of 4 steps measured, the rest of them 1.01 to 1.01 of the planned"),
        (looked(depths=depths()), "1 cannot be told, because too few fields tell (2 to 3)"),
        (looked(depths=depths()), "reach    3 of 4 fields peak inside 1 cannot be told, because they have no detail"),
        (
            looked(depths=Depths(ends=Ends(first=1, last=9, inside=90, before=3, beyond=9, fields=110))),
            "3 of 110 fields still getting sharper at frame 1, few enough to be chance "
            "9 of 110 fields still getting sharper at frame 9 90 of 110 fields peak inside",
        ),
        (
            looked(
                depths=Depths(
                    smears={1: Smear(reason="too few fields"), 2: Smear(way_deg=34.4, tiles=50), 3: Smear(tiles=50)}
                )
            ),
            "blur frame 2 is smeared: detail is lost along 34 degrees, beside its neighbours 2 of 3 frames compared, "
            "the others are not smeared "
            "1 cannot be told, because too few fields (1)",
        ),
        (looked(depths=Depths(smears={1: Smear(reason="it is one")})), "blur     cannot tell, because it is one"),
        (looked(), "moved    cannot tell, because hardly two frames in a row have enough detail in common"),
        (
            looked(moved=Moved(compared=8, pairs=9, told=0.43)),
            "moved 8 of 9 pairs compared, where 43% of the picture tells: nothing moved there",
        ),
        (
            looked(moved=Moved(parts=(Part(frames=(4, 5), shift_px=41.6, whole=True),), compared=9, pairs=9, told=1)),
            "moved from 4 to 5 all of the picture moved by 42 pixels 9 of 9 pairs compared, where 100% of the picture "
            "tells: nothing else moved there",
        ),
        (
            looked(
                moved=Moved(parts=(Part(frames=(4, 5), shift_px=3, at=(0.5, 0.9), share=0.021),), compared=9, pairs=9)
            ),
            "moved from 4 to 5 a part at the bottom (2.1% of the picture) moved by 3 pixels what stays",
        ),
        (
            looked(
                moved=Moved(
                    parts=(
                        Part(frames=(4, 5), shift_px=3, at=(0.1, 0.1), share=0.02, back=True),
                        Part(frames=(4, 5), shift_px=7, at=(0.9, 0.9), share=0.02),
                    )
                )
            ),
            "moved in frame 5 alone a part at the upper left (2.0% of the picture) lies elsewhere, by 3 pixels "
            "from 4 to 5 a part at the lower right (2.0% of the picture) moved by 7 pixels what stays",
        ),
        (looked(depths=Depths(reason="the plan is gone")), "planes   cannot tell, because the plan is gone"),
        (looked(settings=(Alike(),)), "settings cannot tell, because the files hold none"),
        (
            looked(
                settings=(
                    Alike(
                        read=9,
                        changes=(
                            Change(
                                name="exposure_s", usual=1 / 60, values=tuple((1 / (60 + n), (n,)) for n in range(1, 5))
                            ),
                        ),
                    ),
                )
            ),
            "exposure time takes 5 values from 1/64 s to 1/60 s: set it by hand",
        ),
    ],
)
def test_every_line_is_told_in_80_columns(one, told):
    lines = looked_text(one, seconds=12, known=3)
    assert " ".join(told.split()) in " ".join(" ".join(lines).split())
    assert max(map(len, lines)) <= 80
