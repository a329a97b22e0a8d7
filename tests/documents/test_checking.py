"""A file is known by its keys, whatever it is called."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from stacker.documents.checking import check_file
from stacker.documents.emit import lines
from stacker.documents.fields import plain
from stacker.documents.kinds import BLOCKS
from stacker.documents.loading import load_rail, load_request
from stacker.errors import InputError

PLANS = Path(__file__).resolve().parents[2] / "plans"
REQUESTS = sorted(path for path in PLANS.glob("*.yaml") if not path.name.endswith(".plan.yaml"))


@pytest.mark.parametrize("request_path", REQUESTS, ids=lambda path: path.stem)
def test_every_block_of_a_real_request_is_known_in_a_file_of_its_own(tmp_path, request_path):
    blocks = plain(load_request(request_path).value)
    assert set(BLOCKS) == {"rig", "camera", "light", "subject", "focus", "margins", "rail", "panels"}
    for name in BLOCKS:
        if blocks.get(name) is None:
            continue
        path = tmp_path / "some.yaml"
        path.write_text("\n".join(lines(blocks[name])) + "\n", encoding="utf-8")
        assert check_file(path) == name
    assert check_file(request_path) == "request"
    assert check_file(request_path.with_name(f"{request_path.stem}.plan.yaml")) == "plan"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("sensor_mm: [23.5, 15.7]\npixel: [6000, 4000]\nraw_mb: 25\n", ":2:1: pixel: unknown key; write pixels"),
        ("kind: lens\nf_number: 4\nfocal_length: 50\nmax_magnification: 0.1\n", "write focal_length_mm, in mm"),
        ("focal_length_mm: 50\nf_number: 4\n", ":1:1: kind: missing; write lens, reversed"),
        ("camera: {}\nrig: {}\n", "subject: missing"),
        ("- 1\n- 2\n", "found a list of 2; write 'key: value' lines"),
    ],
)
def test_the_faults_of_a_block_are_those_of_the_block(tmp_path, text, told):
    path = tmp_path / "some.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as refused:
        check_file(path)
    assert told in str(refused.value)


def test_files_swapped_in_a_request_are_told_in_a_line_each(tmp_path):
    bench = shutil.copytree(PLANS, tmp_path / "plans")
    path = bench / "leaf_beetle.yaml"
    text = path.read_text(encoding="utf-8")
    camera, rail = "cameras/small_sensor_24.yaml", "rails/bench.yaml"
    assert camera in text
    assert rail in text
    path.write_text(text.replace(camera, "X").replace(rail, camera).replace("X", rail), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        check_file(path)
    assert sorted(fault.text for fault in refused.value.faults) == [
        f"{bench / camera} is a camera; name a file that holds a rail",
        f"{bench / rail} is a rail; name a file that holds a camera",
    ]
    with pytest.raises(InputError, match="this is a request; name a file that holds a rail"):
        load_rail(bench / "weevil_reversed.yaml")
