"""Panels are driven: each a run at its place, never two rails at once, nothing sideways with the main rail inside."""

from __future__ import annotations

import itertools
import json
import sys
from pathlib import Path

import pytest
from driving.runs import Killer, killed, person

from stacker.documents.journal import read_journal
from stacker.documents.loading import load_request
from stacker.documents.plan_file import read_plan, write_plan
from stacker.driving import bench
from stacker.driving.beside import in_folder
from stacker.driving.job import job_of, panel_job
from stacker.driving.panels import drive_panels, set_of
from stacker.driving.run_options import RunOptions
from stacker.errors import Refusal, RunStopped, StackerError
from stacker.planning.planner import plan_of
from stacker.rail.stops import StopOrder

RAIL = (
    "travel_mm: 80, soft_limits_mm: [2, 78], full_steps_per_turn: 200, microsteps_per_full_step: 16, lead_mm: 2, "
    "speed_mm_s: 3, acceleration_mm_s2: 15, backlash_um: 15, settle_s: 0.3, repeatability_um: 1.5"
)
FRONT = 48_000  # 30 mm in microsteps of 0.625 um
MIDDLE = 64_000  # where a simulated rail of 128,000 microsteps starts


def simulated(folder, name, options=""):
    return f"sim://bench?time_scale=inf&log={folder / name}.log&state={folder / name}.json{options}"


def plan_in(folder, *, across=2, down=2, axes=("across", "down"), main="", sideways="", more="", depth=0.1):
    """A plan of few frames and few panels, each rail simulated with a log and a memory of its own."""
    rails = "".join(
        f", {axis}_rail: {{name: {axis}, {RAIL}, link: {{url: '{simulated(folder, axis, sideways)}'}}}}"
        for axis in axes
    )
    text = (
        "rig: {kind: measured, magnification: 2, f_number: 4, working_distance_mm: 60}\n"
        "camera: {sensor_mm: [23.5, 15.7], pixels: [6000, 4000]}\n"
        "light: {kind: flash, exposure_s: 0.005, recycle_s: 0.5}\n"
        f"subject: {{depth_mm: {depth}, front_at_mm: 30}}\n"
        f"rail: {{name: main, {RAIL}, link: {{url: '{simulated(folder, 'main', main)}'}}}}\n"
        f"focus: {{end_frames: 0}}\npanels: {{across: {across}, down: {down}{rails}{more}}}\n"
    )
    path = folder / "p.plan.yaml"
    return path, write_plan(plan_of(load_request("p.yaml", text=text).value, {}), path)


def go(path, *, resume=None, only=None, who=None, opener=None, **options):
    """What the command does, without the command."""
    plan = read_plan(path)
    job = job_of(plan, path)
    panels = set_of(
        plan.request.panels,
        plan.panels,
        lambda panel: panel_job(job, panel),
        digest=plan.digest,
        resume=resume,
        only=only,
    )
    more = {} if opener is None else {"opener": opener}
    return drive_panels(panels, RunOptions(yes=True, **options), who or person(), **more)


def log(folder, name):
    path = folder / f"{name}.log"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def exposures(folder):
    """True places of the main rail at which the shutter opened, in order."""
    return [event["position_microsteps"] for event in log(folder, "main") if event["event"] == "shutter"]


def journals(folder):
    return [past for _, past in in_folder(folder)]


def assert_all_taken(path, plan):
    """By the journals: one finished for each panel of the newest set; by the rail: each frame as often as panels."""
    newest = max(journals(path.parent), key=lambda past: past.last_utc).set
    done = {past.panel: past for past in journals(path.parent) if past.set == newest}
    assert sorted(done) == [panel.panel for panel in plan.panels.panels]
    assert not any(past.pending for past in done.values())
    places = exposures(path.parent)
    for position in plan.frames.position_microsteps:
        assert places.count(FRONT + position) >= len(plan.panels.panels)
    assert set(places) == {FRONT + position for position in plan.frames.position_microsteps}


