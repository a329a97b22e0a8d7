"""Sections 2 to 4 of the protocol page: lines, damage, who may ask."""

from __future__ import annotations

import binascii

import pytest
from conformance.bench import STOP, Asker, framed


def test_the_check_code_is_the_published_one():
    # polynomial 0x1021 from 0xFFFF in the catalogue of parametrised CRC algorithms (G. Cook): check value 0x29B1
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1


def test_identify_answers_anybody_and_changes_nothing(host):
    version, boot, turn, session, name = host.identify()
    assert (version, turn, session) == ("1", "3200", "00000000")
    assert 1 <= int(boot, 16) <= 0xFFFF
    assert name == host.board.name
    host.boot = boot
    assert host.ask("where") == "no session 00000000"


@pytest.mark.parametrize(
    "damage",
    [
        lambda line: line[:-6] + b"\n",
        lambda line: line.replace(b"where", b"wherf"),
        lambda line: line.replace(b"ask", b"Ask"),
        lambda line: line.replace(b" where", b"  where"),
        lambda line: line[:-5] + line[-5:].lower() if line[-5:].lower() != line[-5:] else line[:-1] + b"X\n",
        lambda line: line[:-1] + b"\r\n",
        lambda line: b"\x00" + line,
        lambda line: line[:10] + b"\xff" + line[10:],
        lambda line: b"x" * 64 + line,
        lambda _: framed("hello there"),
        lambda _: framed("say 00000001 00000002 ok"),
        lambda _: b" \n",
    ],
)
def test_a_damaged_or_foreign_line_is_met_with_silence_and_the_next_one_answered(host, damage):
    host.open()
    host.sequence += 1
    host.send(damage(framed(host.body("where"))))
    assert host.line(0.3) is None
    assert host.ok("where").startswith("rest lost")


def test_empty_lines_are_ignored(host):
    host.open()
    host.send(b"\n\n\n")
    assert host.ok("where").startswith("rest")


def test_a_line_of_64_bytes_is_read_and_one_of_65_is_not(host):
    host.open()
    host.sequence += 1
    head = host.body("")
    fitting = head + "x" * (64 - 6 - len(head))
    assert len(framed(fitting)) == 64
    assert host.exchange(fitting) == "no verb"
    host.sequence += 1
    head = host.body("")
    assert host.exchange(head + "x" * (65 - 6 - len(head))) is None


def test_a_half_line_is_ended_by_the_line_feed_before_a_repetition(host):
    host.open()
    host.sequence += 1
    line = framed(host.body("where"))
    host.send(line[:30])
    assert host.line(0.2) is None
    host.send(b"\n" + line)
    assert (host.line() or "").split(" ")[3] == "ok"


def test_a_line_that_lost_only_its_line_feed_acts_once(host):
    host.ready()
    host.sequence += 1
    line = framed(host.body("move 800"))
    host.send(line[:-1])
    assert host.line(0.2) is None
    host.send(b"\n" + line)  # now it arrives twice
    assert host.line() == host.line() == f"say {host.session} {host.sequence:08X} ok"
    assert host.rest() == ["known", "800", "arrived"]
    assert host.board.pulses() == 800


def test_an_equal_sequence_number_gets_the_stored_reply_and_does_nothing(host):
    host.ready()
    host.ok("move 400")
    host.rest()
    host.ok("move 0")
    host.rest()
    host.ok("shot")
    asked = host.sequence
    assert host.exchange(host.body("move 400", sequence=asked)) == "ok 0 none waiting"
    assert host.exchange(host.body("shot", sequence=asked)) == "ok 0 none waiting"
    host.sequence += 1
    host.ok("where")
    assert host.exchange(host.body("where", sequence=asked)) == f"no sequence {host.sequence:08X}"
    assert host.rest() == ["known", "0", "arrived"]
    assert host.board.pulses() == 0


def test_a_refused_request_uses_up_its_number(host):
    host.ready()
    assert host.ask("move 20001") == "no limits"
    assert host.exchange(host.body("move 100")) == "no limits"  # the stored reply
    assert host.board.pulses() == 0


