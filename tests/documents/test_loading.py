"""Blocks as files of their own, --set on top, and edits that keep every comment."""

from __future__ import annotations

import pytest
import yaml

from stacker.documents.edit import with_values
from stacker.documents.loading import load_rail, load_request
from stacker.documents.rail_profile import HandRail, RailProfile
from stacker.documents.templates import KINDS, template
from stacker.errors import InputError, Refusal

GOOD = (
    "rig: {kind: measured, magnification: 0.87, f_number: 5.6}\n"
    "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\nsubject: {depth_mm: 3.4}\n"
)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "cameras").mkdir()
    (tmp_path / "cameras" / "mine.yaml").write_text("sensor_mm: [36, 24]\npixels: [6000, 4000]\n", encoding="utf-8")
    text = GOOD.replace("{sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}", "cameras/mine.yaml")
    (tmp_path / "good.yaml").write_text(text, encoding="utf-8")
    return tmp_path


def test_a_block_may_be_a_file_beside_the_one_that_names_it(folder, monkeypatch):
    monkeypatch.chdir("/")
    assert load_request(folder / "good.yaml").value.camera.sensor_mm == (36, 24)


def test_a_fault_in_such_a_file_carries_its_own_name_and_line(folder):
    (folder / "cameras" / "mine.yaml").write_text("sensor_mm: [36, 24]\npixel: 1\n", encoding="utf-8")
    with pytest.raises(InputError) as found:
        load_request(folder / "good.yaml")
    assert [str(fault) for fault in found.value.faults] == [
        f"{folder / 'cameras' / 'mine.yaml'}:2:1: camera.pixel: unknown key; write pixels"
    ]


def test_set_reaches_into_a_block_that_is_a_file(folder):
    request = load_request(folder / "good.yaml", ["camera.raw_mb=30", "focus.overlap=0.4"]).value
    assert (request.camera.raw_mb, request.camera.sensor_mm, request.focus.overlap) == (30, (36, 24), 0.4)


def test_set_replaces_a_list_and_a_whole_block(folder):
    changes = [
        "camera={sensor_mm: [17.4, 13], pixels: [5200, 3880]}",
        "subject.zones=[{from_mm: 1, to_mm: 2, overlap: 0.5}]",
    ]
    request = load_request(folder / "good.yaml", changes).value
    assert request.camera.pixels == (5200, 3880)
    assert request.subject.zones[0].to_mm == 2


def test_a_file_named_in_an_option_is_relative_to_the_folder_in_which_it_was_typed(folder, monkeypatch):
    elsewhere = folder / "elsewhere"
    (elsewhere / "cameras").mkdir(parents=True)
    (elsewhere / "cameras" / "mine.yaml").write_text("sensor_mm: [17.4, 13]\npixels: [5200, 3880]\n", encoding="utf-8")
    monkeypatch.chdir(elsewhere)
    assert load_request(folder / "good.yaml").value.camera.pixels == (6000, 4000)  # as the request names it
    typed = load_request(folder / "good.yaml", ["camera=cameras/mine.yaml"]).value
    assert typed.camera.pixels == (5200, 3880)


@pytest.mark.parametrize(
    ("override", "message"),
    [
        ("focus.overlap=1.5", "--set focus.overlap=1.5: focus.overlap: found 1.5; write a number from 0 to 0.95"),
        ("focus.overlp=0.5", "--set focus.overlp=0.5: focus.overlp: unknown key; write overlap"),
        ("overlap", "--set overlap: write --set key=value, for example --set focus.overlap=0.4"),
        ("=3", "--set =3: write --set key=value, for example --set focus.overlap=0.4"),
        ("rig.f_number=f/8", "--set rig.f_number=f/8: rig.f_number: found 'f/8'; write 8"),
        (
            "camera=nowhere.yaml",
            "--set camera=nowhere.yaml: camera: found 'nowhere.yaml', but there is no file nowhere.yaml; "
            "write a block of keys or the path of a file with one",
        ),
        (
            "focus.overlap={",
            "--set focus.overlap={: focus.overlap: not YAML: did not find expected node content; "
            "look at this line and the one above it",
        ),
        ("name=K\udce4fer", "--set name=K\udce4fer: name: found a character that no text has (U+DCE4); delete it"),
        (
            "subject.zones[1].overlap=0.5",
            "--set subject.zones[1].overlap=0.5: subject.zones[1]: unknown key; write zones",
        ),
        (
            "subject.depth_mm=",
            "--set subject.depth_mm=: subject.depth_mm: found nothing; write a number above 0 and up to 10000, in mm",
        ),
    ],
)
def test_a_bad_override_is_told_like_a_bad_line(folder, override, message):
    with pytest.raises(InputError) as found:
        load_request(folder / "good.yaml", [override])
    assert str(found.value) == message


