"""Plan files: the digest, edits found with their lines, and a file replaced whole or not at all."""

from __future__ import annotations

import hashlib
import os

import pytest

from stacker.documents import files
from stacker.documents.loading import load_request
from stacker.documents.plan import COLUMNS
from stacker.documents.plan_file import digest_of, parse_plan, plan_text, read_plan, write_plan
from stacker.errors import InputError, Refusal
from stacker.planning.planner import plan_of


@pytest.fixture(scope="module")
def text() -> str:
    from conftest import ROOT

    return (ROOT / "plans" / "leaf_beetle.plan.yaml").read_text(encoding="utf-8")


def line_of(text: str, start: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), start=1) if line.startswith(start))


def faults(text: str) -> list[str]:
    with pytest.raises(InputError) as found:
        parse_plan(text, "p.yaml")
    return [str(fault) for fault in found.value.faults]


def test_the_digest_is_the_sha256_of_all_other_lines(text):
    lines = text.splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith("digest: ")]
    assert len(kept) == len(lines) - 1
    written = next(line for line in lines if line.startswith("digest: ")).split()[1]
    assert hashlib.sha256("".join(kept).encode()).hexdigest() == written == digest_of(text)


def test_keys_stand_in_the_order_of_the_design(text):
    keys = [line.partition(":")[0] for line in text.splitlines() if line[:1].isalpha()]
    assert " ".join(keys) == (
        "stacker_plan planner name digest request assumed optics depth_of_field coverage motion budget advice "
        "warnings frames"
    )


def test_windows_line_ends_do_not_change_the_digest(text, tmp_path):
    path = tmp_path / "p.plan.yaml"
    path.write_bytes(text.replace("\n", "\r\n").encode())
    assert plan_text(read_plan(path)) == text


def test_an_edited_row_is_refused_with_the_command_that_plans_anew(text, tmp_path):
    path = tmp_path / "p.plan.yaml"
    first = next(line for line in text.splitlines() if line.startswith("    - [1, "))
    path.write_text(text.replace(first, first.replace("0.005000", "0.004000")), encoding="utf-8")
    with pytest.raises(Refusal, match=r"changed since it was planned.*stacker plan .*p\.yaml"):
        read_plan(path)


def test_an_edited_comment_is_an_edit_too(text):
    with pytest.raises(Refusal):
        parse_plan("# harmless\n" + text, "p.yaml")


ROW = "    - [3, "


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (
            lambda row: row.replace("0.005000", "fast"),
            "frames.exposure_s: found 'fast'; write a number with 6 decimals",
        ),
        (lambda row: row.replace("[3,", "[3.5,"), "frames.frame: found '3.5'; write a whole number"),
        (lambda row: row.replace("[3, ", "["), "frames.rows: found 12 values; write a row of 13 in brackets"),
        (lambda row: row.replace("0.005000", "null"), "frames.exposure_s: null in some rows only"),
        (lambda row: row.replace("[3,", "[4,"), "frames.rows: found frame 4; frames count from 1"),
        (lambda row: row.replace("[3, ", "[3, 1"), None),
        (lambda row: row.replace("]", ""), "frames.rows: found 13 values; write a row of 13 in brackets"),
        (lambda row: row.replace("[3,", "[null,"), "frames.frame: found 'null'; write a whole number"),
        (lambda row: row.replace("0.005000", "NaN"), "frames.exposure_s: found 'NaN'"),
        (lambda row: row.replace("0.005000", "1e999"), "frames.exposure_s: found '1e999'"),
        (lambda row: row.replace("- [", "-  ["), "frames.rows: written in an unusual way; make the plan again"),
    ],
    ids=[
        *("word", "fraction", "value missing", "null", "number twice", "another depth", "bracket missing"),
        *("null for a number", "no number", "infinite", "two spaces"),
    ],
)
def test_an_edit_of_a_row_is_found_with_its_line(text, edit, message):
    number = line_of(text, ROW)
    lines = text.splitlines()
    lines[number - 1] = edit(lines[number - 1])
    edited = "\n".join(lines) + "\n"
    if message is None:
        with pytest.raises(Refusal):
            parse_plan(edited, "p.yaml")
        return
    (found,) = faults(edited)
    path, line, _, rest = found.split(":", 3)
    assert path == "p.yaml"
    assert rest.strip().startswith(message)
    assert int(line) == (line_of(text, "    - [1, ") if "some rows only" in message else number)


