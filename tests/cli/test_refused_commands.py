"""One table of commands that cannot be done as they were typed: what each answers, and that it leaves no trace.

Every case runs in a copy of the sample plans. Whatever is refused writes nothing to standard output, no file and no
log of a rail: nothing was opened, moved or half-written.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest
from conftest import ROOT

LOGGED = "sim://bench?time_scale=inf&log=rail.log"
BEETLE = ("drive", "leaf_beetle.plan.yaml", "--url", LOGGED)
LICHEN = ("drive", "lichen_panels.plan.yaml")
BY_HAND = ("drive", "calcite_by_hand.plan.yaml")
MOVE = ("rail", "move", "rails/bench.yaml")
SCALE = ("calibrate", "scale", "leaf_beetle.yaml")
RULER = ("--ruler", "ruler.jpg", "--line-mm", "1")
RAIL = ("calibrate", "rail", "rails/bench.yaml")
ACROSS = (*RAIL, "--across", "card", "--journal", "run.jsonl")
TUBES = ("tubes", "--max-magnification", "0.2", "--tubes-mm", "12")

USAGE, REFUSED = 2, 1


@dataclass(frozen=True)
class Case:
    """Arguments, the exit code, and a part of what is said."""

    arguments: tuple[str, ...]
    code: int
    told: str


CASES = {
    "no such command": Case(("plam", "x.yaml"), USAGE, "There is no command 'plam'. Did you mean 'plan'?"),
    "nothing like a command": Case(("zzz",), USAGE, "'stacker --help' lists the commands"),
    # plan, new, explain and what goes with them
    "plan: of nothing": Case(("plan",), USAGE, "Missing argument 'REQUEST'"),
    "plan: no such option": Case(("plan", "leaf_beetle.yaml", "--sett", "a=b"), USAGE, "No such option"),
    "plan: no such file": Case(
        ("plan", "nowhere.yaml"), USAGE, "nowhere.yaml: cannot be read (No such file or directory)"
    ),
    "plan: of a plan": Case(("plan", "leaf_beetle.plan.yaml"), USAGE, "this is a plan"),
    "plan: of a rail": Case(("plan", "rails/bench.yaml"), USAGE, "this is a rail"),
    "new: no such kind": Case(("new", "lense"), USAGE, "did you mean 'lens'?"),
    "explain: no such word": Case(("explain", "ovrlap"), USAGE, "Did you mean 'overlap'?"),
    "schema: no such kind": Case(("schema", "cake"), USAGE, "is not one of"),
    "apertures: no detail": Case(("apertures", "leaf_beetle.yaml", "--detail-um", "0"), USAGE, "--detail-um"),
    "tubes: no lens": Case(("tubes",), USAGE, "Missing option"),
    "tubes: letters": Case((*TUBES[:-1], "a,b", "--focal-length-mm", "40"), USAGE, "found 'a,b'"),
    "tubes: behind the lens": Case((*TUBES, "--focal-length-mm", "-40"), USAGE, "--focal-length-mm: found -40"),
    "tubes: no number": Case(
        (*TUBES, "--focal-length-mm", "nan"), USAGE, "'--focal-length-mm': found 'nan'; write a number, in mm"
    ),
    "evening: no time": Case(("evening", "leaf_beetle.plan.yaml", "--start", "half past"), USAGE, "'half past'"),
    "evening: a 25th hour": Case(
        ("evening", "leaf_beetle.plan.yaml", "--start", "25:00"),
        USAGE,
        "found '25:00'; write 19:30, or 2026-11-25T19:30",
    ),
    "export: a table with words of a controller": Case(
        ("export", "leaf_beetle.plan.yaml", "--format", "csv", "--plain"), USAGE, "are for --format gcode"
    ),
    # drive
    "drive: two kinds of run": Case((*BEETLE, "--ends", "--frames", "3"), USAGE, "exclude one another"),
    "drive: a frame too many": Case((*BEETLE, "--frames", "61"), USAGE, "61"),
    "drive: between what is no pair": Case((*BEETLE, "--between", "5,7"), USAGE, "as 5,6"),
    "drive: between the last and nothing": Case((*BEETLE, "--between", "60,61"), USAGE, "of 1 to 60"),
    "drive: between, and others": Case((*BEETLE, "--between", "5,6", "--frames", "3"), USAGE, "exclude one another"),
    "panels: between": Case((*LICHEN, "--between", "2,3"), USAGE, "Plan it with smaller steps"),
    "drive: an empty list": Case((*BEETLE, "--frames", ""), USAGE, "write frames as 41,42 or 7-12"),
    "drive: refocused for nothing": Case(
        (*BEETLE, "--refocused"), USAGE, "--refocused would do nothing: this run does not continue another one"
    ),
    "drive: resume and a closing frame": Case(
        (*BEETLE, "--resume", "--closing-frame"),
        USAGE,
        "--closing-frame would do nothing: this run continues as its journal says",
    ),
    "drive: resume somewhere else": Case(
        (*BEETLE, "--resume", "--front-at-mm", "31", "--journal", "x"),
        USAGE,
        "--front-at-mm, --journal would do nothing",
    ),
    "drive: resume of no journal": Case((*BEETLE, "--resume", "nowhere.jsonl"), REFUSED, "nowhere.jsonl"),
    "drive: all of a run": Case((*BEETLE, "--go", "--all"), USAGE, "--all is for a dry run"),
    "drive: no such plan": Case(("drive", "nowhere.plan.yaml"), USAGE, "nowhere.plan.yaml"),
    "drive: no rail": Case(("drive", "water_flea_finite.plan.yaml"), REFUSED, "stacker export"),
    "drive: a panel of one stack": Case((*BEETLE, "--panel", "1"), USAGE, "this one has none"),
    "drive: the middle of one stack": Case((*BEETLE, "--centred"), USAGE, "this one has none"),
    "panels: ends of which": Case((*LICHEN, "--ends"), USAGE, "of which panel"),
    "panels: frames of which": Case((*LICHEN, "--frames", "2"), USAGE, "of which panel"),
    "panels: journal of which": Case((*LICHEN, "--journal", "j.jsonl"), USAGE, "of which panel"),
    "panels: one too many": Case((*LICHEN, "--panel", "99"), REFUSED, "panels 1 to"),
    "panels: watched": Case((*LICHEN, "--watch", "."), USAGE, "--watch looks at one stack"),
    "panels: after a run": Case(
        (*LICHEN, "--after", "leaf_beetle.yaml"), USAGE, "--after would do nothing with panels"
    ),
    "panels: resume of nothing": Case((*LICHEN, "--resume"), REFUSED, "no journal of these panels"),
    "by hand: a port": Case((*BY_HAND, "--url", "sim://bench"), USAGE, "--url would do nothing on a hand rail"),
    "by hand: watched": Case((*BY_HAND, "--watch", "."), USAGE, "--watch would do nothing on a hand rail"),
    "by hand: a call": Case((*BY_HAND, "--call", "true"), USAGE, "--call would do nothing on a hand rail"),
    "by hand: all": Case((*BY_HAND, "--all"), USAGE, "--all would do nothing on a hand rail"),
    # rail
    "rail: no goal": Case(MOVE, USAGE, "--to-mm"),
    "rail: two goals": Case((*MOVE, "--to-mm", "4", "--by-mm", "1"), USAGE, "--to-mm"),
    "rail: identify by hand": Case(("rail", "identify", "rails/hand.yaml"), REFUSED, "hand rail"),
    "rail: a key that no simulated one has": Case(("rail", "simulate", "sim://x?nonsense=1"), USAGE, "nonsense"),
    "rail: served out of time": Case(("rail", "simulate", "sim://x?time_scale=inf"), USAGE, "time_scale"),
    # calibrate
    "scale: no line": Case((*SCALE, "--ruler", "ruler.jpg"), USAGE, "--line-mm"),
    "scale: no ruler": Case((*SCALE, "--line-mm", "1"), USAGE, "--ruler"),
    "scale: pixels of a picture": Case((*SCALE, *RULER, "--pixels", "400"), USAGE, "--pixels"),
    "scale: moved, with one picture": Case((*SCALE, *RULER, "--moved-mm", "8"), USAGE, "--moved-mm"),
    "scale: two pictures, not moved": Case((*SCALE, *RULER, "--ruler-after", "ruler.jpg"), USAGE, "--moved-mm"),
    "scale: a length without pixels": Case((*SCALE, "--ruler-mm", "10"), USAGE, "--pixels"),
    "scale: a drawing of a length": Case(
        (*SCALE, "--ruler-mm", "10", "--pixels", "400", "--picture", "a.svg"), USAGE, "--picture"
    ),
    "scale: by nothing": Case(SCALE, USAGE, "--ruler"),
    "across: no scale": Case(ACROSS, USAGE, "give the scale"),
    "across: two scales": Case((*ACROSS, "--um-per-pixel", "5", "--line-mm", "1"), USAGE, "give the scale"),
    "across: error of no ruler": Case(
        (*ACROSS, "--um-per-pixel", "5", "--ruler-error-mm", "1"), USAGE, "goes with --ruler"
    ),
    "across: no journal": Case((*RAIL, "--across", "card", "--um-per-pixel", "5"), USAGE, "--journal"),
    "across: error of no indicator": Case(
        (*ACROSS, "--um-per-pixel", "5", "--indicator-error-um", "1"), USAGE, "READINGS of an indicator or --across"
    ),
    "indicator: no readings": Case(RAIL, USAGE, "READINGS"),
    "indicator: still by pictures": Case((*RAIL, "readings.csv", "--still-um", "1"), USAGE, "goes with --across"),
    # verify and sort
    "verify: no such journal": Case(("verify", "card", "--journal", "nothing"), USAGE, "nothing"),
    "verify: no journal": Case(("verify", "card"), USAGE, "--journal"),
    "verify: a file that is none": Case(("verify", "card", "--journal", "run.jsonl"), USAGE, "run.jsonl:1:1"),
    "sort: nowhere to": Case(("sort", "card", "--journal", "run.jsonl"), USAGE, "--into"),
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Path:
    """The sample plans, an empty card, and a journal that is none."""
    folder = shutil.copytree(ROOT / "plans", tmp_path_factory.mktemp("bench") / "plans")
    (folder / "card").mkdir()
    (folder / "run.jsonl").write_text("hello\n", encoding="utf-8")
    (folder / "readings.csv").touch()
    return folder


def listing(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_what_cannot_be_done_says_why_and_leaves_no_trace(stacker, bench, monkeypatch, case):
    monkeypatch.chdir(bench)
    before = listing(bench)
    done = stacker(*case.arguments)
    told = " ".join(done.err.split())
    assert (done.code, done.out) == (case.code, ""), told
    assert case.told in told
    assert "Traceback" not in told
    assert listing(bench) == before
