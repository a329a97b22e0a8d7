"""The whole way as a person goes it: request, plan, run; for each way to open the shutter, and in either order."""

from __future__ import annotations

import json
import sys
from itertools import pairwise

import click
import pytest
from rails import rail_block

REQUEST = """\
order: {order}
rig: {{kind: measured, magnification: 2, f_number: 4, working_distance_mm: 60}}
camera: {{sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}}
light: {{kind: continuous, exposure_s: 0.1}}
subject: {{depth_mm: 0.3, front_at_mm: 40}}
{rail}  settle_s: 0.5
  link: {{url: "{url}"}}
  shutter: {shutter}
"""
SHUTTERS = {
    "rail": "{via: rail}",
    "bulb": "{via: rail, bulb: true}",
    "command": f"{{via: command, command: [{json.dumps(sys.executable)}, -c, pass]}}",
    "manual": "{via: manual}",
}


@pytest.mark.parametrize("order", ["front_to_back", "back_to_front"])
@pytest.mark.parametrize("via", SHUTTERS)
def test_every_planned_frame_is_taken(stacker, tmp_path, monkeypatch, via, order):
    url = f"sim://bench?time_scale=inf&log={tmp_path / 'rail.log'}"
    asked: list[str] = []
    monkeypatch.setattr(click, "confirm", lambda text, **_: asked.append(text) or True)
    request = tmp_path / "claw.yaml"
    request.write_text(
        REQUEST.format(order=order, rail=rail_block(lead_mm=1, backlash_um=12), url=url, shutter=SHUTTERS[via]),
        encoding="utf-8",
    )
    planned = json.loads(stacker("plan", request, "--json").out)["result"]
    frames = planned["coverage"]["frame_count"]
    assert frames > 3
    assert stacker("drive", tmp_path / "claw.plan.yaml").code == 0  # the dry run

    ran = stacker("drive", tmp_path / "claw.plan.yaml", "--go", "--yes", "--json")

    assert ran.code == 0, ran.err
    result = json.loads(ran.out)["result"]
    assert result["frames"] == list(range(1, frames + 1))
    events = [json.loads(line) for line in (tmp_path / "rail.log").read_text().splitlines()]
    if via in ("rail", "bulb"):
        opened = [event["position_microsteps"] for event in events if event["event"] == "shutter"]
        steps = {after - before for before, after in pairwise(opened)}
        assert len(opened) == frames
        assert all(step > 0 for step in steps) if order == "front_to_back" else all(step < 0 for step in steps)
        # a frame's eight or so lines take 10 to 20 ms on the wire at 115,200 baud, which the plan leaves out
        late_s = result["duration_s"] - planned["budget"]["duration_s"]
        assert 0 <= late_s < 0.02 * frames
    if via == "manual":
        assert planned["budget"]["duration_s"] is None
        assert len(asked) == frames
        first = "39.9" if order == "front_to_back" else "40.3"  # the front is at 40, the back 0.3 mm deeper
        assert asked[0].startswith(f"take the picture now (shot 1, rail at {first}")
