"""The dry run opens nothing, and says line by line what a run then sends."""

from __future__ import annotations

import pytest
from driving.runs import events, make_job, run

from stacker.driving import dry_run
from stacker.driving.rehearsal import QUESTIONS
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal
from stacker.rail import link
from stacker.rail.line import LineController


def sent_by_a_run(job, monkeypatch, **run_options):
    """The requests of a real run, questions left out."""
    asked = []
    ask = LineController.ask

    def noting(self, verb, *arguments):
        asked.append(" ".join([verb, *map(str, arguments)]))
        return ask(self, verb, *arguments)

    monkeypatch.setattr(LineController, "ask", noting)
    run(job, run_options=RunOptions(yes=True, **run_options))
    return [words for words in asked if words.split(" ")[0] not in QUESTIONS]


@pytest.mark.parametrize("direction", [1, -1])
def test_every_line_of_a_run_is_in_the_dry_run_in_its_order(tmp_path, monkeypatch, direction):
    positions = tuple(direction * 48 * n for n in range(6))
    job = make_job(
        tmp_path, positions=positions, direction=direction, exposure_s=(0.005, 0.005, 0.01, 0.01, 0.02, 0.02)
    )
    told = dry_run.rehearse(job, front_at=64_000, frames=range(1, 7))
    dry = [*told.set_up, *(words for _, requests in told.frames for words in requests)]
    real = sent_by_a_run(job, monkeypatch)
    # left out of the dry run: the session's number, which is drawn at the bench, and leave after an earlier stop
    real = ["open SESSION" if words.startswith("open") else words for words in real if words != "clear"]
    assert sorted(dry) == sorted(real)
    assert [words for words in dry if words.startswith(("move", "fire", "watch"))] == [
        words for words in real if words.startswith(("move", "fire", "watch"))
    ]


def test_no_port_is_opened(tmp_path, monkeypatch):
    def forbidden(*arguments, **options):
        raise AssertionError("a port was opened")

    monkeypatch.setattr(link, "open_link", forbidden)
    monkeypatch.setattr("serial.serial_for_url", forbidden)
    job = make_job(tmp_path)
    text = dry_run.text(job, dry_run.rehearse(job, front_at=64_000, frames=range(1, 7)), whole=True)
    assert "no port is opened" in text
    assert not (tmp_path / "rail.log").exists()


def test_the_middle_is_left_out_unless_all_is_asked_for(tmp_path):
    job = make_job(tmp_path, count=20)
    told = dry_run.rehearse(job, front_at=64_000, frames=range(1, 21))
    short, whole = dry_run.text(job, told, whole=False), dry_run.text(job, told, whole=True)
    assert "14 frames more: --all shows them" in short
    assert [n for n in range(1, 21) if f"  frame {n}:" in short] == [1, 2, 3, 18, 19, 20]
    assert [n for n in range(1, 21) if f"  frame {n}:" in whole] == list(range(1, 21))
    assert max(map(len, whole.splitlines())) <= 100


def test_a_dry_run_refuses_what_the_run_would(tmp_path):
    job = make_job(tmp_path)
    with pytest.raises(Refusal, match="soft limits"):
        dry_run.rehearse(job, front_at=124_800, frames=range(1, 7))
    assert not (tmp_path / "rail.log").exists()


def test_where_the_front_is_not_known_positions_count_from_it(tmp_path):
    job = make_job(tmp_path)
    told = dry_run.rehearse(job, front_at=None, frames=(1, 0))
    assert told.frames[0] == (1, ("move -78", "move -48", "watch 5 300", "fire 1 -48"))
    assert "positions below count from it" in dry_run.text(job, told, whole=True)


def test_nothing_of_a_rehearsal_touches_a_rail(tmp_path):
    job = make_job(tmp_path)
    dry_run.rehearse(job, front_at=64_000, frames=range(1, 7))
    run(job)
    assert len(events(job, "open")) == 1
