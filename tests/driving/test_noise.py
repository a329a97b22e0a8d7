"""A bad line: bytes dropped, doubled, flipped, delayed, lines lost and doubled, in both directions."""

from __future__ import annotations

import random

import pytest
from driving.runs import MIDDLE, events, journal_of, make_job, openings, run

from stacker.documents.journal import read_journal
from stacker.errors import StackerError


def attempt(job):
    """How a run ended: its outcome, or the error that stopped it."""
    try:
        return run(job), None
    except StackerError as error:
        return None, error


def noisy_run(folder, seed, options):
    """One run; returns whether it completed. Whatever happened, no shutter opened in a wrong place or in motion."""
    folder.mkdir()
    job = make_job(folder, state=False, options=f"time_scale=inf&seed={seed}&{options}")
    planned = [MIDDLE + position for position in job.positions]
    outcome, error = attempt(job)
    if error is not None:
        assert len(str(error)) > 40  # it says what happened and what to do
        assert error.exit_code in (1, 3)
        assert openings(job) == planned[: len(openings(job))]
        assert not events(job, "blur")
        if journal_of(job).exists():
            confirmed = read_journal(journal_of(job)).confirmed
            assert len(openings(job)) - 1 <= len(confirmed) <= len(openings(job))
        return False
    assert openings(job) == planned
    assert not events(job, "blur")
    assert outcome.past.doubled == ()
    return True


def test_one_line_in_a_hundred_damaged(tmp_path):
    assert sum(noisy_run(tmp_path / str(seed), seed, "damage=0.01") for seed in range(20)) == 20


@pytest.mark.parametrize("kind", ["drop", "double", "flip", "delay", "lose_line", "double_line"])
def test_one_line_in_ten_suffers_one_kind_of_damage(tmp_path, kind):
    assert sum(noisy_run(tmp_path / str(seed), seed, f"{kind}=0.1") for seed in range(5)) >= 4


def test_a_line_that_is_mostly_noise_stops_the_run_with_a_message(tmp_path):
    completed = [noisy_run(tmp_path / str(seed), seed, "damage=0.9") for seed in range(3)]
    assert completed == [False] * 3


@pytest.mark.campaign
def test_400_runs_with_one_line_in_a_hundred_damaged_complete_in_99_of_100(tmp_path):
    completed = sum(noisy_run(tmp_path / str(seed), seed, "damage=0.01") for seed in range(400))
    assert completed >= 396


@pytest.mark.campaign
def test_600_runs_with_all_kinds_and_degrees_of_damage(tmp_path):
    chance = random.Random(4)
    completed = 0
    for seed in range(600):
        rates = "&".join(f"{kind}={chance.uniform(0, 0.15):.3f}" for kind in ("drop", "double", "flip", "delay"))
        rates += f"&lose_line={chance.uniform(0, 0.1):.3f}&double_line={chance.uniform(0, 0.1):.3f}"
        completed += noisy_run(tmp_path / str(seed), 1000 + seed, rates + f"&delay_s={chance.uniform(0.05, 1.5):.2f}")
    assert 60 < completed < 600  # the rest stopped with a message: both outcomes are met
