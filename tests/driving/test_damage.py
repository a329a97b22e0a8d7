"""Journals whose end was damaged on the disk, and made-up ones: no frame is skipped, and there is always a way on."""

from __future__ import annotations

import contextlib
import copy
import json
import random
import re
import shutil

import pytest
from driving.runs import MIDDLE, events, journal_of, make_job, openings, person, run

from stacker.documents.journal import DamagedJournal, read_journal
from stacker.documents.journal_lines import line_of
from stacker.driving.drive import drive
from stacker.driving.durable import DurableFile
from stacker.driving.run_options import RunOptions
from stacker.driving.selection import listed
from stacker.errors import InputError, Refusal, RunStopped
from stacker.rail.stops import StopOrder

TAIL = 1100  # bytes: some ten lines, the most that a disk may lose of the last writes of two blocks


def interrupted(folder, looks):
    """A run of six frames that was stopped, or ended; its journal and its rail."""
    folder.mkdir()
    job = make_job(folder)
    seen = []
    with contextlib.suppress(RunStopped):
        run(job, who=person(stop_order=lambda: seen.append(0) or StopOrder(len(seen) >= looks)))
    return job


def damaged(data, chance):
    """The bytes of a journal, with one kind of damage near their end."""
    at = chance.randrange(max(1, len(data) - TAIL), len(data))
    head, tail = data[:at], data[at:]
    noise = chance.randbytes(chance.randrange(1, 400))
    lines = data.split(b"\n")[:-1]
    number = chance.randrange(max(1, len(lines) - 8), len(lines)) if len(lines) > 1 else 0
    flipped = bytes([tail[0] ^ 1 << chance.randrange(8)])
    other = lines[:number] + lines[number + 1 :]
    return chance.choice(
        (
            head,
            head + b"\n",
            head + noise,
            head + noise + b"\n",
            data + noise,
            data + b"\0" * 512,
            head + b"\0" * len(tail),
            head + noise + tail[len(noise) :],
            head + flipped + tail[1:],
            head + tail[len(noise) :],
            head + b"\r\n" + tail,
            b"\n".join(other) + b"\n",
            b"\n".join([*lines[:number], noise.replace(b"\n", b""), *lines[number:]]) + b"\n",
            b"\n".join([*lines, lines[number]]) + b"\n",
        )
    )


def go_on(job):
    """What a person does: resume; where that is refused, do what it says. Returns how."""
    try:
        run(job, resume=True)
    except DamagedJournal as refused:
        return by_hand(job, str(refused))
    except InputError as refused:
        assert "start a new run" in str(refused)  # noqa: PT017
        journal_of(job).unlink()
        run(job, run_options=RunOptions(yes=True, front_at=MIDDLE))
        return "anew"
    except Refusal as refused:
        assert refused.code == "complete"  # noqa: PT017
        return "complete"
    return "resumed"


def by_hand(job, told):
    command = re.search(r"--go --frames (\S+) --front-at-mm (\S+)$", told)
    if command is None:
        assert "nothing is left to take" in told
        return "complete"
    run_options = RunOptions(
        yes=True,
        kind="frames",
        frames=listed(command[1], job.count),
        front_at=round(float(command[2]) * 1600),
        journal=job.path.parent / "by_hand.run.jsonl",
    )
    drive(job, run_options, person())
    return "by hand"


def damage_and_go_on(folder, bases, chance):
    """One damaged tail; returns how it was gone on with."""
    base = chance.choice(bases)
    shutil.copytree(base.path.parent, folder)
    job = make_job(folder)
    whole = journal_of(job).read_bytes()
    journal_of(job).write_bytes(damaged(whole, chance))
    before = journal_of(job).read_bytes()
    how = go_on(job)
    planned = {MIDDLE + position for position in job.positions}
    assert set(openings(job)) == planned, (how, folder)
    assert not events(job, "blur")
    if how in ("resumed", "complete") and journal_of(job).read_bytes()[: len(before)] != before:
        (kept,) = folder.glob("*.cut-1")
        assert before.endswith(kept.read_bytes())
        assert read_journal(journal_of(job)).whole_bytes == journal_of(job).stat().st_size
    return how


