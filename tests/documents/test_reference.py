"""What the tables of fields say to people and to editors."""

from __future__ import annotations

import re

import jsonschema
import pytest
import yaml

from stacker.documents.reference import DOCUMENTS, entries, find, nearest_key, schema
from stacker.documents.warnings import WARNINGS


@pytest.mark.parametrize("document", DOCUMENTS)
def test_each_schema_is_sound_by_the_standard(document):
    # JSON Schema, draft 2020-12, judged by the reference library's meta-schema
    jsonschema.Draft202012Validator.check_schema(schema(document))


@pytest.mark.parametrize("document", ["request", "rail", "plan"])
def test_the_samples_validate_against_the_schema(plans, document):
    pattern = {"request": "*.yaml", "rail": "rails/*.yaml", "plan": "*.plan.yaml"}[document]
    paths = [path for path in plans.glob(pattern) if document == "plan" or not path.name.endswith(".plan.yaml")]
    assert len(paths) >= 3
    validator = jsonschema.Draft202012Validator(schema(document))
    for path in paths:
        errors = [error.message for error in validator.iter_errors(yaml.safe_load(path.read_text(encoding="utf-8")))]
        assert errors == [], path.name


@pytest.mark.parametrize("fault", ["subject: {depth_mm: -1}", "subject: {depth_mm: '3'}", "subject: {dept_mm: 3}"])
def test_the_schema_rejects_what_the_reader_rejects(fault):
    text = (
        "rig: {kind: measured, magnification: 0.87, f_number: 5.6}\n"
        "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\n"
    )
    validator = jsonschema.Draft202012Validator(schema("request"))
    assert validator.is_valid(yaml.safe_load(text + "subject: {depth_mm: 3}"))
    assert not validator.is_valid(yaml.safe_load(text + fault))


def test_every_key_and_every_warning_can_be_explained():
    known = list(entries())
    assert len(known) > 150
    for entry in known:
        assert entry in find(entry.key), entry.key
        assert entry.meaning, entry.key
        assert entry.meaning[-1] != " ", entry.key
    assert {entry.key for entry in known} >= set(WARNINGS)


def test_a_dimensional_key_carries_its_unit():
    unit_of = {"mm": "_mm", "um": "_um", "nm": "_nm", "s": "_s", "lp/mm": "_lp_mm", "MB": "_mb", "GB": "_gb"}
    unit_of |= {"mm/s": "_mm_s", "mm/s2": "_mm_s2", "MB/s": "_mb_s", "dioptres": "_dioptres", "stops": "_stops"}
    for entry in entries():
        units = re.findall(r", in ([^\s;]+)", entry.takes or "")
        if units and entry.key not in {"focus.wavelengths", "focus.wavelengths.nm"}:  # a band or a list of {nm, weight}
            assert entry.key.endswith((unit_of[units[-1]], "_per_turn")), (entry.key, units)


def test_the_nearest_key_is_found():
    assert nearest_key("ovrlap") == "overlap"
    assert nearest_key("qqqqqq") is None
