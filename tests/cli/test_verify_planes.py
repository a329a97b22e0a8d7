"""``stacker verify --look`` on planned, rendered stacks: where the planes of focus were."""

from __future__ import annotations

import json

from cli.look_bench import planned, shoot
from darkroom.stacks import Faults


def test_gap_and_smear_are_named_with_the_frames_that_put_them_right(stacker, tmp_path):
    plan = planned(stacker, tmp_path)
    journal, card = shoot(plan, tmp_path, steps={11: 2.0}, faults=Faults(smear_px={4: (3.0, 0.6)}))
    done = stacker("verify", card, "--journal", journal, "--look")
    told = " ".join(done.out.split())
    assert done.code == 1
    assert "planes 11 to 12 is " in told
    assert "the seam keeps " in told
    assert f"{plan.coverage.seam_contrast:.0%}" in told.partition("the seam keeps ")[2]
    assert "blur frame 5 is smeared: detail is lost along " in told
    assert "--frames 5,11-12 --go" in done.err
    assert max(map(len, done.out.splitlines())) <= 80
    (stack,) = json.loads(stacker("verify", card, "--journal", journal, "--look", "--json").out)["result"]["stacks"]
    off = [one for one in stack["look"]["depths"]["between"] if one["off"]]
    assert [one["frames"] for one in off] == [[11, 12]]
    assert 1.6 < off[0]["step"]["ratio"] < 2.2
    (tmp_path / "moss.plan.yaml").unlink()
    done = stacker("verify", card, "--journal", journal, "--look")
    assert "frame 5 is smeared" in done.out  # that needs no plan
    assert "planes   cannot tell, because the plan of the run is not beside its journal" in done.out


def test_an_even_stack_has_nothing_found(stacker, tmp_path):
    journal, card = shoot(planned(stacker, tmp_path), tmp_path)
    done = stacker("verify", card, "--journal", journal, "--look")
    assert done.code == 0, done.out
    assert "steps measured, all of them" in done.out