def test_a_file_whose_name_is_no_text_gives_a_name_that_is(folder):
    try:
        (folder / "K\udce4fer.yaml").write_bytes((folder / "good.yaml").read_bytes())
    except (OSError, UnicodeError):
        pytest.skip("this file system takes no such name")
    assert load_request(folder / "K\udce4fer.yaml").value.name == "K?fer"


def test_a_default_that_is_a_guess_is_listed_and_one_that_was_given_is_not(folder):
    assumed = load_request(folder / "good.yaml").assumed
    assert assumed["focus.overlap"] == 0.3
    assert assumed["rig.pupil_magnification"] == 1
    given = load_request(folder / "good.yaml", ["focus.overlap=0.3", "rig.pupil_magnification=1"]).assumed
    assert not {"focus.overlap", "rig.pupil_magnification"} & set(given)


def test_a_seam_contrast_takes_the_place_of_the_overlap(folder):
    loaded = load_request(folder / "good.yaml", ["focus.seam_contrast=0.9"])
    assert loaded.value.focus.overlap is None
    assert loaded.value.focus.overlap_asked == 0
    assert "focus.overlap" not in loaded.assumed


def test_a_refusal_names_file_line_and_key(folder):
    loaded = load_request(folder / "good.yaml")
    located = str(loaded.located(Refusal("too much", key="rig.f_number")))
    assert located == f"{folder / 'good.yaml'}:1:54: rig.f_number: too much"
    assert "rig" in str(loaded.located(Refusal("odd", key="rig.no_such_key")))


@pytest.mark.parametrize("kind", KINDS)
def test_every_template_is_sound_and_says_what_each_value_is(kind, tmp_path):
    path = tmp_path / "t.yaml"
    path.write_text(template(kind), encoding="utf-8")
    if kind in ("rail", "hand_rail"):
        assert isinstance(load_rail(path).value, RailProfile if kind == "rail" else HandRail)
    else:
        load_request(path)
    assert max(len(line) for line in template(kind).splitlines()) <= 80
    assert template(kind).isascii()


@pytest.mark.parametrize(("frame_s", "refused"), [(1.9, True), (2, False)])
def test_a_frame_by_hand_takes_no_less_than_its_exposure(frame_s, refused):
    text = (
        "rig: {kind: measured, magnification: 1, f_number: 4}\ncamera: {sensor_mm: [24, 16], pixels: [6000, 4000]}\n"
        "subject: {depth_mm: 3}\nlight: {kind: continuous, exposure_s: 2}\nrail: {travel_mm: 25, "
        f"soft_limits_mm: [0, 25], dial: {{mm_per_turn: 0.5, divisions: 50}}, frame_s: {frame_s}}}\n"
    )
    if not refused:
        assert load_request("x.yaml", text=text).value.rail.frame_s == frame_s
        return
    with pytest.raises(
        InputError, match=r"rail\.frame_s: found 1\.9; write what a whole frame takes, its exposure of 2 s"
    ):
        load_request("x.yaml", text=text)


COMMENTED = """\
# the bench in the cellar
subject:          # a beetle
  depth_mm: 4     # measured twice
  zones:
    - {name: eye, from_mm: 1, to_mm: 2, overlap: 0.5}   # sharp!
  # nothing more

light: {kind: flash, exposure_s: 0.01}   # two lamps
rail:   # later
"""


def test_an_edit_changes_one_value_and_keeps_every_comment():
    edited = with_values(COMMENTED, {"subject.depth_mm": 3.25}, "x")
    assert edited == COMMENTED.replace("depth_mm: 4 ", "depth_mm: 3.25 ")


def test_a_new_key_goes_below_the_last_one_of_its_block():
    edited = with_values(COMMENTED, {"subject.front_at_mm": 12.5, "light.recycle_s": 2}, "x")
    assert yaml.safe_load(edited)["subject"]["front_at_mm"] == 12.5
    assert yaml.safe_load(edited)["light"] == {"kind": "flash", "exposure_s": 0.01, "recycle_s": 2}
    assert [line for line in COMMENTED.splitlines() if "#" in line and "light" not in line] == [
        line for line in edited.splitlines() if "#" in line and "light" not in line
    ]


@pytest.mark.parametrize("ending", ["", "\n", "\n\n# end\n"])
def test_an_edit_works_at_the_end_of_a_file(ending):
    edited = with_values("a: 1\nb:\n  c: 2" + ending, {"b.d": 3, "e": "two words"}, "x")
    assert yaml.safe_load(edited) == {"a": 1, "b": {"c": 2, "d": 3}, "e": "two words"}


def test_an_edit_refuses_what_it_cannot_reach():
    with pytest.raises(Refusal, match="no block focus"):
        with_values(COMMENTED, {"focus.overlap.x": 0.3}, "x")
    with pytest.raises(Refusal, match="file of its own"):
        with_values("rail: bench.yaml\n", {"rail.lead_mm": 2}, "x")
    with pytest.raises(Refusal, match="several lines"):
        with_values(COMMENTED, {"subject.zones": 3}, "x")
