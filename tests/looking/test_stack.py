"""Which file of a frame is looked into, and what the pictures of a stack show together."""

from __future__ import annotations

import numpy as np

from stacker.looking.depths import Between, Depths
from stacker.looking.light import Light, Off
from stacker.looking.seen import Seen
from stacker.looking.stack import Looked, chosen_files, looked_at
from stacker.looking.steps import Step
from stacker.pictures.settings import Settings


def files(*ends, frames=(1, 2, 3)):
    return {frame: tuple(f"PIC_{frame}.{end}" for end in ends) for frame in frames}


def test_of_a_pair_the_jpeg_is_looked_into():
    (chosen,), again = chosen_files(files("rw9", "jpg"), 1)
    assert (chosen, again) == ({1: "PIC_1.jpg", 2: "PIC_2.jpg", 3: "PIC_3.jpg"}, ())


def test_all_frames_are_looked_into_by_one_kind_of_file():
    """One frame lacks its JPEG: its raw file shows the same light in another way."""
    some = files("jpg") | {2: ("PIC_2.rw9",)}
    (chosen,), _ = chosen_files(some, 1)
    assert chosen == {1: "PIC_1.jpg", 3: "PIC_3.jpg"}
    some = {1: ("PIC_1.rw9", "PIC_1.jpg"), 2: ("PIC_2.rw9",), 3: ("PIC_3.rw9",)}
    (chosen,), _ = chosen_files(some, 1)
    assert chosen == {1: "PIC_1.rw9", 2: "PIC_2.rw9", 3: "PIC_3.rw9"}


def test_what_no_reader_opens_comes_last():
    (chosen,), _ = chosen_files(files("heic", "rw9"), 1)
    assert chosen[1] == "PIC_1.rw9"


def test_of_a_frame_taken_again_the_latest_exposure_counts():
    some = {1: ("PIC_1.rw9", "PIC_1.jpg", "PIC_9.rw9", "PIC_9.jpg"), 2: ("PIC_2.rw9", "PIC_2.jpg")}
    (chosen,), again = chosen_files(some, 1)
    assert (chosen, again) == ({1: "PIC_9.jpg", 2: "PIC_2.jpg"}, (1,))


def test_pictures_of_a_bracket_are_compared_each_with_its_like():
    some = {
        frame: tuple(f"PIC_{3 * frame + shot}.{end}" for shot in range(3) for end in ("rw9", "jpg"))
        for frame in range(1, 9)
    }
    chosen, again = chosen_files(some, 3)
    assert again == ()
    assert [one[2] for one in chosen] == ["PIC_6.jpg", "PIC_7.jpg", "PIC_8.jpg"]
    seen = {
        name: look(light * (0.5 if (place, frame) == (1, 4) else 1))
        for place, (one, light) in enumerate(zip(chosen, (0.05, 0.2, 0.6), strict=True))
        for frame, name in one.items()
    }
    looked = told(chosen, seen)
    assert [[off.frames for off in light.off] for light in looked.light] == [[], [(4,)], []]
    assert looked.to_take_again == (4,)


def look(light=0.3, **more):
    fields = np.random.default_rng(1).uniform(0.8, 1.2, (6, 8)).astype(np.float32) * np.float32(light)
    return Seen(**{"pixels": (96, 128), "light": fields, **more})


def told(chosen, seen, frames=range(1, 9)):
    return looked_at(frames, chosen, (), seen, focus_um={frame: 40.0 * frame for frame in frames}, optics=None)


def test_a_picture_of_another_size_is_compared_with_none():
    chosen = ({frame: f"{frame}.jpg" for frame in range(1, 9)},)
    seen = {name: look() for name in chosen[0].values()}
    assert not told(chosen, seen).found
    seen["3.jpg"] = look(0.1, pixels=(48, 64))
    looked = told(chosen, seen)
    assert (looked.found, looked.other_size, looked.to_take_again) == (True, (3,), (3,))
    assert looked.light[0].off == ()
    seen["3.jpg"] = look(light=0.3, fine=np.zeros((1, 2, 3), np.float32))  # a memory that somebody made up
    assert told(chosen, seen).other_size == (3,)


def test_of_a_bracket_the_first_picture_tells_planes_and_movement():
    chosen = ({n: f"{n}a.jpg" for n in range(1, 9)}, {n: f"{n}b.jpg" for n in range(1, 9)})
    grain = np.random.default_rng(2).uniform(0.5, 1, (3, 6, 8)).astype(np.float32)
    small = np.random.default_rng(3).integers(0, 255, (64, 96), dtype=np.uint8)
    first = {name: look(fine=grain, ways=grain[[0, 1, 2, 0]], small=small) for name in chosen[0].values()}
    seen = first | {name: look(0.6) for name in chosen[1].values()}
    looked = told(chosen, seen)
    assert looked.depths.reason == "the plan of the run is not beside its journal"  # not that they are too small
    assert looked.moved.compared > 0
    assert told(chosen[::-1], seen).depths.reason == "the pictures are too small"
    dark = {n: look(0.0005, fine=grain, ways=grain[[0, 1, 2, 0]], small=small) for n in ("4a.jpg", "5a.jpg")}
    assert told(chosen, seen | dark).moved.compared < looked.moved.compared  # of a dark frame nothing moves


def test_what_cannot_be_opened_is_a_fault_of_a_jpeg_but_not_of_a_raw_file():
    for end, broken in (("jpg", True), ("rw9", False), ("heic", False)):
        chosen = ({frame: f"{frame}.{end}" for frame in range(1, 9)},)
        seen = {name: look() for name in chosen[0].values()} | {f"4.{end}": Seen(fault="cut short")}
        looked = told(chosen, seen)
        assert (looked.found, looked.to_take_again) == (broken, (4,) if broken else ())
        assert [(one.frame, one.broken) for one in looked.unread] == [(4, broken)]


def test_frames_without_a_certain_picture_are_named():
    chosen = ({frame: f"{frame}.jpg" for frame in (1, 2, 5, 6)},)
    seen = {name: look(settings=Settings(iso=100)) for name in chosen[0].values()}
    looked = told(chosen, seen)
    assert looked.unsure == (3, 4, 7, 8)
    assert looked.light[0].untold == (1, 2, 5, 6)  # so few are compared with none
    assert looked.settings[0].read == 4


def test_pictures_that_changed_places_are_not_shot_anew_but_what_is_wrong_beside_them_is():
    steps = [1.0, 1.0, 2.0, -1.0, 2.0, 1.0, 1.0]
    told = [Step(ratio=ratio, standard_error=0.03) for ratio in steps]
    between = tuple(Between(frames=(at, at + 1), step=step) for at, step in enumerate(told, 1))
    dark = Light(off=(Off(frames=(6,), stops=-7.0),))
    looked = Looked(files=(), light=(dark,), depths=Depths(between=between))
    assert looked.depths.swapped == ((4, 5),)
    assert looked.depths.astray == ()
    assert looked.found
    assert looked.to_take_again == (6,)
