"""Plans as text: written with fixed decimals, read back fast; where in doubt, slowly and with line numbers."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from stacker.documents import emit
from stacker.documents.fields import INVALID, Reading, plain, read_block
from stacker.documents.files import write_whole
from stacker.documents.plan import COLUMNS, FORMAT, Frames, Plan
from stacker.documents.source import Mapping, Place, Scalar, parse, read_text
from stacker.errors import InputError, Refusal

_DIGEST_LINE = re.compile(r"^digest: .*\n", re.MULTILINE)
_FRAMES_AT = "\nframes:\n"
_ROWS_HEAD = f"frames:\n  columns: [{', '.join(COLUMNS)}]\n  rows:\n"
_ROW_START = "    - ["
_MAY_BE_NULL = frozenset({"position_microsteps", "move_microsteps", "overlap", "exposure_s", "start_s"})


def digest_of(text: str) -> str:
    """Sha256 of the text, its digest line left out."""
    return hashlib.sha256(_DIGEST_LINE.sub("", text, count=1).encode("utf-8")).hexdigest()


# -------------------------------------------------------------------------------------------------------- writing


def plan_text(plan: Plan) -> str:
    """The plan as the text of its file: the same bytes for the same plan."""
    header = plain(plan)
    header["digest"] = "-"
    text = "\n".join(emit.lines(header)) + "\n" + _ROWS_HEAD + _rows_text(plan.frames)
    return text.replace('\ndigest: "-"\n', f"\ndigest: {digest_of(text)}\n", 1)


def _rows_text(frames: Frames) -> str:
    """All rows at once: one format for the table, columns without values written as null."""
    cells, columns = [], []
    for (name, column), values in zip(COLUMNS.items(), frames.columns(), strict=True):
        if name == "overlap":
            cells.append("%s")
            columns.append(["null" if value is None else f"{value:.4f}" for value in values])
        elif values[0] is None:
            cells.append("null")
        else:
            cells.append("%d" if column.decimals is None else f"%.{column.decimals}f")
            columns.append(values)
    row = f"{_ROW_START}{', '.join(cells)}]\n"
    return "".join(map(row.__mod__, zip(*columns, strict=True)))


def write_plan(plan: Plan, path: Path | str) -> Plan:
    """Write the file whole; returns the plan with its digest.

    Raises
    ------
    OSError
        If it cannot be written; an older file is then untouched.
    """
    text = plan_text(plan)
    write_whole(path, text)
    return replace(plan, digest=digest_of(text))


# -------------------------------------------------------------------------------------------------------- reading


def read_plan(path: Path | str) -> Plan:
    """Read a plan that nobody has edited.

    Raises
    ------
    InputError
        With line numbers, if the file is no plan or has faults.
    Refusal
        If it is sound but was edited: its digest does not match.
    """
    return parse_plan(read_text(path), str(path))


def parse_plan(text: str, path: str) -> Plan:
    """The same for text at hand; ``path`` is what messages call the file."""
    head, frames_at, table = text.partition(_FRAMES_AT)
    reading = Reading()
    node = parse(head, path)
    if not isinstance(node, Mapping) or "stacker_plan" not in node.nodes:
        raise InputError([Place(path=path).fault("", "not a plan; 'stacker plan REQUEST' makes one")])
    version = node.nodes["stacker_plan"]
    if not isinstance(version, Scalar) or version.text != str(FORMAT):
        raise InputError(
            [version.place.fault("stacker_plan", f"this program reads version {FORMAT}; make the plan anew")]
        )
    first_line = head.count("\n") + 2
    if not frames_at:
        reading.fault(node.place, "frames", "missing; make the plan anew")
    frames = _frames(table, Place(path=path, line=first_line, column=1), reading)
    plan = read_block(Plan, node, "", reading, frames=frames)
    if plan is INVALID or reading.faults:
        raise InputError(reading.faults)
    if plan.digest != digest_of(text):
        request = re.sub(r"\.plan\.yaml$", ".yaml", path)
        raise Refusal(
            f"{path}: changed since it was planned (its digest does not match). Make it anew: stacker plan {request}",
            code="edited_plan",
            key="digest",
        )
    sound: Plan = plan
    return sound


def _frames(table: str, place: Place, reading: Reading) -> Frames | None:
    """The table by columns; ``None`` after faults."""
    head, rows_at, rows = ("frames:\n" + table).partition("  rows:\n")
    if head + rows_at != _ROWS_HEAD:
        reading.fault(place, "frames", "the columns are not those of a plan; make the plan anew")
        return None
    lines = rows.split("\n")
    if lines[-1] == "":
        lines.pop()
    if not lines:
        reading.fault(place, "frames.rows", "no rows; make the plan anew")
        return None
    columns = _columns_fast(lines)
    if columns is None:
        columns = _columns_marked(lines, replace(place, line=place.line + 3), reading)
    if columns is None:
        return None
    frames = Frames(**dict(zip(COLUMNS, columns, strict=True)))
    for line, text in _inconsistencies(frames):
        reading.fault(replace(place, line=place.line + 3 + line, column=5), "frames.rows", text)
    return frames


def _columns_fast(lines: list[str]) -> list[list[Any]] | None:
    """All rows as one JSON text; ``None`` on any doubt."""
    if not all(line.startswith(_ROW_START) for line in lines):
        return None
    try:
        rows = json.loads("[" + ",".join([line[6:] for line in lines]) + "]")
    except ValueError:
        return None
    if len(rows) != len(lines) or {type(row) for row in rows} != {list} or {len(row) for row in rows} != {len(COLUMNS)}:
        return None
    columns = [list(column) for column in zip(*rows, strict=True)]
    for (name, column), values in zip(COLUMNS.items(), columns, strict=True):
        kinds = {type(value) for value in values}
        if not kinds <= _kinds(name, column.decimals) or (len(kinds) > 1 and name != "overlap"):
            return None
        if float in kinds and not all(-1e300 < value < 1e300 for value in values if value is not None):
            return None
    return columns


def _kinds(name: str, decimals: int | None) -> set[type[Any]]:
    kind: type[Any] = int if decimals is None else float
    return {kind, type(None)} if name in _MAY_BE_NULL else {kind}


def _columns_marked(lines: list[str], place: Place, reading: Reading) -> list[list[Any]] | None:
    """Row by row, with the line and column of every cell that is not what it should be."""
    before = len(reading.faults)
    good: list[list[Any]] = []
    for number, line in enumerate(lines):
        here = replace(place, line=place.line + number)
        cells = [match for match in re.finditer(r"[^,\[\]\s]+", line) if match[0] != "-"]
        if not re.fullmatch(r" *- *\[[^\[\]]*\] *", line) or len(cells) != len(COLUMNS):
            text = f"found {len(cells)} values; write a row of {len(COLUMNS)} in brackets, or make the plan anew"
            reading.fault(replace(here, column=5), "frames.rows", text)
            continue
        row: list[Any] = []
        for (name, column), cell in zip(COLUMNS.items(), cells, strict=True):
            value = _cell(name, column.decimals, cell[0])
            if value is INVALID:
                what = "a whole number" if column.decimals is None else f"a number with {column.decimals} decimals"
                reading.fault(
                    replace(here, column=cell.start() + 1),
                    f"frames.{name}",
                    f"found '{cell[0][:40]}'; write {what}",
                )
            row.append(value)
        good.append(row)
    if len(reading.faults) > before:
        return None
    columns = [list(column) for column in zip(*good, strict=True)]
    for (name, _), values in zip(COLUMNS.items(), columns, strict=True):
        if name != "overlap" and 0 < values.count(None) < len(values):
            reading.fault(place, f"frames.{name}", "null in some rows only; make the plan anew")
    return columns if len(reading.faults) == before else None


def _cell(name: str, decimals: int | None, text: str) -> Any:
    if text == "null":
        return None if name in _MAY_BE_NULL else INVALID
    if not re.fullmatch(r"-?[0-9]+" if decimals is None else r"-?[0-9]+\.[0-9]+", text):
        return INVALID
    return int(text) if decimals is None else float(text)


def _inconsistencies(frames: Frames) -> list[tuple[int, str]]:
    """What a table cannot be: row and text, the first few."""
    wrong: list[tuple[int, str]] = []
    count = len(frames)
    if frames.frame != list(range(1, count + 1)):
        row = next(i for i, number in enumerate(frames.frame) if number != i + 1)
        wrong.append((row, f"found frame {frames.frame[row]}; frames count from 1 without a gap ({row + 1} here)"))
    if frames.position_microsteps[0] is not None:
        before = [0, *frames.position_microsteps[:-1]]
        for row, (position, last, move) in enumerate(
            zip(frames.position_microsteps, before, frames.move_microsteps, strict=True)
        ):
            if move is None or position is None or last is None or position - last != move:
                wrong.append(
                    (
                        row,
                        f"found move_microsteps {move}; the positions of this row and the one before differ",
                    )
                )
                break
    return wrong
