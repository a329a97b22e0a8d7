"""``stacker drive`` as a person types it."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys

import pytest

from stacker.documents.plan_file import digest_of, read_plan


def openings(tmp_path):
    lines = (tmp_path / "rail.log").read_text().splitlines()
    return [event["position_microsteps"] for event in map(json.loads, lines) if event["event"] == "shutter"]


def test_without_go_nothing_moves_and_the_text_fits_80_columns(stacker, plan, tmp_path, url):
    shown = stacker("drive", plan, "--url", url)
    assert shown.code == 0
    assert "Dry run: nothing moves, no port is opened." in shown.out
    assert "54 frames more: --all shows them" in shown.out
    assert not (tmp_path / "rail.log").exists()
    assert not (tmp_path / "rail.json").exists()
    assert list(tmp_path.glob("*.jsonl")) == []
    assert "Next: stacker drive" in shown.err
    assert max(map(len, shown.out.splitlines())) <= 80


def test_all_shows_every_frame_and_every_line(stacker, plan):
    shown = stacker("drive", plan, "--all")
    assert len(re.findall(r"^  frame \d+:", shown.out, re.MULTILINE)) == 60
    assert len(re.findall(r"^    fire \d+ ", shown.out, re.MULTILINE)) == 60


def test_the_dry_run_as_json(stacker, plan):
    document = json.loads(stacker("drive", plan, "--json").out)
    assert document["command"] == "drive"
    result = document["result"]
    assert result["dry_run"] is True
    assert len(result["frames"]) == 60
    assert result["frames"][0]["requests"][0].startswith("move ")
    assert result["front_at_mm"] == 31.5


def test_go_takes_every_frame_where_the_plan_says(stacker, plan, tmp_path, url):
    done = stacker("drive", plan, "--go", "--yes", "--url", url)
    assert done.code == 0, done.err
    assert "60 frames taken" in done.out
    assert "position counted, not measured" in " ".join(done.out.split())
    journal = next(tmp_path.glob("beetle-*.run.jsonl"))
    assert f"Next: stacker verify FOLDER --journal {journal}" in done.err
    assert "frame 60: 60 of 60" in done.err
    assert "\r" not in done.err  # no terminal: plain lines
    frames = read_plan(plan).frames
    front = round(31.5 * 1600)  # the request's front_at_mm
    assert openings(tmp_path) == [front + position for position in frames.position_microsteps]


def test_json_and_quiet(stacker, plan, tmp_path, url):
    done = stacker(
        "drive", plan, "--go", "--yes", "--url", url, "--frames", "1-2", "--json", "--journal", tmp_path / "j"
    )
    result = json.loads(done.out)["result"]
    assert (result["frames"], result["journal"]) == ([1, 2], str(tmp_path / "j"))
    assert done.err == ""
    done = stacker(
        "drive", plan, "--go", "--yes", "--url", url, "--frames", "3", "--quiet", "--journal", tmp_path / "k"
    )
    assert (done.code, done.out, done.err) == (0, "", "")


@pytest.mark.parametrize(
    ("options", "frames"),
    [(["--ends"], [1, 30, 60]), (["--frames", "41,42"], [41, 42]), (["--frames", "60", "--closing-frame"], [60, 1])],
)
def test_some_frames_only(stacker, plan, tmp_path, url, options, frames):
    done = stacker("drive", plan, "--go", "--yes", "--url", url, *options)
    assert done.code == 0, done.err
    rows = read_plan(plan).frames.position_microsteps
    assert openings(tmp_path) == [round(31.5 * 1600) + rows[frame - 1] for frame in frames]


def test_a_run_that_stops_exits_with_3_and_the_command_it_names_completes_it(stacker, plan, tmp_path, url):
    stopped = stacker("drive", plan, "--go", "--yes", "--url", url + "&unplug_at_s=20")
    assert stopped.code == 3
    assert "cable" in stopped.err
    journal = next(tmp_path.glob("beetle-*.run.jsonl"))
    command = shlex.split(re.search(r"^Go on: stacker (drive .*)$", stopped.err, re.MULTILINE)[1])
    assert command == ["drive", str(plan), "--go", "--resume", str(journal), "--url", f"{url}&unplug_at_s=20"]
    dry = stacker("drive", plan, "--resume", journal)
    assert dry.code == 0
    assert "frame 60:" in dry.out
    assert "frame 1:" not in dry.out
    done = stacker(*command, "--yes", "--url", url)
    assert done.code == 0, done.err
    rows = read_plan(plan).frames.position_microsteps
    assert set(openings(tmp_path)) == {round(31.5 * 1600) + row for row in rows}
    again = stacker(*command, "--yes", "--url", url)
    assert (again.code, "every frame of that run is confirmed" in again.err) == (1, True)


def test_resume_without_a_path_takes_the_newest_journal_beside_the_plan(stacker, plan, tmp_path, url):
    assert stacker("drive", plan, "--go", "--yes", "--url", url, "--resume").code == 1  # none yet
    stacker("drive", plan, "--go", "--yes", "--url", url + "&unplug_at_s=20")
    assert stacker("drive", plan, "--resume", "--go", "--yes", "--url", url).code == 0


def test_commands_that_go_on_can_be_pasted_whatever_the_folder_is_called(stacker, plan, tmp_path, url):
    spaced = tmp_path / "my beetle.plan.yaml"
    plan.rename(spaced)
    stopped = stacker("drive", spaced, "--go", "--yes", "--url", url + "&unplug_at_s=20")
    journal = next(tmp_path.glob("*.jsonl"))
    assert shlex.split(stopped.err.splitlines()[-1])[-6:-2] == [str(spaced), "--go", "--resume", str(journal)]
    dry = stacker("drive", spaced)
    assert shlex.split(dry.err.splitlines()[-1])[-2:] == [str(spaced), "--go"]


@pytest.mark.parametrize("line", ["--resume PLAN", "--go --yes --resume PLAN"])
def test_a_plan_behind_resume_is_the_plan(stacker, plan, url, line):
    stacker("drive", plan, "--go", "--yes", "--url", url + "&unplug_at_s=20")
    done = stacker("drive", *[plan if word == "PLAN" else word for word in line.split()], "--url", url)
    assert done.code == 0, done.err
    assert ("frames taken" in done.out) == ("--go" in line)
    assert "Missing argument 'PLAN'" in stacker("drive", "--resume").err


def test_a_look_at_the_ends_brings_the_rail_back_to_the_front(stacker, plan, tmp_path, url):
    """Else a whole run after it, told that the front is here, would begin at the back and go on into the subject."""
    edited = plan.read_text().replace("front_at_mm: 31.5", "front_at_mm: null")
    plan.write_text(edited.replace(read_plan(plan).digest, digest_of(edited)))
    looked = stacker("drive", plan, "--ends", "--go", "--yes", "--url", url)
    assert looked.code == 0, looked.err
    assert "The rail stands at 40.000 mm" in looked.out
    assert f'Next: stacker drive {plan} --go --front-at-mm 40 --url "{url}"\n' in looked.err
    taken = len(openings(tmp_path))
    done = stacker("drive", plan, "--go", "--yes", "--url", url, "--journal", tmp_path / "j")  # the front: here
    assert done.code == 0, done.err
    assert openings(tmp_path)[taken] == openings(tmp_path)[0]


def test_after_a_lost_position_the_front_is_focused_again(stacker, plan, tmp_path, url):
    assert stacker("drive", plan, "--go", "--yes", "--url", url + "&reset_at_s=20").code == 3
    lost = stacker("drive", plan, "--go", "--yes", "--url", url, "--resume")
    assert lost.code == 1
    assert "--refocused" in lost.err


def test_an_error_is_one_json_document_too(stacker, plan, url):
    failed = stacker("drive", plan, "--go", "--yes", "--json", "--url", url, "--front-at-mm", "77.9")
    assert failed.code == 1
    error = json.loads(failed.out)["error"]
    assert (error["code"], error["exit_code"]) == ("limits", 1)
    assert "Put the front between" in error["message"]


def test_an_edited_plan_is_refused_with_the_command_that_makes_it_anew(stacker, plan, tmp_path, url):
    plan.write_text(plan.read_text().replace("Leaf beetle", "Leaf Beetle", 1))
    refused = stacker("drive", plan, "--go", "--yes", "--url", url)
    assert refused.code == 1
    assert f"stacker plan {tmp_path / 'beetle.yaml'}" in refused.err
    assert not (tmp_path / "rail.log").exists()


def forge(plan, change):
    """Edit the rows of a plan, and its digest with them."""
    text = plan.read_text()
    head, _, table = text.partition("  rows:\n")
    rows = [json.loads(line.strip()[2:]) for line in table.splitlines()]
    change(rows)
    body = "".join(f"    - {json.dumps(cells)}\n" for cells in rows)
    text = f"{head}  rows:\n{body}"
    plan.write_text(re.sub(r"^digest: .*$", f"digest: {digest_of(text)}", text, count=1, flags=re.MULTILINE))


@pytest.mark.parametrize("row", [0, 30, 59])
@pytest.mark.parametrize("shift", [-200_000, -1, 1, 200_000])
def test_positions_that_are_not_the_micrometres_beside_them_never_move(stacker, plan, tmp_path, url, row, shift):
    def change(rows):
        for number in range(row, 60):
            rows[number][5] += shift
        rows[row][6] += shift

    forge(plan, change)
    refused = stacker("drive", plan, "--go", "--yes", "--url", url)
    assert refused.code == 2
    assert "frames.position_microsteps: found" in refused.err
    assert not (tmp_path / "rail.log").exists()


@pytest.mark.parametrize(("row", "shift"), [(0, -100_000), (0, 100_000), (30, 100_000), (59, 100_000)])
def test_no_edited_plan_moves_the_rail_beyond_its_limits(stacker, plan, tmp_path, url, row, shift):
    """Edited with care, all that belongs together and even the digest: the rail's limits are checked all the same."""

    def change(rows):
        for number in range(row, 60):
            rows[number][5] += shift
            for column in (1, 2, 3, 4):
                rows[number][column] += shift * 0.625
        rows[row][6] += shift

    forge(plan, change)
    read_plan(plan)  # a sound plan to all that reads it
    refused = stacker("drive", plan, "--go", "--yes", "--url", url)
    assert refused.code == 1
    assert "soft limits" in refused.err
    assert "start" not in (tmp_path / "rail.log").read_text()