def test_gaps_in_the_sequence_are_allowed_and_the_highest_number_is_the_last(host):
    host.open()
    host.sequence = 0xFFFFFFFE
    assert host.ask("where").startswith("ok")
    assert host.exchange(host.body("where", sequence=5)) == "no sequence FFFFFFFF"


def test_another_boot_number_is_refused_with_the_present_one(host):
    host.open()
    other = f"{int(host.boot, 16) ^ 1:04X}"
    assert host.exchange(host.body("where", boot=other, sequence=99)) == f"no boot {host.boot}"
    assert host.exchange(host.body("open 00000000", boot=other, session="00000007")) == f"no boot {host.boot}"


def test_another_session_is_refused_with_the_open_one(host):
    host.open()
    assert host.exchange(host.body("where", session="0000BEEF", sequence=9)) == f"no session {host.session}"


def test_open_names_the_session_that_it_replaces(host, board):
    host.open()
    second = Asker(board, "0000BEEF")
    second.boot = host.boot
    assert second.ask("open 00000000") == f"no session {host.session}"
    assert second.ask(f"open {host.session}") == "ok"
    assert host.ask("where") == "no session 0000BEEF"
    # the first host's own opening, come late or doubled, finds that it is too late
    assert host.exchange(host.body("open 00000000", sequence=2)) == "no session 0000BEEF"
    assert second.ok("where")


def test_open_repeated_gets_its_stored_reply(host):
    host.open()
    assert host.exchange(host.body("open 00000000")) == "ok"
    assert host.ask("open 00000000") == f"no session {host.session}"


def test_open_voids_limits_and_keeps_the_position(host, board):
    host.ready(500)
    second = Asker(board, "0000BEEF")
    second.open()
    assert second.where()[1:3] == ["known", "500"]
    assert second.ask("move 600") == "no limits"


def test_open_slows_a_motion_of_the_host_before(host, board):
    host.ready()
    host.ok("move 20000")
    board.wait(0.5)
    second = Asker(board, "0000BEEF")
    second.open()
    trust, position, why = second.rest()
    assert (trust, why) == ("known", "stop")
    assert 0 < int(position) < 20_000
    assert board.pulses() == int(position)


def test_a_reset_changes_the_boot_number_and_announces_itself_once(host, board):
    host.ready(7)
    board.reset()
    board.wait(2.5)
    notice = host.line()
    boot = f"{int(host.boot, 16) % 0xFFFF + 1:04X}"
    assert notice == f"note {boot} boot {board.name}"
    assert host.line(0.3) is None
    assert host.ask("where") == f"no boot {boot}"
    host.open()
    assert host.where() == ["rest", "lost", "0", "none"]


@pytest.mark.parametrize(
    ("verb", "reason"),
    [
        ("dance", "verb"),
        ("WHERE", "verb"),
        ("where now", "words"),
        ("move", "words"),
        ("move 1 2", "words"),
        ("move +1", "words"),
        ("move 01", "words"),
        ("move -0", "words"),
        ("move 1.5", "words"),
        ("move 1e3", "words"),
        ("move 12345678901", "words"),
        ("move --1", "words"),
        ("move -", "words"),
        ("move 0x10", "words"),
        ("", "verb"),
        ("open 0", "words"),
        ("open 5e1f90c2", "words"),
        ("open", "words"),
        ("move 1073741825", "range"),
        ("move -1073741825", "range"),
        ("speed 0", "range"),
        ("speed -5", "range"),
        ("accel 0", "range"),
        ("accel 1599", "range"),  # 1 mm/s^2 is the least: with less a stop would take the whole rail
        ("accel 2000000000", "range"),
        ("deadman 399", "range"),
        ("deadman 60001", "range"),
        ("shutter 0 0", "range"),
        ("shutter 3600001 0", "range"),
        ("shutter 1 60001", "range"),
        ("watch 3600001 0", "range"),
        ("watch 0 60001", "range"),
        ("limits 5 4", "range"),
        ("limits 5", "words"),
        ("declare x", "words"),
        ("declare 1073741825", "range"),
        ("seek middle", "words"),
        ("hold maybe", "words"),
        ("fire 0 0", "range"),
        ("fire 4294967296 0", "range"),
        ("fire 99999999999 0", "words"),
        ("fire 1", "words"),
        ("jog x", "words"),
    ],
)
def test_bad_verbs_words_and_ranges_are_refused_by_word(host, verb, reason):
    host.ready()
    assert host.ask(verb) == f"no {reason}"
    assert host.board.pulses() == 0


