"""A bracket that the rail fires: every exposure of every frame at its place, all again where one is in doubt."""

from __future__ import annotations

import dataclasses
import itertools
import sys

import pytest
from driving.runs import (
    MIDDLE,
    Killer,
    assert_complete,
    events,
    finish,
    journal_of,
    killed_run,
    make_job,
    openings,
    person,
    records,
    run,
    with_options,
)

from stacker.documents.journal import read_journal
from stacker.documents.rail_link import Shutter
from stacker.driving.shutters import RailBracket
from stacker.errors import RunStopped
from stacker.rail.stops import StopOrder

STOPS, GAP_S, METERED_S = (-2.0, 0.0, 2.0), 0.5, 0.4
EXPOSURES_S = [METERED_S * 2**stop for stop in STOPS]
WHOLE_S = sum(EXPOSURES_S) + 2 * GAP_S


def bracketed(folder, count=4, **changes):
    shutter = Shutter(bulb=True, pulse_s=0.1)
    return make_job(
        folder,
        count=count,
        shutter=shutter,
        exposure_s=(WHOLE_S,) * count,
        bracket_stops=STOPS,
        bracket_gap_s=GAP_S,
        pictures_a_frame=3,
        **changes,
    )


def test_each_frame_is_exposed_so_often_each_for_its_time_and_apart(tmp_path):
    job = bracketed(tmp_path)
    run(job)
    assert openings(job) == [MIDDLE + position for position in job.positions for _ in STOPS]
    assert not events(job, "blur")
    closed = [event for event in events(job, "contact") if event["closed"]]
    opened = [event for event in events(job, "contact") if not event["closed"]]
    assert [event["shot"] for event in closed] == list(range(1, 13))
    held_s = [end["time_s"] - start["time_s"] for start, end in zip(closed, opened, strict=True)]
    assert held_s == pytest.approx(EXPOSURES_S * 4, abs=0.002)
    for place in range(4):
        first, second, third = (event["time_s"] for event in closed[3 * place : 3 * place + 3])
        # the rail's poll and the wire let the next come later by some milliseconds, and never sooner
        assert 0 <= second - first - EXPOSURES_S[0] - GAP_S < 0.02
        assert 0 <= third - second - EXPOSURES_S[1] - GAP_S < 0.02
    lines = [(line["event"], line["frame"]) for line in records(job, "intent", "confirmed")]
    assert lines == [(event, frame) for frame in range(1, 5) for event in ("intent", "confirmed")]


@pytest.mark.parametrize("after", range(1, 13))
def test_a_stop_within_a_bracket_takes_all_of_it_again(tmp_path, after):
    job = bracketed(tmp_path)

    def order():
        return StopOrder.STOP if len(openings(job)) >= after else StopOrder.GO_ON

    if after < 12:
        with pytest.raises(RunStopped):
            run(job, who=person(stop_order=order))
        done = read_journal(journal_of(job)).confirmed
        assert set(done) <= set(range(1, after // 3 + 1))
        run(job, resume=True)
    else:  # after the last exposure nothing is left to stop
        run(job, who=person(stop_order=order))
    past = read_journal(journal_of(job))
    assert not past.pending
    contacts = [event["shot"] for event in events(job, "contact") if event["closed"]]
    assert len(contacts) == len(set(contacts))  # no number twice: a late line can fire nothing
    for position in job.positions:
        places = [number for number, place in enumerate(openings(job)) if place == MIDDLE + position]
        last = places[-3:]
        assert len(last) == 3
        assert last[2] - last[0] == 2
    whole = [len(list(group)) for _, group in itertools.groupby(openings(job))]
    assert all(count >= 3 for count in whole[:-1])


def test_an_exposure_without_its_sync_takes_the_whole_bracket_again(tmp_path):
    job = bracketed(tmp_path, count=2)
    job = dataclasses.replace(
        job, shutter=Shutter(bulb=True, pulse_s=0.1, sync_s=0.3, on_open_sync="repeat", repeats=1)
    )
    run(with_options(job, "silent_from=2&silent_frames=1"))
    assert [record["frame"] for record in records(job, "intent")] == [1, 1, 2]
    assert read_journal(journal_of(job)).confirmed == {1: 1, 2: 1}


def test_numbers_of_frames_never_share_an_exposure_of_the_controller():
    class Counting:
        def next_shot(self, at_least):
            return max(at_least, last + 1)

    for count, last, at_least in itertools.product((2, 3, 5), range(12), (1, 2, 4)):
        bracket = RailBracket(Counting(), None, tuple(range(count)), 0.5)
        shot = bracket.next_shot(at_least)
        assert shot >= at_least
        assert (shot - 1) * count + 1 > last
        assert shot == at_least or (shot - 2) * count + 1 <= last  # and none is passed over


@pytest.mark.campaign
@pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")
def test_killed_at_every_second_operation_the_last_bracket_of_each_frame_is_whole(tmp_path):
    whole = bracketed(_new(tmp_path / "whole"), count=2)
    for at in range(1, killed_run(whole, Killer(0)), 2):
        job = bracketed(_new(tmp_path / str(at)), count=2)
        killed_run(job, Killer(at))
        finish(job)
        assert_complete(job)
        runs = [(place, len(list(group))) for place, group in itertools.groupby(openings(job))]
        assert len(runs) == 2  # a frame taken again is taken at once, before the next
        assert all(count >= 3 for _, count in runs)


def _new(folder):
    folder.mkdir()
    return folder