def test_a_person_is_asked_and_a_no_moves_nothing(stacker, plan, tmp_path, url, monkeypatch):
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    done = stacker("drive", plan, "--go", "--url", url)
    assert done.code == 1
    assert "nothing moved" in done.err
    assert "The rail stands at 40.000 mm" in done.err
    assert not (tmp_path / "rail.log").exists() or "start" not in (tmp_path / "rail.log").read_text()


def test_a_whole_run_loads_neither_numpy_nor_scipy(plan, tmp_path, url):
    code = (
        "import sys\nfrom stacker.cli.main import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as stopped:\n    assert not stopped.code\n"
        "print(sorted({'numpy', 'scipy', 'serial'} & set(sys.modules)))"
    )
    arguments = ["drive", str(plan), "--go", "--yes", "--url", url, "--quiet", "--journal", str(tmp_path / "j")]
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['serial']"


def test_the_dry_run_of_a_resume_refuses_what_the_run_would_refuse(stacker, plan, plans, tmp_path, url):
    journal = tmp_path / "run.jsonl"
    assert stacker("drive", plan, "--url", url, "--go", "--yes", "--ends", "--journal", journal).code == 0
    other = tmp_path / "other.plan.yaml"
    assert stacker("plan", plans / "leaf_beetle.yaml", "--set", "subject.depth_mm=1", "-o", other, "--quiet").code == 0
    for go in ((), ("--go", "--yes")):
        shown = stacker("drive", other, "--url", url, "--resume", journal, *go)
        assert (shown.code, "belongs to another plan" in shown.err) == (1, True)
        assert "nothing is left to take" in stacker("drive", plan, "--url", url, "--resume", journal, *go).err