@pytest.fixture(scope="module")
def bases(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bases")
    return [interrupted(folder / str(looks), looks) for looks in (25, 40, 55, 80, 100, 10_000)]


def test_some_damaged_tails_skip_no_frame_and_have_a_way_on(tmp_path, bases):
    chance = random.Random(20)
    ways = [damage_and_go_on(tmp_path / str(number), bases, chance) for number in range(24)]
    assert ways.count("resumed") >= 8
    assert "by hand" in ways


@pytest.mark.campaign
def test_300_damaged_tails_skip_no_frame_and_have_a_way_on(tmp_path, bases):
    chance = random.Random(21)
    ways = [damage_and_go_on(tmp_path / str(number), bases, chance) for number in range(300)]
    assert {"resumed", "by hand", "complete"} <= set(ways)
    assert ways.count("resumed") >= 100


def test_a_torn_tail_that_ends_in_a_newline_is_cut_off_told_and_kept(tmp_path, bases):
    job = make_job(shutil.copytree(bases[2].path.parent, tmp_path / "run"))
    whole = journal_of(job).read_bytes()
    with journal_of(job).open("ab") as file:
        file.write(b'{"event":"resume","fra\n')
    told = []
    run(job, resume=True, who=person(notify=told.append))
    assert "is damaged (not JSON), and no line that counts follows it. Cut off there: 23 bytes, kept in" in told[0]
    assert "demo.run.jsonl.cut-1. The frames that they may have confirmed are taken again." in told[0]
    assert (tmp_path / "run" / "demo.run.jsonl.cut-1").read_bytes() == b'{"event":"resume","fra\n'
    assert journal_of(job).read_bytes().startswith(whole)


def test_a_copy_of_what_was_cut_never_replaces_another(tmp_path, bases):
    job = make_job(shutil.copytree(bases[2].path.parent, tmp_path / "run"))
    (tmp_path / "run" / "demo.run.jsonl.cut-1").write_text("mine")
    with journal_of(job).open("ab") as file:
        file.write(b"x\n")
    run(job, resume=True)
    assert (tmp_path / "run" / "demo.run.jsonl.cut-1").read_text() == "mine"
    assert (tmp_path / "run" / "demo.run.jsonl.cut-2").read_bytes() == b"x\n"


def test_a_bad_line_that_lines_of_weight_follow_is_not_cut_and_the_rest_is_named(tmp_path, bases):
    job = make_job(shutil.copytree(bases[3].path.parent, tmp_path / "run"))
    data = journal_of(job).read_bytes()
    journal_of(job).write_bytes(data.replace(b'"confirmed","frame":2', b'"confirmed","frame":5', 1))
    before = journal_of(job).read_bytes()
    with pytest.raises(DamagedJournal, match="its check code does not fit") as refused:
        run(job, resume=True)
    assert journal_of(job).read_bytes() == before
    command = re.search(r"stacker drive PLAN --go --frames (\S+) --front-at-mm 40", str(refused.value))
    confirmed = {number for number in range(1, 7) if b'"confirmed","frame":%d' % number in data} - {2}
    assert set(listed(command[1], 6)) == set(range(1, 7)) - confirmed


ODD = (
    None, True, False, 0, -1, 1, 3, 61, 10**18, 10**400, 1.5, -0.0, 1e308, 1e-320, "", "x", "all", "00000000", [], {},
    [1], [0], [61], [-1], [1.5], [[1]], ["1"], {"frame": 1}, "\x1b[2J", "\u202egpj", "\ud800", "9" * 5000,
    list(range(61)), "2031-05-04T22:00:00+00:00", "0001-01-01T00:00:00+00:00", "9999-12-31T23:59:59-23:59",
)  # fmt: skip


def crafted(records, chance):
    """A journal with a few odd values, each line with a check code that fits."""
    records = copy.deepcopy(records)
    for _ in range(chance.randrange(1, 4)):
        record = chance.choice(records) if chance.random() < 0.5 else records[0]
        if record is records[0] and chance.random() < 0.5:
            record = record["plan"]
        key = chance.choice([*record, "lost", "ours", "after", "utc"])
        record[key] = chance.choice(ODD)
        if key in ("rows", "frames") and isinstance(record[key], list) and chance.random() < 0.5:
            record[key] = [[*record[key]], chance.choice(ODD)]
        if chance.random() < 0.2:
            del record[chance.choice(list(record))]
    lines = [json.dumps(record, allow_nan=True).encode() + b"\n" for record in records]
    if chance.random() < 0.7 and not any(b"\\ud800" in line or b"e+400" in line for line in lines):
        lines = [line_of(record) for record in records]
    if chance.random() < 0.15:
        lines.insert(chance.randrange(1, len(lines)), b'{"event":"end","x":' + b"[" * 100_000 + b"\n")
    return b"".join(lines)


def read_by_every_command(stacker, bench, data):
    """Exit codes; a traceback would end the test, since the program's one catch lets none but ours through."""
    plan, journal, card = bench / "beetle.plan.yaml", bench / "beetle-20310504-220000Z.run.jsonl", bench / "card"
    codes = []
    for arguments in (
        ("drive", plan),
        ("drive", plan, "--resume"),
        ("drive", plan, "--resume", journal, "--go", "--yes"),
        ("drive", plan, "--after", journal),
        ("verify", card, "--journal", journal),
    ):
        journal.write_bytes(data)
        done = stacker(*arguments)
        assert done.code in (0, 1, 2, 3), (arguments, done.err)
        assert "\x1b" not in done.out + done.err
        assert "Traceback" not in done.err
        codes.append(done.code)
    return codes


@pytest.fixture
def bench(stacker, plans, tmp_path):
    """A plan, the lines of a run of its ends, and a card with a picture."""
    plan = tmp_path / "beetle.plan.yaml"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    journal = tmp_path / "beetle-20310504-220000Z.run.jsonl"
    url = f"sim://bench?time_scale=inf&state={tmp_path / 'rail.json'}"
    assert stacker("drive", plan, "--go", "--yes", "--url", url, "--frames", "1-4", "--journal", journal).code == 0
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / "PIC_0001.jpg").write_bytes(b"\xff\xd8picture\xff\xd9")
    records = [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]
    return tmp_path, [{key: value for key, value in record.items() if key != "crc"} for record in records]


