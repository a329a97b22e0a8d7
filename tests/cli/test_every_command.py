"""What all commands promise alike: JSON, silence, and what comes next."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from stacker.cli.main import COMMANDS
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


def test_tubes_of_a_lens_without_a_focus_ring_leave_out_the_lens_alone(stacker):
    lens = ["tubes", "--focal-length-mm", "80", "--max-magnification", "0"]
    rows = json.loads(stacker(*lens, "--tubes-mm", "60,120", "--json").out)["result"]
    assert [row["magnification"] for row in rows] == pytest.approx([60 / 80, 120 / 80, 180 / 80])
    done = stacker(*lens, "--tubes-mm", "")
    assert (done.code, done.err) == (
        1,
        "--tubes-mm: a lens that does not focus by itself needs a tube; give at least one\n",
    )


def test_a_plan_without_its_digest_is_to_be_made_anew(stacker, plans, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    text = (plans / "leaf_beetle.plan.yaml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines(keepends=True) if not line.startswith("digest: ")]
    Path("a.plan.yaml").write_text("".join(lines), encoding="utf-8")
    done = stacker("check", "a.plan.yaml")
    assert (done.code, done.err) == (2, "a.plan.yaml:1:1: digest: missing; make the plan again\n")


@pytest.mark.parametrize("name", COMMANDS)
def test_help_has_no_signs_of_how_it_is_programmed(stacker, name):
    shown = stacker(name, "--help")
    assert shown.code == 0
    assert not any(sign in shown.out for sign in ("None", "%H", "%Y"))


def test_explain_has_no_exponents_and_tells_variants_apart(stacker):
    shown = stacker("explain").out
    assert not re.search("[0-9]e[+-]?[0-9]", shown)
    assert "rail.backlash_um  (request, with dial)" in shown
    assert "rig.na  (request, objective)" in shown