def test_a_plan_that_its_request_no_longer_asks_for_is_pointed_out_before_it_is_shot(stacker, plans, tmp_path, url):
    bench = shutil.copytree(plans, tmp_path / "plans")
    plan, request = bench / "leaf_beetle.plan.yaml", bench / "leaf_beetle.yaml"
    for command in (("drive", plan), ("check", plan)):
        assert "has changed since this plan" not in stacker(*command).err
    request.write_text(request.read_text(encoding="utf-8").replace("order:", "# order:") + "\norder: back_to_front\n")
    for command in (("drive", plan), ("check", plan), ("drive", plan, "--url", url, "--go", "--yes", "--ends")):
        told = stacker(*command).err
        assert f"{request}, or a file that it names, has changed since this plan was made" in told
        assert f"To follow the change: stacker plan {request}" in told


def test_a_plan_that_allows_more_than_the_rail_beside_it_does_not_move(stacker, plans, tmp_path, url):
    bench = shutil.copytree(plans, tmp_path / "plans")
    plan, rail = bench / "leaf_beetle.plan.yaml", bench / "rails" / "bench.yaml"
    rail.write_text(rail.read_text(encoding="utf-8").replace("[2, 78]", "[2, 35]"), encoding="utf-8")
    for go in ((), ("--go", "--yes")):
        refused = stacker("drive", plan, "--url", url, *go)
        assert (refused.code, "soft_limits_mm 2 to 78, there 2 to 35" in refused.err) == (1, True)
    assert not (tmp_path / "rail.log").exists()


