"""What a controller of RS274/NGC words may say and be told: refusals, locks, loaders, odd answers and reports."""

from dataclasses import replace

import pytest
from driving.runs import person, records, run
from rail.gcode_board import ALARM, LOCKED, STATUS, Board, Faults, Manners
from rail.test_gcode import PER_MM, QUERY, WORDS, expose, ready
from rail.test_gcode_resets import drive_on  # noqa: F401, a fixture
from rail.test_gcode_runs import FRONT
from rail.test_gcode_runs import WORDS as DRIVEN

from stacker.driving.run_options import RunOptions
from stacker.errors import LinkError, Refusal, RunStopped
from stacker.rail.controller import ControllerRefused
from stacker.rail.gcode import GcodeController
from stacker.rail.gcode_words import acknowledges
from stacker.rail.link import Link


def opened(manners, words=WORDS, **options):
    board = Board(manners=manners, **options)
    controller = GcodeController(Link(board, board.clock, longest=512), words, microsteps_per_mm=PER_MM)
    controller.connect()
    controller.take_over()
    return board, controller


def test_a_notice_before_an_acknowledgement_refuses_and_no_frame_counts(drive_on):  # noqa: F811
    words = replace(DRIVEN, refuse=("bad", "what is"), close_contact="M62 P0", open_contact="M63 P0")
    with pytest.raises(LinkError, match=r"refused 'M63 P0': what is 'M63 P0'\?"):
        opened(Manners(notice_then_taken=True), words)
    board, _, ended = drive_on(Faults(), words=words, manners=Manners(notice_then_taken=True))
    assert "does not answer" not in str(ended)
    assert not board.moves


@pytest.mark.parametrize("contact", [("M8", "M9"), ("M106 S255", "M107"), ("M3", "M5"), ("M62 P0", "M63 P0")])
def test_the_two_words_of_the_shutter_are_the_profiles(contact):
    board = Board(manners=Manners(contact=contact))
    rail = ready(board, replace(WORDS, close_contact=contact[0], open_contact=contact[1]))
    rail.move(64_048)
    expose(rail)
    assert board.exposures() == [(pytest.approx(40.03), True)]
    assert not board.closed


def test_an_alarm_unasked_ends_the_run_with_the_boards_own_words(drive_on):  # noqa: F811
    words = replace(DRIVEN, refuse=("bad", "alarm"))
    board, _, _ = drive_on(Faults(), words=words)
    at_s = board.moves[4].ends_s + 0.7
    board, _, ended = drive_on(Faults(alarm_at_s=at_s), words=words)
    assert f"said unasked: {ALARM}" in str(ended) or f"refused 'G21': {ALARM}" in str(ended)
    assert "does not answer" not in str(ended)
    assert "position is lost" in str(ended)


@pytest.mark.parametrize("at_start", [(), ("G90",), ("set steps", "G21", "G90", "G94")])
def test_the_lines_of_every_opening_are_the_profiles_and_any_of_them_can_go(at_start):
    board, _ = opened(Manners(remembers="set steps" not in at_start), replace(WORDS, at_start=at_start))
    sent = [line for line in board.lines if line.startswith(("G", "set"))]
    assert sent[-len(at_start) :] == list(at_start) if at_start else not sent
    assert board._ratio == 1


def test_a_board_that_starts_locked_is_unlocked_after_its_greeting():
    words = replace(WORDS, unlock=("unlock",))
    board, _ = opened(Manners(starts_locked=True), words)
    assert "unlock" in board.lines
    board, _ = opened(Manners(starts_locked=True), words, greets=False)  # its greeting was lost: it refuses, then
    assert "unlock" in board.lines
    with pytest.raises(
        ControllerRefused, match=f"refused 'G21': {LOCKED}.*write the line that unlocks it under unlock"
    ):
        opened(Manners(starts_locked=True), WORDS)


@pytest.mark.parametrize("boot_s", [0.5, 2.9, 4.0, 8.0])
def test_whoever_swallows_the_first_line_or_starts_late_is_asked_again(boot_s):
    board, _ = opened(Manners(boot_s=boot_s, swallows_first=True))
    assert board.lines.count("G94") == 1