def test_some_crafted_journals_end_no_command_with_a_traceback(stacker, bench):
    folder, records = bench
    chance = random.Random(30)
    codes = [code for _ in range(8) for code in read_by_every_command(stacker, folder, crafted(records, chance))]
    assert 2 in codes


@pytest.mark.campaign
def test_100_crafted_journals_end_no_command_with_a_traceback(stacker, bench):
    folder, records = bench
    chance = random.Random(31)
    codes = [code for _ in range(100) for code in read_by_every_command(stacker, folder, crafted(records, chance))]
    assert {0, 1, 2} <= set(codes)


def test_a_damaged_end_that_cannot_be_kept_is_not_cut_off_and_the_journal_is_let_go(tmp_path, bases, monkeypatch):
    job = make_job(shutil.copytree(bases[2].path.parent, tmp_path / "run"))
    path = journal_of(job)
    with path.open("ab") as file:
        file.write(b'{"event":"resume","fra\n')
    before, write = path.read_bytes(), DurableFile.write

    def full(file, data):
        if data.startswith(b'{"event":"resume","fra\n'):
            raise OSError(28, "No space left on device")
        write(file, data)

    monkeypatch.setattr(DurableFile, "write", full)
    with pytest.raises(Refusal, match="no copy of it can be kept"):
        run(job, resume=True)
    assert path.read_bytes() == before
    monkeypatch.undo()
    run(job, resume=True)  # nobody holds it any more
    assert not read_journal(path).pending
