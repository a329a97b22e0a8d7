"""What a request's rig may say: the optics divide by it, and check no range themselves."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stacker.documents.loading import load_request
from stacker.documents.templates import template
from stacker.errors import InputError, Refusal
from stacker.planning.planner import plan_of
from stacker.planning.rig import imaging_of

DIVISORS = {
    "lens": ("focal_length_mm", "f_number", "pupil_magnification", "minimum_focus_mm", "converter"),
    "reversed": ("focal_length_mm", "f_number", "pupil_magnification", "field_width_mm", "register_mm", "converter"),
    "coupled": ("rear_focal_length_mm", "rear_f_number", "front_focal_length_mm", "front_f_number", "converter"),
    "objective": ("magnification", "na", "reference_mm", "tube_lens_mm", "converter", "immersion_index"),
    "measured": ("field_width_mm", "f_number", "pupil_magnification", "working_distance_mm"),
}


@pytest.mark.parametrize(("kind", "key"), [(kind, key) for kind, keys in DIVISORS.items() for key in keys])
@pytest.mark.parametrize("value", ["0", "-1", ".inf", ".nan"])
def test_what_the_optics_divide_by_is_above_0(kind, key, value, tmp_path):
    (tmp_path / "mine.yaml").write_text(template(kind), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        load_request(tmp_path / "mine.yaml", [f"rig.{key}={value}"])
    assert f"rig.{key}" in str(refused.value)


@pytest.mark.parametrize("key", ["max_magnification", "close_up_dioptres", "close_up_gap_mm"])
@pytest.mark.parametrize("value", ["-1", ".inf", ".nan"])
def test_what_may_be_0_is_not_below_it(key, value, tmp_path):
    (tmp_path / "mine.yaml").write_text(template("lens"), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        load_request(tmp_path / "mine.yaml", [f"rig.{key}={value}"])
    assert f"rig.{key}" in str(refused.value)


@pytest.mark.parametrize(("kind", "tubes", "found"), [("lens", "[12, 20.5]", "12, 20.5"), ("reversed", "[12]", "12")])
def test_tubes_behind_a_converter_are_refused(kind, tubes, found, tmp_path):
    (tmp_path / "mine.yaml").write_text(template(kind), encoding="utf-8")
    request = load_request(
        tmp_path / "mine.yaml", ["rig.converter=1.4", f"rig.tubes_behind_converter_mm={tubes}"]
    ).value
    with pytest.raises(Refusal) as refused:
        imaging_of(request)
    assert refused.value.key == "rig.tubes_behind_converter_mm"
    assert str(refused.value) == (
        f"found {found} mm; what tubes behind a converter do depends on the converter's own focal length: put them "
        "between lens and converter, under rig.tubes_mm, or photograph a ruler and use the kind measured"
    )


def test_a_magnification_that_reaches_past_every_subject_is_a_refusal_and_no_crash(tmp_path):
    (tmp_path / "mine.yaml").write_text(template("lens"), encoding="utf-8")
    request = load_request(tmp_path / "mine.yaml", ["rig.measured_magnification=0.000000000001"]).value
    with pytest.raises(Refusal, match="use less magnification, a longer lens, or a shallower stack"):
        plan_of(replace(request, rig=replace(request.rig, working_distance_mm=100)), {})