def test_what_answers_an_earlier_question_late_is_not_taken_for_the_answer_to_a_later_line():
    board, controller = opened(Manners(), faults=Faults(late_answer={1: 5.0}))
    controller.declare(64_000)
    board.clock.sleep(6)
    controller.lines.listen()  # an acknowledgement that nobody waits for would end it here
    assert controller.where().known


def test_a_board_that_starts_after_all_patience_is_told_about_wake_s():
    with pytest.raises(LinkError, match=r"no 'taken' in answer to 'G21', sent 4 times.*needs a longer wake_s"):
        opened(Manners(boot_s=60.0))


@pytest.mark.parametrize("ending", [" P15 B3", " T:21", ":"])
def test_an_acknowledgement_is_known_by_its_beginning(ending):
    _board, controller = opened(Manners(ending=ending))
    assert controller.lines.trusted
    assert not acknowledges(WORDS, "takenaback")


def test_an_answer_and_its_acknowledgement_may_stand_on_one_line():
    board = Board(manners=Manners(in_one_line=True))
    rail = ready(board, QUERY)
    rail.move(64_048)
    assert rail.here() == 64_048


def test_a_status_said_unasked_is_no_greeting(drive_on):  # noqa: F811
    _, _, ended = drive_on(Faults(), words=DRIVEN, manners=Manners(status_every_s=0.3))
    assert ended is None
    assert STATUS not in DRIVEN.greeting


@pytest.mark.parametrize(
    ("report", "message"),
    [
        ("inches", r"answers 1\.5748 to 'where\?'\. 1\.5748 is 40 mm in inches: let it report mm"),
        ("microsteps", "counts microsteps: write a position_reply that picks the number in mm"),
        ("machine", "picks a number that G92 does not set"),
    ],
)
def test_a_reply_in_other_units_or_of_another_kind_names_the_key_that_does_not_fit(report, message):
    _, controller = opened(Manners(report=report), QUERY)
    with pytest.raises(Refusal, match=message) as caught:
        controller.declare(64_000)
    assert caught.value.key == "rail.link.position_reply"
    assert not controller.where().known


def test_a_reply_that_never_fits_names_the_key_too():
    _, controller = opened(Manners(), replace(QUERY, position_reply="X:{mm}"))
    with pytest.raises(RunStopped, match=r"was not answered in 3 s \(its last words: 'at 40.0000.*look|position_reply"):
        controller.declare(64_000)


def test_a_first_run_without_a_proof_asks_whether_the_camera_fired(drive_on):  # noqa: F811
    asked = []

    def take(text):
        asked.append(text)
        return len(asked) > 1

    board, job, _ = drive_on(Faults(), words=DRIVEN)  # with --yes nobody is asked, but told
    assert not asked
    for left in job.path.parent.iterdir():
        left.unlink()
    board = Board(manners=Manners())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "stacker.driving.bench.open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest)
        )
        with pytest.raises(RunStopped, match="the camera took no picture at the first frame"):
            run(job, run_options=RunOptions(rail_at=FRONT, front_at=FRONT), who=person(confirm_taken=take))
    assert len(asked) == 1
    assert not records(job, "confirmed")
    seen = replace(job, link=replace(DRIVEN, exposure_seen=True))
    for left in job.path.parent.iterdir():
        left.unlink()
    board = Board(manners=Manners())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "stacker.driving.bench.open_link", lambda *_, longest, **__: Link(board, board.clock, longest=longest)
        )
        run(seen, run_options=RunOptions(rail_at=FRONT, front_at=FRONT), who=person(confirm_taken=take))
    assert len(asked) == 1


def test_a_rail_whose_steps_nobody_measured_is_not_driven(drive_on):  # noqa: F811
    board, _, ended = drive_on(Faults(), words=replace(DRIVEN, measured_10_mm=None))
    assert ended.code == "travel_unmeasured"
    assert not board.lines


def test_the_last_word_says_what_nobody_can_know(drive_on):  # noqa: F811
    _, job, _ = drive_on(Faults(), words=DRIVEN)
    told = " ".join(records(job, "run")[0]["cannot_know"])
    assert "cannot be asked where it is" in told
    assert "whether the controller holds it between moves is not known" in told
    for kept, text in ((True, ""), (False, "lets it go after each move")):
        _, job, _ = drive_on(Faults(), words=replace(DRIVEN, keeps_motor_on=kept))
        told = " ".join(records(job, "run")[0]["cannot_know"])
        assert (text in told) if text else "motor" not in told
