"""``stacker sort`` from the command line."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import random
import shlex

import pytest
from verifying.evenings import TEN, Card, evening, lose
from verifying.test_copying import state
from verifying.test_stacks import run_again

HEAD = ["to", "from", "stack", "sub_stack", "frame", "depth_um", "or_frame", "or_depth_um", "how", "bytes", "sha256"]


@pytest.fixture
def run(tmp_path):
    """Journal and card of a stack of 20 frames with raw files and JPEGs, some frames lost."""

    def make(*lost):
        one = lose(evening(frames=20), *lost)
        Card(resolution_s=0.01, endings=("jpg", "rw9")).write(tmp_path / "card", one)
        return one.journal(tmp_path), tmp_path / "card"

    return make


def test_without_go_it_is_only_told(stacker, run, tmp_path):
    journal, card = run()
    done = stacker("sort", card, "--journal", journal, "--into", tmp_path / "out", "--groups", 8, "--shared", 2)
    assert (done.code, (tmp_path / "out").exists()) == (0, False)
    assert done.out.startswith("All 20 frames would be handed over, front to back, in")
    assert "Blend each sub-stack first, then the results." in done.out
    rows = [line.split() for line in done.out.splitlines() if line[:11].strip() in {"1", "2", "3"}]
    assert [row[:3] for row in rows] == [["1", "1-8", "8"], ["2", "7-14", "8"], ["3", "13-20", "8"]]
    assert max(map(len, done.out.splitlines())) <= 80
    assert done.err == "Nothing was written. Next: the same with --go\n"


def test_with_go_files_and_a_list_lie_there_and_again_changes_nothing(stacker, run, tmp_path):
    journal, card = run()
    before = state(card)
    words = ("sort", card, "--journal", journal, "--into", tmp_path / "out", "--groups", 12, "--shared", 4, "--go")
    done = stacker(*words)
    assert (done.code, "48 hard links" in done.out) == (0, True)
    with (tmp_path / "out" / "depth_order.csv").open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    assert head == HEAD
    assert len(rows) == 48  # 20 frames and the 4 shared ones, two files each
    for row in (dict(zip(HEAD, row, strict=True)) for row in rows):
        data = (tmp_path / "out" / row["to"]).read_bytes()
        assert data == (card / row["from"]).read_bytes()
        assert (int(row["bytes"]), row["sha256"]) == (len(data), hashlib.sha256(data).hexdigest())
        assert row["depth_um"] == f"{40 * int(row['frame']):.1f}"
        assert row["from"].endswith((f"{99 + int(row['frame']):04}.jpg", f"{99 + int(row['frame']):04}.rw9"))
    (tmp_path / "out" / ".depth_order.csv.77.new").write_text("to,from")  # as a kill leaves it
    whole = state(tmp_path / "out")
    again = stacker(*words)
    assert (again.code, "(48 there already, compared by checksum)" in " ".join(again.out.split())) == (0, True)
    assert {path: data for path, (data, _) in state(tmp_path / "out").items()} == {
        path: data for path, (data, _) in whole.items() if path.suffix != ".new"
    }
    assert state(card) == before


def test_a_lost_frame_is_named_the_rest_sorted_and_the_frame_added_once_it_is_there(stacker, run, tmp_path):
    journal, card = run(5)
    words = ("sort", card, "--journal", journal, "--into", tmp_path / "out", "--go")
    done = stacker(*words)
    assert done.code == 1
    assert done.out.startswith("19 of 20 frames handed over, front to back, in")
    assert "missing: 5 (0.200 mm)" in done.out
    assert "stacker verify" in done.err
    again = run_again(evening(frames=20), [5])
    Card(resolution_s=0.01, endings=("jpg", "rw9")).write(card, again)
    more = again.journal(tmp_path, "moss-20310504-230000.run.jsonl")
    done = stacker(*words, "--journal", more)
    assert (done.code, "(38 there already, compared by checksum)" in " ".join(done.out.split())) == (0, True)
    names = sorted(path.stem for path in (tmp_path / "out" / "moss-20310504-220000").glob("*.jpg"))
    assert names == [f"{frame:04}_{40 * frame}um" for frame in range(1, 21)]


def test_nothing_is_sorted_where_times_prove_nothing(stacker, run, tmp_path):
    journal, card = run()
    for path in card.iterdir():
        os.utime(path, (TEN, TEN))
    done = stacker("sort", card, "--journal", journal, "--into", tmp_path / "out", "--go")
    assert (done.code, (tmp_path / "out").exists()) == (1, False)
    assert "the times of the files do not fit the journal" in done.err


def test_json_tells_what_came_from_where(stacker, run, tmp_path):
    journal, card = run(1)
    done = stacker("sort", card, "--journal", journal, "--into", tmp_path / "out", "--json", "--copy", "--go")
    result = json.loads(done.out)["result"]
    assert (done.code, result["written"], result["whole"]) == (1, True, False)
    (stack,) = result["stacks"]
    assert stack["lacking"] == [1, 20]
    assert {one["how"] for one in stack["files"]} == {"copy"}
    assert stack["files"][0]["frames"] == [1, 2]
    assert stack["files"][0]["target"] == "moss-20310504-220000/0001_40to80um.jpg"
    assert stacker("sort", card, "--journal", journal, "--into", tmp_path / "new", "--quiet").out == ""


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        ("--into {card}/new", 1, "where the originals are"),
        ("--into {card}/..", 1, "name a folder of its own"),
        ("--into {journal}", 1, "is a file"),
        ("--into out --shared 3", 2, "--shared is for --groups"),
        ("--into out --groups 8 --shared 5", 1, "write --shared 4 or less"),
        ("--into out --groups 1", 2, "write a whole number from 2"),
        ("", 2, "Missing option '--into'"),
        ("--into taken", 1, "holds what is not of this hand-over: notes.txt"),
        ("--into listed", 1, "is no list of a hand-over"),
    ],
)
def test_refusals(words, code, message, stacker, run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    journal, card = run()
    for name, file in (("taken", "notes.txt"), ("listed", "depth_order.csv")):
        (tmp_path / name).mkdir()
        (tmp_path / name / file).write_text("mine")
    before = state(tmp_path)
    done = stacker("sort", card, "--journal", journal, *shlex.split(words.format(card=card, journal=journal)), "--go")
    assert (done.code, message in done.err) == (code, True), done.err
    assert state(tmp_path) == before


def test_a_run_of_the_simulated_rail_is_sorted_by_its_own_journal(stacker, plans, tmp_path):
    """Files dated by the simulated hardware's log; the camera's numbers and the rail's frames are not the same."""
    plan, log = tmp_path / "beetle.plan.yaml", tmp_path / "hardware.jsonl"
    plan.write_bytes((plans / "leaf_beetle.plan.yaml").read_bytes())
    journal = tmp_path / "beetle-20310504-220000Z.run.jsonl"
    url = f"sim://bench?time_scale=inf&log={log}"
    assert stacker("drive", plan, "--go", "--yes", "--frames", "1-10", "--journal", journal, "--url", url).code == 0
    fired = [event for event in map(json.loads, log.read_text().splitlines()) if event["event"] == "shutter"]
    card, chance = Card(resolution_s=0.01, offset_s=3600.5), random.Random(0)
    (tmp_path / "card").mkdir()
    for number, event in enumerate(fired, start=9995):
        name = f"PIC_{number if number < 10000 else number - 9999:04}.jpg"
        card.file(tmp_path / "card" / name, TEN + event["time_s"], chance)
    done = stacker("sort", tmp_path / "card", "--journal", journal, "--into", tmp_path / "out", "--go", "--json")
    assert done.code == 1, done.err  # frames 11 to 60 were not taken
    (stack,) = json.loads(done.out)["result"]["stacks"]
    places = [event["position_microsteps"] for event in fired]
    by_name = sorted(stack["files"], key=lambda one: one["target"])
    shot = {f"PIC_{n if n < 10000 else n - 9999:04}.jpg": place for n, place in enumerate(places, start=9995)}
    assert [shot[one["source"]] for one in by_name] == sorted(places)
    assert len(by_name) == 10
    assert stack["lacking"] == list(range(11, 61))
