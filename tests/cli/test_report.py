"""``stacker report`` from the command line."""

from __future__ import annotations

import json

import pytest

pytest.importorskip("matplotlib")


def test_writes_one_page_beside_the_plan(stacker, plans, tmp_path):
    plan = tmp_path / "beetle.plan.yaml"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    done = stacker("report", plan)
    assert done.code == 0
    page = (tmp_path / "beetle.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["beetle.html", "beetle.plan.yaml"]
    assert f"Next: open it in a browser, or: stacker drive {plan}" in done.err
    assert done.out == ""


@pytest.mark.usefixtures("undrawn")
def test_a_rig_without_an_aperture_ring_has_no_picture_of_one(stacker, plans, tmp_path):
    done = stacker("report", plans / "wulfenite_objective.plan.yaml", "-o", tmp_path / "a.html", "--json")
    assert json.loads(done.out)["result"]["path"] == str(tmp_path / "a.html")
    assert "by f-number" not in (tmp_path / "a.html").read_text(encoding="utf-8")


def test_without_matplotlib_nothing_is_written(stacker, plans, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "matplotlib.figure", None)
    done = stacker("report", plans / "leaf_beetle.plan.yaml", "-o", tmp_path / "a.html")
    assert done.code == 1
    assert '-m pip install ".[pictures]"' in done.err
    assert not list(tmp_path.iterdir())


def test_the_plan_itself_is_never_overwritten(stacker, plans, tmp_path):
    plan = tmp_path / "a.plan.yaml"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    before = plan.read_bytes()
    assert stacker("report", plan, "-o", plan).code == 1
    assert plan.read_bytes() == before