def test_the_column_of_a_bad_cell_is_told(text):
    number = line_of(text, ROW)
    row = text.splitlines()[number - 1]
    (found,) = faults(text.replace(row, row.replace("0.005000", "fast")))
    assert found.split(":")[2] == str(row.index("0.005000") + 1)


def test_moves_that_do_not_add_up_are_found(text):
    number = line_of(text, ROW)
    row = text.splitlines()[number - 1]
    cells = row.strip()[3:-1].split(", ")
    cells[list(COLUMNS).index("move_microsteps")] = "1"
    (found,) = faults(text.replace(row, f"    - [{', '.join(cells)}]"))
    assert found.startswith(f"p.yaml:{number}:")
    assert "positions of this row and the one before differ" in found


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("stacker_plan: 1", "stacker_plan: 2", "p.yaml:1:15: stacker_plan: this program reads version 1"),
        ("  magnification: ", "  magnifikation: ", "optics.magnifikation: unknown key; write magnification"),
        ("  frame_count: ", "  frame_count: many # ", "coverage.frame_count: found 'many'; write a whole number"),
        ("  columns: [frame, focus_um", "  columns: [focus_um, frame", "frames: the columns are not those of a plan"),
    ],
)
def test_an_edit_of_the_header_is_found(text, old, new, message):
    assert message in faults(text.replace(old, new, 1))[0]


def test_what_is_no_plan_is_called_so():
    assert faults("a: 1\n") == ["p.yaml: not a plan; 'stacker plan REQUEST' makes one"]


def test_a_plan_without_its_table_or_without_rows_is_one_fault(text):
    assert faults(text.partition("\nframes:")[0] + "\n") == ["p.yaml:1:1: frames: missing; make the plan again"]
    (found,) = faults(text[: text.index("  rows:\n") + len("  rows:\n")])
    assert found.endswith(": frames.rows: no rows; make the plan again")


def test_rows_written_in_another_way_of_yaml_are_a_fault(text):
    start = text.index("  rows:\n")
    assert "frames.rows" in faults(text[:start] + "  rows:\n    - frame: 1\n")[0]


# ------------------------------------------------------------------------------------------------- writing whole


@pytest.fixture
def plan(plans):
    loaded = load_request(plans / "leaf_beetle.yaml")
    return plan_of(loaded.value, loaded.assumed)


@pytest.mark.parametrize("broken", ["fsync", "replace", "write"])
def test_a_failed_write_leaves_the_old_file_and_nothing_beside_it(plan, tmp_path, monkeypatch, broken):
    path = tmp_path / "p.plan.yaml"
    path.write_text("old", encoding="utf-8")

    def fail(*_):
        raise OSError(28, "No space left on device")

    if broken == "fsync":
        monkeypatch.setattr(files.os, "fsync", fail)
    elif broken == "replace":
        monkeypatch.setattr(files.Path, "replace", fail)
    else:
        monkeypatch.setattr(files.Path, "open", fail)
    with pytest.raises(OSError, match="No space"):
        write_plan(plan, path)
    monkeypatch.undo()
    assert path.read_text(encoding="utf-8") == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["p.plan.yaml"]


def test_the_file_is_synced_before_it_takes_the_name(plan, tmp_path, monkeypatch):
    order = []
    real_sync, real_replace = os.fsync, files.Path.replace
    monkeypatch.setattr(files.os, "fsync", lambda fd: (order.append("sync"), real_sync(fd))[1])
    monkeypatch.setattr(files.Path, "replace", lambda path, to: (order.append("replace"), real_replace(path, to))[1])
    write_plan(plan, tmp_path / "p.plan.yaml")
    assert order[:2] == ["sync", "replace"]


def test_a_link_is_followed_and_permissions_stay(plan, tmp_path):
    real = tmp_path / "real.yaml"
    real.write_text("old", encoding="utf-8")
    real.chmod(0o640)
    link = tmp_path / "link.yaml"
    link.symlink_to(real)
    write_plan(plan, link)
    assert link.is_symlink()
    assert real.read_text(encoding="utf-8").startswith("stacker_plan: 1")
    assert real.stat().st_mode & 0o777 == 0o640
