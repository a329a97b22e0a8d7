"""White light in a request: a band or weighted colours, instead of one wavelength, and back from the plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from stacker.documents.loading import load_request
from stacker.documents.plan_file import parse_plan, plan_text
from stacker.errors import InputError
from stacker.planning.planner import plan_of

BEETLE = Path(__file__).resolve().parents[2] / "plans" / "leaf_beetle.yaml"


def focus(*overrides: str):
    return load_request(BEETLE, overrides).value.focus


def test_without_a_word_the_light_is_550_nm():
    assert focus().wavelength_nm == focus().mean_wavelength_nm == 550


@pytest.mark.parametrize(
    ("light", "mean_nm"),
    [("[450, 650]", 550), ("[{nm: 530, weight: 3}, {nm: 630}]", 555), ("[{nm: 600}]", 600)],
)
def test_several_colours_take_the_place_of_one_and_survive_in_the_plan(light, mean_nm):
    loaded = load_request(BEETLE, [f"focus.wavelengths={light}"])
    assert loaded.value.focus.wavelength_nm is None
    assert loaded.value.focus.mean_wavelength_nm == mean_nm
    plan = plan_of(loaded.value, loaded.assumed)
    assert parse_plan(plan_text(plan), "p.plan.yaml").request == loaded.value


@pytest.mark.parametrize(
    ("light", "message"),
    [
        ("[650, 450]", "found [650, 450]; write the shorter wavelength first"),
        ("[100, 450]", "found 100; write a number from 200 to 2000, in nm"),
        ("[450, 550, 650]", "found a list of 3"),
        ("550", "found '550'"),
        ("[{weight: 2}]", "missing; write a number from 200 to 2000, in nm"),
        ("[{nm: 300, weight: 20}, {nm: 900}]", "more than twice the mean of 328.6 nm"),
    ],
)
def test_what_is_no_light_is_a_fault(light, message):
    with pytest.raises(InputError) as faults:
        focus(f"focus.wavelengths={light}")
    assert message in str(faults.value)


def test_one_wavelength_and_several_do_not_go_together():
    with pytest.raises(InputError, match="found together with wavelength_nm; write one of the two"):
        focus("focus.wavelengths=[450, 650]", "focus.wavelength_nm=550")