def test_with_yes_the_person_is_told_all_the_same_from_where_to_where(stacker, plan, url):
    told = stacker("drive", plan, "--url", url, "--go", "--yes", "--frames", "1-3").err
    assert "Position 0 (front in focus) is 31.500 mm, as the request says:" in told
    assert "3 frames\nbetween 31.395 and 31.590 mm, take-up included." in told
    assert "room for 3 frames" in told


def test_a_run_with_open_frames_is_pointed_out_before_another_one_is_begun(stacker, plan, url):
    assert "unfinished" not in stacker("drive", plan).err
    stacker("drive", plan, "--go", "--yes", "--url", url + "&unplug_at_s=20")
    (journal,) = plan.parent.glob("*.run.jsonl")
    assert (
        f"{journal} belongs to an unfinished run of this plan; --resume takes its missing frames."
        in stacker("drive", plan).err
    )
    assert "unfinished" not in stacker("drive", plan, "--frames", "3").err


def test_frames_shot_again_are_verified_with_the_journal_of_the_whole_run(stacker, plan, url, tmp_path):
    first = tmp_path / "beetle-20310504-220000.run.jsonl"
    done = stacker("drive", plan, "--go", "--yes", "--url", url, "--journal", first)
    assert f"Next: stacker verify FOLDER --journal {first}\n" in done.err
    told = " ".join(done.out.split())
    assert "60 frames taken in 1:33 on the simulated rail, whose clock waits for nothing; " in told
    assert max(map(len, done.out.splitlines())) < 80
    again = tmp_path / "beetle-20310504-230000.run.jsonl"
    done = stacker("drive", plan, "--go", "--yes", "--url", url, "--journal", again, "--frames", "33")
    assert f"Next: stacker verify FOLDER --journal {first} --journal {again}\n" in done.err


@pytest.mark.parametrize(
    ("options", "follow"),
    [
        ((), "--ends --go\nthen: "),
        (("--ends",), "--ends --go\n"),
        (("--frames", "3,7-9"), "--frames 3,7-9 --go\n"),
    ],
)
def test_the_dry_run_is_followed_by_the_same_in_earnest(stacker, plan, options, follow):
    assert f"Next: stacker drive {plan} {follow}" in stacker("drive", plan, *options).err
