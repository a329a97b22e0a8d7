"""What stands where a result should go: an older result is replaced, a person's file never."""

from __future__ import annotations

import os
import shlex

import pytest

CAMERA = "sensor_mm: [23.5, 15.7]\npixels: [6000, 4000]\n"
GOOD = "rig: {kind: measured, magnification: 0.87, f_number: 5.6}\ncamera: camera.yaml\nsubject: {depth_mm: 3.4}\n"


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "camera.yaml").write_text(CAMERA, encoding="utf-8")
    (tmp_path / "weevil.yaml").write_text(GOOD, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize(
    ("command", "result"),
    [
        (["plan", "weevil.yaml"], "plan"),
        (["export", "weevil.plan.yaml", "--format", "csv"], "csv export"),
        (["report", "weevil.plan.yaml"], "page of a plan"),
    ],
)
def test_a_result_never_takes_the_place_of_another_kind_of_file(stacker, bench, command, result):
    if command[0] == "report":
        pytest.importorskip("matplotlib")
    assert stacker("plan", "weevil.yaml").code == 0
    done = stacker(*command, "-o", "camera.yaml")
    assert done.code == 1
    assert done.err == f"camera.yaml exists and is no {result}; choose another name with -o\n"
    assert (bench / "camera.yaml").read_text(encoding="utf-8") == CAMERA


@pytest.mark.parametrize(
    ("form", "first", "then"),
    [
        ("csv", "leaf_beetle", "seed_head_bellows"),
        ("gcode", "leaf_beetle", "seed_head_bellows"),
        ("dial", "calcite_by_hand", "calcite_by_hand"),
    ],
)
def test_an_older_export_is_replaced(stacker, plans, tmp_path, form, first, then):
    target = tmp_path / "out"
    for plan in (first, then):
        assert stacker("export", plans / f"{plan}.plan.yaml", "--format", form, "-o", target).code == 0
    printed = stacker("export", plans / f"{then}.plan.yaml", "--format", form).out
    assert printed.splitlines() == target.read_text(encoding="utf-8").splitlines()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
@pytest.mark.parametrize(
    "command",
    [
        ["new", "lens"],
        ["plan", "weevil.yaml"],
        ["export", "weevil.plan.yaml", "--format", "csv"],
        ["report", "weevil.plan.yaml"],
    ],
)
def test_no_result_takes_the_place_of_a_pipe_a_device_or_a_folder(stacker, bench, command):
    if command[0] == "report":
        pytest.importorskip("matplotlib")
    assert stacker("plan", "weevil.yaml").code == 0
    os.mkfifo(bench / "pipe")
    (bench / "folder").mkdir()
    for name in ("pipe", "folder", os.devnull):
        before = os.lstat(name)
        done = stacker(*command, "-o", name)
        assert done.code == 1
        assert done.err.startswith(f"{name} ")
        assert "choose another name" in done.err
        assert os.lstat(name).st_ino == before.st_ino


@pytest.mark.usefixtures("undrawn")
def test_a_page_of_another_program_is_kept(stacker, bench):
    pytest.importorskip("matplotlib")
    assert stacker("plan", "weevil.yaml").code == 0
    page = "<!doctype html>\n<html lang='en'><title>My beetles</title></html>\n"
    (bench / "index.html").write_text(page, encoding="utf-8")
    assert "exists and is no page of a plan" in stacker("report", "weevil.plan.yaml", "-o", "index.html").err
    assert (bench / "index.html").read_text(encoding="utf-8") == page
    for _ in range(2):  # an older page of ours is replaced
        assert stacker("report", "weevil.plan.yaml").code == 0


def test_an_empty_file_is_nobodys(stacker, bench):
    (bench / "made_by_another_program").touch()
    assert stacker("plan", "weevil.yaml", "-o", "made_by_another_program").code == 0


def test_the_next_command_can_be_typed_as_it_is_told(stacker, bench):
    (bench / "weevil.yaml").rename(bench / "my weevil.yaml")
    told = stacker("plan", "my weevil.yaml").err.splitlines()[-1]
    assert told == 'Next: stacker export "my weevil.plan.yaml" --format csv'
    _, *arguments = shlex.split(told.removeprefix("Next: "))
    assert stacker(*arguments).code == 0