def test_each_panel_is_a_run_at_its_place_and_all_ends_where_it_began(tmp_path):
    path, plan = plan_in(tmp_path)
    outcomes = go(path)
    assert [outcome.past.panel for outcome in outcomes] == [1, 2, 3, 4]
    assert_all_taken(path, plan)
    for axis in ("across", "down"):
        stops = [event["counted"] for event in log(tmp_path, axis) if event["event"] == "rest"]
        planned = [MIDDLE + getattr(panel, f"{axis}_microsteps") for panel in plan.panels.panels]
        visited = iter(stops)
        assert all(place in visited for place, _ in itertools.groupby(planned))  # in this order
        assert stops[-1] == MIDDLE
    assert [event["counted"] for event in log(tmp_path, "main") if event["event"] == "rest"][-1] == FRONT


class Watching:
    """Notes, at every order to move, which rails are where and at rest: nothing may move beside another."""

    def __init__(self, monkeypatch, folder):
        from stacker.rail.line import LineController

        self.folder, self.wrong, self.where, self.moves = folder, [], {}, 0
        start, awaited = LineController.start_move, LineController.where
        watching = self

        names, made = {}, bench.controller_for

        def controller_for(link, settings):
            controller = made(link, settings)
            names[id(controller)] = next(name for name in ("main", "across", "down") if f"/{name}.log" in link.url)
            return controller

        def name_of(controller):
            return names[id(controller)]

        def start_move(controller, position):
            name = name_of(controller)
            watching.moves += name != "main"
            others = {other: at for other, at in watching.where.items() if other != name}
            if any(at is None for at in others.values()):
                watching.wrong.append(f"{name} moves beside {others}")
            if name != "main" and others.get("main") != FRONT:
                watching.wrong.append(f"{name} moves with the main rail at {others.get('main')}")
            watching.where[name] = None
            return start(controller, position)

        def where(controller):
            found = awaited(controller)
            watching.where[name_of(controller)] = found.position if found.resting else None
            return found

        monkeypatch.setattr(LineController, "start_move", start_move)
        monkeypatch.setattr(LineController, "where", where)
        monkeypatch.setattr(bench, "controller_for", controller_for)


def test_one_rail_at_a_time_and_sideways_only_with_the_main_rail_out(tmp_path, monkeypatch):
    path, _ = plan_in(tmp_path, across=3)
    watching = Watching(monkeypatch, tmp_path)
    go(path)
    assert watching.moves > 5
    assert not watching.wrong


def test_a_panel_of_its_own_depths_takes_only_its_frames(tmp_path):
    path, plan = plan_in(tmp_path, down=1, depth=0.6, more=", depths: [{panel: 2, from_mm: 0.3, to_mm: 0.35}]")
    go(path)
    first, second = journals(tmp_path)
    assert len(second.confirmed) < len(first.confirmed) == plan.coverage.frame_count
    planned = plan.frames.position_microsteps[plan.panels.panels[1].first_frame - 1 : plan.panels.panels[1].last_frame]
    assert exposures(tmp_path)[-len(planned) :] == [FRONT + position for position in planned]


