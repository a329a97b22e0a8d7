"""From a plan to microsteps: rounding goes to the safe side, nothing is guessed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from driving.runs import make_job

from stacker.documents.gcode_link import GcodeLink
from stacker.documents.loading import load_rail
from stacker.documents.plan_file import read_plan
from stacker.documents.rail_link import Link
from stacker.driving.job import job_of, link_of, rail_settings, simulated_url
from stacker.driving.last_word import whose_time
from stacker.errors import Refusal


@pytest.fixture
def plan(plans):
    return read_plan(plans / "leaf_beetle.plan.yaml")


@pytest.fixture
def profile(plans):
    return load_rail(plans / "rails" / "bench.yaml").value


def test_a_profile_in_microsteps(profile):
    # 2 mm of lead, 200 full steps of 16: 3200 microsteps a turn, 1600 a millimetre, by hand
    settings = rail_settings(profile)
    assert (settings.microsteps_per_turn, settings.microsteps_per_mm) == (3200, 1600.0)
    assert (settings.soft_low, settings.soft_high) == (3200, 124_800)
    assert (settings.speed, settings.acceleration) == (4800, 24_000)
    assert settings.take_up == 24  # 12 um and a quarter are 15 um, 24 microsteps of 0.625 um


def test_limits_round_inward_and_speeds_down(profile):
    odd = replace(profile, soft_limits_mm=(2.0001, 77.9999), speed_mm_s=3.0003, acceleration_mm_s2=15.0004)
    settings = rail_settings(odd)
    assert (settings.soft_low, settings.soft_high) == (3201, 124_799)
    assert (settings.speed, settings.acceleration) == (4800, 24_000)


def test_a_job_is_the_plans_columns(plan, plans):
    job = job_of(plan, plans / "leaf_beetle.plan.yaml")
    assert job.positions == tuple(plan.frames.position_microsteps)
    assert job.exposure_s == tuple(plan.frames.exposure_s)
    assert job.front_at == 50_400  # 31.5 mm
    assert (job.digest, job.count) == (plan.digest, 60)
    assert [row[0] for row in job.rows] == plan.frames.frame
    assert job.columns.index("position_microsteps") == 5


def test_another_profile_has_another_digest(plan, plans):
    path = plans / "leaf_beetle.plan.yaml"
    changed = replace(plan, request=replace(plan.request, rail=replace(plan.request.rail, settle_s=0.9)))
    assert job_of(plan, path).profile_digest == job_of(plan, path).profile_digest
    assert job_of(plan, path).profile_digest != job_of(changed, path).profile_digest


def test_the_simulated_rail_is_told_the_profile_and_no_other_port_is(profile):
    assert simulated_url("/dev/ttyUSB0", profile) == "/dev/ttyUSB0"
    assert simulated_url("sim://x?turn=5", profile) == "sim://x?turn=5&travel=128000&per_mm=1600&baud=115200"
    assert simulated_url("sim://x", profile).startswith("sim://x?travel=128000&turn=3200")


def test_a_profile_without_a_port_is_refused_with_what_to_write(profile, plan, plans):
    silent = replace(profile, link=None)
    with pytest.raises(Refusal, match="names no port"):
        link_of(silent)
    assert link_of(silent, "/dev/ttyACM0").url == "/dev/ttyACM0"
    unlinked = replace(plan, request=replace(plan.request, rail=silent))
    assert job_of(unlinked, plans / "x", need_link=False).link.url == "no port yet"


def test_a_plan_without_light_is_refused(plan, plans):
    dark = replace(plan, frames=replace(plan.frames, exposure_s=[None] * 60))
    with pytest.raises(Refusal, match=r"light: \{kind"):
        job_of(dark, plans / "x")


def test_a_profile_for_the_other_dialect_keeps_its_words(profile):
    words = GcodeLink(url="/dev/ttyACM0", dialect="gcode", acknowledge=("done",), no_stop_accepted=True)
    settings = link_of(replace(profile, link=words))
    assert settings.gcode is not None
    assert settings.gcode.acknowledge == ("done",)
    assert link_of(profile).gcode is None


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("sim://bench", " on the simulated rail"),
        ("sim://bench?seed=3&time_scale=20", " on the simulated rail, whose clock runs 20 times as fast as yours"),
        ("sim://bench?time_scale=inf", " on the simulated rail, whose clock waits for nothing"),
        ("socket://bench:7000?time_scale=20", ""),
        ("COM4", ""),
    ],
)
def test_whose_time_a_run_took(tmp_path, url, said):
    assert whose_time(make_job(tmp_path, link=Link(url=url))) == said
