"""``stacker verify --look`` on planned, rendered stacks: where the planes of focus were."""

from __future__ import annotations

import json

from cli.look_bench import planned, shoot


def test_a_gap_is_named_with_what_it_costs_and_the_frames_that_close_it(stacker, tmp_path):
    plan = planned(stacker, tmp_path)
    journal, card = shoot(plan, tmp_path, steps={11: 2.0})
    done = stacker("verify", card, "--journal", journal, "--look")
    told = " ".join(done.out.split())
    assert done.code == 1
    assert "planes 11 to 12 is " in told
    assert "the seam keeps " in told
    assert f"{plan.coverage.seam_contrast:.0%}" in told.partition("the seam keeps ")[2]
    assert "--frames 11-12 --go" in done.err
    assert max(map(len, done.out.splitlines())) <= 80
    (stack,) = json.loads(stacker("verify", card, "--journal", journal, "--look", "--json").out)["result"]["stacks"]
    off = [one for one in stack["look"]["depths"]["between"] if one["off"]]
    assert [one["frames"] for one in off] == [[11, 12]]
    assert 1.6 < off[0]["step"]["ratio"] < 2.2
    (tmp_path / "moss.plan.yaml").unlink()
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 0
    assert "planes   cannot tell, because the plan of the run is not beside its journal" in done.out


def test_an_even_stack_has_nothing_found(stacker, tmp_path):
    journal, card = shoot(planned(stacker, tmp_path), tmp_path)
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 0, done.out
    assert "steps measured, all of them" in done.out