def test_the_extremes_of_each_range_are_accepted(host):
    host.ready()
    host.ok(
        "speed 1", f"speed {host.board.top_speed}", "accel 1600", "deadman 400", "deadman 60000", "shutter 1 0",
        "shutter 3600000 60000", "watch 0 0", "watch 3600000 60000", "limits -1073741824 1073741824", "limits 3 3",
        "declare -1073741824", "declare 1073741824",
    )  # fmt: skip
    assert host.where()[2] == "1073741824"


@pytest.mark.parametrize(
    ("boot", "session", "sequence"),
    [
        ("{boot:.3}", "{session}", "{sequence:08X}"),
        ("{boot}0", "{session}", "{sequence:08X}"),
        ("{boot}", "5e1f90c2", "{sequence:08X}"),
        ("{boot}", "{session}", "{sequence:X}"),
        ("{boot}", "{session}", "+{sequence:07X}"),
        ("{boot}", "0x5E1F90", "{sequence:08X}"),
    ],
)
def test_a_badly_formed_head_is_met_with_silence_though_its_check_code_is_right(host, boot, session, sequence):
    host.ready()
    given = {"boot": host.boot, "session": host.session, "sequence": host.sequence + 1}
    head = " ".join(word.format(**given) for word in (boot, session, sequence))
    host.send(framed(f"ask {head} jog 100"))
    host.send(framed(f"ask {host.boot} {host.session} {host.sequence + 1:08X}"))  # and one that ends too soon
    assert host.line(0.3) is None
    assert host.board.pulses() == 0
    assert host.ok("where")


def test_session_0_may_look_and_nothing_else(host, board):
    """So who only wants to see takes nothing away from a host that is at work."""
    nobody = Asker(board, "00000000")
    nobody.boot = host.boot = nobody.identify()[1]
    assert nobody.where() == ["rest", "lost", "0", "none"]
    assert nobody.ask("move 10") == "no session 00000000"  # before the first open too
    assert nobody.ask("open 00000000") == "no session 00000000"
    host.ready()
    host.ok("shutter 3000 0", "watch 3000 0", "deadman 1000", "fire 1 0")
    assert nobody.ok("shot") == "1 firing unwired"
    assert nobody.ok("state") == "free free on held set clear"
    assert nobody.ask("edge") == "no lost"
    assert nobody.ask("where now") == "no words"
    for verb in ("jog 10", "clear", "fire 2 0", "hold off", "speed 5", "seek low", "dance"):
        assert nobody.ask(verb) == f"no session {host.session}", verb
    assert nobody.ask(f"open {host.session}") == f"no session {host.session}"
    for _ in range(20):  # it does not feed the deadman either
        board.wait(0.1)
        nobody.where()
    assert nobody.ok("shot").startswith("1 cut")
    assert host.ok("where") == "rest known 0 none"  # the host's sequence went on undisturbed


def test_bytes_beyond_the_buffer_do_no_harm(host):
    host.ready()
    lines = [framed(host.body("where", sequence=host.sequence + n)) for n in range(1, 9)]
    host.send(b"".join(lines))  # eight requests where one may be outstanding: some are lost, none is misread
    answered = 0
    while (answer := host.line()) is not None:
        assert answer.split(" ")[3] == "ok"
        answered += 1
    assert 1 <= answered <= 8
    host.sequence += 8
    assert host.ok("where")


def test_a_stop_byte_inside_a_line_drops_that_line(host):
    host.ready()
    host.sequence += 1
    line = framed(host.body("move 800"))
    host.send(line[:20] + STOP + line[20:])
    assert host.line(0.3) is None
    assert host.ask("move 800") == "no stopped"
    assert host.board.pulses() == 0
