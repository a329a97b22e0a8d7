"""Every label that a person reads on the card, in the tables and on the page can be explained."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timezone
from pathlib import Path

import pytest

from stacker.documents.labels import LABELS
from stacker.documents.reference import find
from stacker.documents.words import WORDS
from stacker.optics.focusing import FocusingLens
from stacker.optics.spectrum import Spectrum
from stacker.planning.apertures import aperture_rows
from stacker.planning.evening import evening_of
from stacker.planning.sensitivity import Case, Effect
from stacker.planning.tubes import tube_rows
from stacker.presenting import apertures_table, effects_table, evening_table, export_dial, hand_over_text, tubes_table
from stacker.presenting.bench_card import bench_card, facts
from stacker.presenting.export_dial import dial_text
from stacker.verifying.hand_over import hand_over
from stacker.verifying.sub_stacks import sub_stacks
from stacker.verifying.takes import Take


def assert_explained(labels):
    labels = [label for label in labels if label]
    assert labels
    for label in labels:
        found = find(label)
        assert found, label
        bare = re.sub(r" (um|mm|s|GB)$", "", label).lower()
        assert found[0].key.lower() == bare, label  # the label itself, not some key that ends like it


@pytest.fixture
def heads(monkeypatch):
    """The heads of all tables that are made from here on."""
    seen = []
    for module in (apertures_table, effects_table, evening_table, export_dial, hand_over_text, tubes_table):
        made = module.table

        def note(head, *rest, _made=made, **more):
            seen.extend(head)
            return _made(head, *rest, **more)

        monkeypatch.setattr(module, "table", note)
    return seen


def test_the_card(planned):
    plan = planned("rig.f_number=32")
    assert plan.warnings
    assert_explained([label for label, _ in facts(plan)])
    titles = [line[:-1] for line in bench_card(plan) if re.fullmatch(r"[A-Z][a-z ]+:", line)]
    assert {"Warnings", "Before the first frame"} <= set(titles)
    assert_explained([*titles, "Suggestions", "marked", "effective", "stops lost", "NA", "microsteps", "divisions"])


def test_the_sub_stacks(heads):
    takes = [Take(frames=(n,), fixed=True, confirmed=True, pictures=((Path(f"P{n}.jpg"),),)) for n in range(1, 10)]
    one = hand_over(takes, {n: 40.0 * n for n in range(1, 10)}, name="moss", parts=sub_stacks(9, 4, 1))
    assert list(hand_over_text.sub_stack_lines(one))
    assert_explained(heads)


def test_the_tables(planned, hand_rail, heads):
    plan = planned()
    apertures_table.apertures_table(aperture_rows(plan.request, (4.0, 32.0)), 4.0, None)
    tubes_table.tubes_table(
        tube_rows(
            FocusingLens(focal_length_mm=40, max_magnification=0.16),
            f_number=4,
            tubes_mm=(10, 16),
            sensor_mm=(23.5, 15.7),
            columns=6000,
        ),
        (0.5, 0.9),
    )
    effects_table.effects_table([Effect(key="k", cases=(Case(value=1, frames=2, seam=0.5),) * 3)])
    dial_text(planned(rail=hand_rail))
    nothing_known = replace(plan, budget=replace(plan.budget, duration_s=None))
    told = evening_table.evening_table(
        evening_of([plan, nothing_known], setup_s=60), starts=datetime(2031, 1, 1, tzinfo=timezone.utc), setup_s=60
    )
    rows = [re.match(r"([a-z]+(?: [a-z]+)*) {2,}\S", line) for line in told[told.index("") + 1 :]]
    assert {"w.d. mm", "seam, if", "detail um", "by in all", "on card"} <= set(heads)
    assert_explained([*heads, *(row[1] for row in rows if row)])


@pytest.mark.usefixtures("undrawn")
def test_the_page(planned):
    pytest.importorskip("matplotlib")
    from stacker.presenting.report import report_page

    plan = planned("rig.f_number=32")
    page = report_page(plan, Spectrum.single(550), aperture_rows(plan.request, (8.0, 32.0)))
    headings = re.findall(r"<h2>(.*?)</h2>", page)
    assert len(headings) >= 7
    assert_explained(headings)
    assert_explained(re.findall(r'<th scope="col">(.*?)</th>', page))
    assert_explained(re.findall(r"<dt>(.*?)</dt>", page))


def test_no_word_is_told_twice():
    assert not set(WORDS) & set(LABELS)
