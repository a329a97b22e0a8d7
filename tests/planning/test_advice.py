"""Advice does what it says: every change is made by the option it names, and counted."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from stacker.documents.loading import load_request
from stacker.planning.draft import draft_of
from stacker.planning.planner import plan_of

ROOT = Path(__file__).resolve().parents[2] / "plans"
REQUESTS = sorted(path for path in ROOT.glob("*.yaml") if not path.name.endswith(".plan.yaml"))


def advice(path: Path, *overrides: str):
    loaded = load_request(path, overrides)
    return loaded.value, plan_of(loaded.value, {}).advice


@pytest.mark.parametrize("path", REQUESTS, ids=lambda path: path.stem)
def test_every_change_that_can_be_set_gives_the_frames_it_promises(path):
    request, found = advice(path)
    assert len(found) <= 4  # three, after what is to know about the magnification
    promised = []
    for one in found:
        counts = re.search(r"(\d+) frames instead of (\d+)", one.text)
        if one.change is None or counts is None:
            continue
        after, before = int(counts[1]), int(counts[2])
        assert draft_of(request).planes.frame_count == before
        changed = draft_of(load_request(path, one.change.split(" --set ")).value)
        assert changed.planes.frame_count == after < before
        assert changed.gap_risk is None or changed.gap_risk <= 0.001
        promised.append(after)
    assert promised == sorted(promised)


def test_a_zone_is_widened_and_the_others_stay():
    zones = "subject.zones=[{from_mm: 0.5, to_mm: 3, overlap: 0.7}, {from_mm: 4, to_mm: 4.2, kept_contrast: 0.9}]"
    _, found = advice(ROOT / "leaf_beetle.yaml", zones)
    change = next(one.change for one in found if one.change and "zones" in one.change)
    assert change == (
        "subject.zones=[{from_mm: 0.5, to_mm: 3, overlap: 0.5}, {from_mm: 4, to_mm: 4.2, kept_contrast: 0.9}]"
    )


def test_a_zone_of_more_contrast_is_eased_half_way():
    # by hand: half way between 0.94 and the 0.8 of the stack
    zones = "subject.zones=[{name: eye, from_mm: 0.5, to_mm: 3, kept_contrast: 0.94}]"
    request, found = advice(ROOT / "leaf_beetle.yaml", zones)
    assert request.focus.kept_contrast == 0.8
    eased = next(one for one in found if one.change and "zones" in one.change)
    assert eased.text.startswith("A wider step in the zone eye: kept_contrast 0.87 instead of 0.94 there makes ")
    assert "kept_contrast: 0.87" in eased.change


def test_a_rail_that_scatters_too_much_comes_first_with_what_would_do():
    request, found = advice(ROOT / "wulfenite_objective.yaml", "rail.repeatability_um=2")
    assert draft_of(request).gap_risk > 0.001
    repeats_um = float(re.search(r"repeats to ([\d.]+) um instead of 2 um", found[0].text)[1])
    better = replace(request, rail=replace(request.rail, repeatability_um=repeats_um * 0.98))
    assert draft_of(better).gap_risk <= 0.001  # two digits in the text
    worse = replace(request, rail=replace(request.rail, repeatability_um=repeats_um * 1.05))
    assert draft_of(worse).gap_risk > 0.001


def test_a_smaller_aperture_is_advised_only_while_pixels_limit_the_detail():
    _, found = advice(ROOT / "leaf_beetle.yaml")
    assert not any(one.change and "f_number" in one.change for one in found)  # at f/4 diffraction limits it already
    small = "focus.output_pixels=2000"
    _, found = advice(ROOT / "leaf_beetle.yaml", small)
    change, text = next((one.change, one.text) for one in found if one.change and "f_number" in one.change)
    mark = float(change.partition("=")[2])
    details = [
        draft_of(load_request(ROOT / "leaf_beetle.yaml", [small, f"rig.f_number={stop:g}"]).value)
        for stop in (4, mark, mark * 2 ** (1 / 6) * 1.02)  # the next third of a stop, with the rounding of the marks
    ]
    assert details[1].finest_detail_um == details[0].finest_detail_um < details[2].finest_detail_um
    # what it costs is told: the contrast that the same line pair keeps in focus
    before, after = (one.criterion.in_focus_at_target for one in details[:2])
    assert after < before
    assert text.endswith(f"in focus it has {after:.2f} of contrast instead of {before:.2f}.")


def test_what_lets_diffraction_show_never_heads_the_list():
    request, found = advice(ROOT / "leaf_beetle.yaml", "focus.output_pixels=2000", "focus.airy_pixels=1.5")
    changes = [one.change for one in found if one.change]
    aperture = next(change for change in changes if "f_number" in change)
    assert float(aperture.partition("=")[2]) > draft_of(request).diffraction_f_number
    assert changes[0] != aperture
    assert changes[-1] == aperture


def test_no_smaller_aperture_is_advised_than_the_ring_has():
    _, found = advice(ROOT / "leaf_beetle.yaml", "focus.output_pixels=2000", "rig.smallest_f_number=8")
    assert any(one.change == "rig.f_number=8" for one in found)


def test_a_lamp_s_longer_exposure_comes_with_the_smaller_aperture():
    lamp = "light={kind: continuous, exposure_s: 0.5}"
    loaded = ["focus.output_pixels=2000", "rig.smallest_f_number=8", lamp]
    _, found = advice(ROOT / "leaf_beetle.yaml", *loaded)
    (one,) = (one for one in found if one.change and "f_number" in one.change)
    assert one.change == "rig.f_number=8 --set light.exposure_s=2"  # two stops
    assert "f/8 and light.exposure_s=2 makes" in one.text
    metered = [*loaded, "light.at_f_number=4"]
    request, found = advice(ROOT / "leaf_beetle.yaml", *metered)
    (one,) = (one for one in found if one.change and "f_number" in one.change)
    assert one.change == "rig.f_number=8"
    changed = load_request(ROOT / "leaf_beetle.yaml", [*metered, one.change]).value
    assert draft_of(request).exposure_s[0] == pytest.approx(0.5)
    assert draft_of(changed).exposure_s[0] == pytest.approx(2.0)


def test_coarse_steps_and_an_unknown_lead_are_told_where_they_cost():
    _, found = advice(
        ROOT / "calcite_by_hand.yaml", "rail.dial.divisions=2", "subject.zones=[{from_mm: 0, to_mm: 5, overlap: 0.6}]"
    )
    assert any("moves 10 times finer" in one.text for one in found)
    _, found = advice(ROOT / "leaf_beetle.yaml", "rail.lead_error=0.1", "focus.overlap=0.1", "subject.zones=[]")
    assert any("calibrate rail" in one.text for one in found)


def test_without_a_known_scatter_no_overlap_is_taken_away():
    _, found = advice(ROOT / "leaf_beetle.yaml", "rail.repeatability_um=null")
    assert not any("focus.overlap" in (one.change or "") for one in found)


def test_a_seam_asked_for_is_lowered_only_above_the_share_kept():
    _, found = advice(ROOT / "weevil_reversed.yaml", "rail.repeatability_um=0.1")
    assert any(one.change == "focus.seam_contrast=0.85" for one in found)
    _, found = advice(ROOT / "weevil_reversed.yaml", "rail.repeatability_um=0.1", "focus.kept_contrast=0.86")
    assert not any("seam_contrast" in (one.change or "") for one in found)