@pytest.mark.parametrize("after", [1, 5])
def test_a_stop_in_the_middle_of_a_panel_goes_on_there(tmp_path, after):
    path, plan = plan_in(tmp_path)

    def order():
        return StopOrder.STOP if len(exposures(tmp_path)) >= after else StopOrder.GO_ON

    with pytest.raises(RunStopped, match="--resume"):
        go(path, who=person(stop_order=order))
    before = len(journals(tmp_path))
    go(path, resume="")
    assert_all_taken(path, plan)
    assert len(journals(tmp_path)) == 4
    assert before == -(-after // plan.coverage.frame_count)


def test_a_stop_while_an_axis_moves_leaves_all_at_rest_and_goes_on(tmp_path):
    path, plan = plan_in(tmp_path)

    def order():
        moved = [event for event in log(tmp_path, "across") if event["event"] == "start"]
        return StopOrder.STOP if len(moved) >= 3 else StopOrder.GO_ON

    with pytest.raises(RunStopped, match=r"Between two panels: panel . is not in the picture yet\. Go on: .*--resume"):
        go(path, who=person(stop_order=order))
    last = [event["event"] for event in log(tmp_path, "across") if event["event"] in ("start", "rest")][-1]
    assert last == "rest"
    go(path, resume="")
    assert_all_taken(path, plan)


def test_a_stop_before_the_first_frame_does_not_name_a_run_that_is_not_there(tmp_path):
    path, _ = plan_in(tmp_path)

    def order():
        moved = [event for event in log(tmp_path, "across") if event["event"] == "start"]
        return StopOrder.STOP if moved else StopOrder.GO_ON

    with pytest.raises(
        RunStopped, match=r"No frame was taken: bring the middle .* into the middle of the picture again"
    ):
        go(path, who=person(stop_order=order))
    assert not journals(tmp_path)


def test_an_axis_that_stalls_stops_the_set_with_everything_kept(tmp_path):
    path, plan = plan_in(tmp_path, sideways="&high_cut_at_s=4.0")
    with pytest.raises(StackerError):
        go(path)
    assert all(not past.pending for past in journals(tmp_path))
    assert len(journals(tmp_path)) < len(plan.panels.panels)


def test_no_panel_lies_outside_the_limits_of_its_axis(tmp_path):
    path, _ = plan_in(tmp_path, across=8, sideways="&start=20000")
    with pytest.raises(Refusal, match="outside the limits"):
        go(path)  # 8 panels of 8.8 mm need 31 mm to either side, and the rail stands at 12.5
    assert not [event for event in log(tmp_path, "across") if event["event"] == "start"]


def test_after_a_set_the_middle_is_where_it_was_and_is_not_taken_from_where_the_rail_stands(tmp_path):
    path, plan = plan_in(tmp_path)
    with pytest.raises(RunStopped):
        go(path, who=person(stop_order=lambda: StopOrder.STOP if len(exposures(tmp_path)) > 1 else StopOrder.GO_ON))
    stands = json.loads((tmp_path / "across.json").read_text())
    assert stands
    go(path)  # a new set, from the corner where the stopped one left the axes
    assert_all_taken(path, plan)
    assert {past.axes["across"]["origin"] for past in journals(tmp_path)} == {MIDDLE}


def test_an_axis_that_was_switched_off_is_not_believed_until_it_is_centred(tmp_path):
    path, plan = plan_in(tmp_path)
    with pytest.raises(RunStopped):
        go(path, who=person(stop_order=lambda: StopOrder.STOP if len(exposures(tmp_path)) > 1 else StopOrder.GO_ON))
    (tmp_path / "down.json").unlink()  # another board, or the same after its supply was off
    with pytest.raises(Refusal, match="--centred"):
        go(path, resume="")
    go(path, resume="", centred=True)
    assert_all_taken(path, plan)


def test_an_axis_by_hand_is_asked_for_and_a_no_stops(tmp_path):
    path, plan = plan_in(tmp_path, axes=("across",))
    asked = []
    go(path, who=person(confirm_moved=lambda text: asked.append(text) or True))
    assert_all_taken(path, plan)
    assert len(asked) == 2  # to and fro across, and once down
    assert "the picture shows what lies further up" in asked[0]
    other = tmp_path / "other"
    other.mkdir()
    path, _ = plan_in(other, axes=("across",))
    with pytest.raises(RunStopped, match="nobody says that panel 1 is in the picture"):
        go(path)
    assert not exposures(other)


def test_one_panel_is_taken_again_by_its_number(tmp_path):
    path, plan = plan_in(tmp_path)
    go(path)
    go(path, only=3, kind="frames", frames=(2,), front_at=FRONT)
    newest = journals(tmp_path)[-1]
    assert (newest.panel, newest.kind, newest.confirmed) == (3, "frames", {2: 1})
    assert exposures(tmp_path)[-1] == FRONT + plan.frames.position_microsteps[1]
    go(path, only=2, kind="frames", frames=(1,), front_at=FRONT)  # the axes are trusted from that run on
    with pytest.raises(Refusal, match="panels 1 to 4"):
        go(path, only=5)


def test_some_frames_of_a_panel_are_gone_on_with_alone(tmp_path):
    path, plan = plan_in(tmp_path)
    go(path)
    shots = len(exposures(tmp_path))

    def order():
        return StopOrder.STOP if len(exposures(tmp_path)) > shots else StopOrder.GO_ON

    with pytest.raises(RunStopped):
        go(path, only=2, kind="frames", frames=(1, 2), front_at=FRONT, who=person(stop_order=order))
    newest = max(tmp_path.glob("*.run.jsonl"))
    go(path, resume=str(newest))
    assert read_journal(newest).confirmed == {1: 1, 2: 1}
    assert len(exposures(tmp_path)) - shots <= 3
    assert len(journals(tmp_path)) == len(plan.panels.panels) + 1


def test_nothing_is_left_of_a_set_that_is_whole(tmp_path):
    path, _ = plan_in(tmp_path)
    with pytest.raises(Refusal, match="no journal of these panels"):
        go(path, resume="")
    go(path)
    with pytest.raises(Refusal, match="every panel of that set is complete"):
        go(path, resume="")


def kill_and_finish(folder, at, **how):
    folder.mkdir()
    path, plan = plan_in(folder, depth=0.04)
    lived = killed(lambda opener: go(path, opener=opener), Killer(at, **how))
    finish(path)
    assert_all_taken(path, plan)
    for name in ("main", "across", "down"):
        for event in log(folder, name):
            assert 3_200 <= event.get("position_microsteps", 64_000) <= 124_800  # 2 to 78 mm
    return lived


def finish(path: Path) -> None:
    """As a person does after a crash: resume, or begin when no journal was begun."""
    for _ in range(4):
        try:
            go(path, resume="")
        except Refusal as refusal:
            if refusal.code == "complete":
                return
            if refusal.code != "no_journal":
                raise
            for journal in path.parent.glob("*.run.jsonl"):
                journal.unlink()  # cut within its first line
            go(path)


@pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")
@pytest.mark.parametrize("at", [60, 230])
def test_killed_anywhere_it_goes_on_without_a_gap(tmp_path, at):
    assert kill_and_finish(tmp_path / "run", at) == 0


@pytest.mark.campaign
@pytest.mark.skipif(sys.platform == "win32", reason="kills by fork and SIGKILL")
def test_100_kills_across_panels_and_axes_leave_no_gap_and_no_move_outside(tmp_path):
    count = kill_and_finish(tmp_path / "whole", 0)
    assert count > 150
    for number in range(100):
        kill_and_finish(tmp_path / str(number), 1 + number * (count - 1) // 100, torn=number % 3 == 1)


def test_a_journal_of_another_plan_is_no_set_of_this_one(tmp_path):
    path, _ = plan_in(tmp_path)
    go(path)
    (first, *_) = sorted(tmp_path.glob("*.run.jsonl"))
    other = tmp_path / "other"
    other.mkdir()
    path, _ = plan_in(other, across=3)
    with pytest.raises(Refusal, match="belongs to another plan"):
        go(path, resume=str(first))
    assert read_journal(first).panel == 1


def test_an_axis_that_does_not_know_where_it_stands_is_refused_before_anything_moves(tmp_path):
    path, _ = plan_in(tmp_path, sideways="&position=unknown")
    with pytest.raises(Refusal, match="the position of the rail across is not known"):
        go(path)
    assert not [event for name in ("main", "across") for event in log(tmp_path, name) if event["event"] == "start"]


def test_a_stop_on_the_way_home_keeps_every_panel(tmp_path):
    path, plan = plan_in(tmp_path)
    every = 4 * plan.coverage.frame_count
    stop = person(stop_order=lambda: StopOrder.STOP if len(exposures(tmp_path)) == every else StopOrder.GO_ON)
    with pytest.raises(RunStopped, match=r"every panel is taken; the axes are not back at the middle\.$"):
        go(path, who=stop)
    assert_all_taken(path, plan)
    with pytest.raises(Refusal, match="every panel of that set is complete"):
        go(path, resume="")


def test_a_hand_is_told_the_middle_by_name(tmp_path):
    path, _ = plan_in(tmp_path, across=3, down=1, axes=())
    asked = []
    go(path, who=person(confirm_moved=lambda text: asked.append(text) or True))
    assert "panel 2: set across in the middle" in asked
