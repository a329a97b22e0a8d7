"""The page of what the pictures show, as text."""

import pytest
from presenting.test_report import Page

from stacker.looking.light import Light, Off
from stacker.looking.settings import Alike, Change
from stacker.looking.stack import Looked, Unread
from stacker.presenting.looked_page import StackOnPage, doubted, looked_page
from stacker.presenting.looked_text import looked_text

EVIL = "<script>alert(1)</script>\x1b[2J.jpg"
STOPS = {frame: 0.01 * (frame % 3) for frame in range(1, 13)} | {4: -6.5, 9: float("inf")}


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


def page_of(one: Looked) -> str:
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
    assert table[0] == ["frame", "stops", ""]
    assert table[4] == ["4", "-6.50", "off"]
    assert table[9] == ["9", "clipped", "off"]
    assert table[10] == ["10", "-0.50", "off"]  # beside its own neighbours it is not off, beside the others it is
    assert table[1] == ["1", "+0.01", ""]


def test_of_frames_in_a_row_the_first_stands_beside_its_neighbours():
    assert doubted(looked(), 9) == {4: (3, 4, 5), 9: (8, 9, 10)}
    assert doubted(looked(), 1) == {4: (3, 4, 5)}
    assert doubted(Looked(files=()), 9) == {}


@pytest.mark.parametrize(
    ("one", "told"),
    [
        (looked(), "frames 10-12 are dimmer by 0.5 stops than the others"),
        (looked(), "frame 9 is brighter than its neighbours, and clipped: cannot tell by how much"),
        (looked(unsure=(2, 3)), "Not into those of frames 2-3: no picture there is certainly theirs"),
        (looked(latest=(2,)), "Taken more than once, so the latest was looked into: 2."),
        (looked(other_size=(2,)), "Of another size than the others, so compared with none: frame 2."),
        (looked(light=(Light(),)), "light    cannot tell, because fewer than three pictures have fields"),
        (looked(light=(Light(compared=(1, 2, 3), untold=(4,)),)), "frame 4: cannot tell, because nearly all is black"),
        (
            looked(light=(Light(compared=(1, 2), least_stops=0.5),)),
            "it flickers: cannot tell what differs by less than 0.50",
        ),
        (looked(light=(Light(compared=(1,)),) * 2), "light    picture 1 of 2: 1 of 1 within 0.00 stops"),
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
