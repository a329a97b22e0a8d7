"""What all commands promise alike: JSON, silence, and what comes next."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stacker.documents.templates import template


def test_new_gives_its_file_as_json_and_in_silence(stacker, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    document = json.loads(stacker("new", "lens", "--json").out)
    assert (document["stacker_json"], document["command"]) == (1, "new")
    assert document["result"] == {"kind": "lens", "path": None, "text": template("lens")}
    done = stacker("new", "lens", "-o", "mine.yaml", "--quiet")
    assert (done.code, done.out, done.err) == (0, "", "")
    assert Path("mine.yaml").read_text(encoding="utf-8") == template("lens")


@pytest.mark.parametrize("arguments", [["new", "lens"], ["schema", "rail"], ["explain", "overlap"]])
def test_what_prints_a_result_names_the_next_command_beside_it(stacker, arguments):
    done = stacker(*arguments)
    assert done.err.startswith("Next: ")
    assert "Next: " not in done.out


def test_check_tells_an_edited_plan_beside_the_faults_of_other_files(stacker, plans, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("a.plan.yaml").write_text((plans / "leaf_beetle.plan.yaml").read_text().replace("name: ", "name: x", 1))
    Path("b.yaml").write_text("subject: {depth_mm: 3,4}\n")
    done = stacker("check", "a.plan.yaml", "b.yaml")
    assert done.code == 2
    assert "a.plan.yaml: changed since it was planned" in done.err
    assert "b.yaml:1:21" in done.err
