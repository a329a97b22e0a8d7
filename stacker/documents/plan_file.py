"""Plans as text: written with fixed decimals, read back fast; where in doubt, slowly and with line numbers."""

from __future__ import annotations

import hashlib
import json
import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from stacker.documents import emit
from stacker.documents.agreement import disagreements
from stacker.documents.fields import plain, read_block
from stacker.documents.files import write_whole
from stacker.documents.plan import COLUMNS, FORMAT, Frames, Plan
from stacker.documents.source import Mapping, Place, Scalar, parse, read_text
from stacker.documents.values import INVALID, Reading
from stacker.errors import TOLD, InputError, Refusal

_DIGEST_LINE = re.compile(r"^digest: .*\n", re.MULTILINE)
_FRAMES_AT = "\nframes:\n"
_ROWS_HEAD = f"frames:\n  columns: [{', '.join(COLUMNS)}]\n  rows:\n"
_ROW_START = "    - ["
_MAY_BE_NULL = frozenset({"position_microsteps", "move_microsteps", "overlap", "exposure_s", "start_s"})
_KINDS: dict[str, set[type[Any]]] = {
    name: {int if column.decimals is None else float} | ({type(None)} if name in _MAY_BE_NULL else set())
    for name, column in COLUMNS.items()
}


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
            [version.place.fault("stacker_plan", f"this program reads version {FORMAT}; make the plan again")]
        )
    if "digest" not in node.nodes:
        raise InputError([node.place.fault("digest", "missing; make the plan again")])
    first_line, frames = head.count("\n") + 2, None
    if frames_at:
        frames = _frames(table, Place(path=path, line=first_line, column=1), reading)
    else:
        reading.fault(node.place, "frames", "missing; make the plan again")
    plan = read_block(Plan, node, "", reading, frames=frames)
    if plan is INVALID or reading.faults:
        raise InputError(reading.faults)
    if plan.digest != digest_of(text):
        raise Refusal(
            f"{path}: changed since it was planned (its digest does not match). Make it again: "
            f"{plan.again(Path(path))}",
            code="edited_plan",
            key="digest",
        )
    sound: Plan = plan
    for row, key, said in disagreements(sound):
        place = Place(path=path) if row is None else Place(path=path, line=first_line + 3 + row, column=5)
        reading.fault(place, key, said)
    if reading.faults:
        raise InputError(reading.faults)
    return sound


def _frames(table: str, place: Place, reading: Reading) -> Frames | None:
    """The table by columns; ``None`` after faults."""
    if not ("frames:\n" + table).startswith(_ROWS_HEAD):
        reading.fault(place, "frames", "the columns are not those of a plan; make the plan again")
        return None
    rows = table[len(_ROWS_HEAD) - len("frames:\n") :]
    if not rows.strip():
        reading.fault(place, "frames.rows", "no rows; make the plan again")
        return None
    first_row = place._replace(line=place.line + 3)
    columns = _columns_fast(rows)
    if columns is None:
        columns = _columns_marked(rows.removesuffix("\n").split("\n"), first_row, reading)
    if columns is None:
        return None
    frames = Frames(**dict(zip(COLUMNS, columns, strict=True)))
    for line, text in _inconsistencies(frames):
        reading.fault(first_row._replace(line=first_row.line + line, column=5), "frames.rows", text)
    return frames


def _columns_fast(rows: str) -> list[list[Any]] | None:
    """All rows as one JSON text; ``None`` on any doubt."""
    if not (rows.startswith(_ROW_START) and rows.endswith("]\n")):
        return None
    try:
        table = json.loads("[" + rows[6:].replace("\n" + _ROW_START, ",[") + "]", parse_constant=_no_constant)
        columns = [list(column) for column in zip(*table, strict=True)]
    except (ValueError, TypeError, RecursionError):  # the last: brackets in brackets
        return None
    if len(columns) != len(COLUMNS) or len(table) != rows.count("\n"):
        return None
    for name, values in zip(COLUMNS, columns, strict=True):
        kinds = set(map(type, values))
        if not kinds <= _KINDS[name] or (len(kinds) > 1 and name != "overlap"):
            return None
        if kinds == {float} and not math.isfinite(sum(values)):
            return None
    return columns


def _no_constant(word: str) -> float:
    raise ValueError(word)


def _columns_marked(lines: list[str], place: Place, reading: Reading) -> list[list[Any]] | None:
    """Row by row, with the line and column of every cell that is not what it should be."""
    before = len(reading.faults)
    good: list[list[Any]] = []
    bad = 0
    for number, line in enumerate(lines):
        row = _sound_row(line)
        if row is not None:
            good.append(row)
            continue
        bad += 1
        if bad <= TOLD:
            _fault_of_row(line, place._replace(line=place.line + number), reading)
    if bad > TOLD:
        reading.fault(place, "frames.rows", f"{bad} rows in all are not those of a plan; make the plan again")
    if len(reading.faults) > before:
        return None
    columns = [list(column) for column in zip(*good, strict=True)]
    for name, values in zip(COLUMNS, columns, strict=True):
        if name != "overlap" and 0 < values.count(None) < len(values):
            reading.fault(place, f"frames.{name}", "null in some rows only; make the plan again")
    return columns if len(reading.faults) == before else None


def _sound_row(line: str) -> list[Any] | None:
    if not line.startswith(_ROW_START):
        return None
    try:
        row = json.loads(line[6:], parse_constant=_no_constant)
    except (ValueError, RecursionError):
        return None
    kinds = list(map(type, row)) if isinstance(row, list) else []
    if len(kinds) != len(COLUMNS) or not all(map(set.__contains__, _KINDS.values(), kinds)):
        return None
    if math.inf in row or -math.inf in row:
        return None
    sound: list[Any] = row
    return sound


def _fault_of_row(line: str, here: Place, reading: Reading) -> None:
    cells = [match for match in re.finditer(r"[^,\[\]\s]+", line) if match[0] != "-"]
    if not re.fullmatch(r" *- *\[[^\[\]]*\] *", line) or len(cells) != len(COLUMNS):
        text = f"found {len(cells)} values; write a row of {len(COLUMNS)} in brackets, or make the plan again"
        reading.fault(here._replace(column=5), "frames.rows", text)
        return
    before = len(reading.faults)
    for (name, column), cell in zip(COLUMNS.items(), cells, strict=True):
        if not _cell_is_sound(name, column.decimals, cell[0]):
            what = "a whole number" if column.decimals is None else f"a number with {column.decimals} decimals"
            reading.fault(
                here._replace(column=cell.start() + 1), f"frames.{name}", f"found '{cell[0][:40]}'; write {what}"
            )
    if len(reading.faults) == before:
        reading.fault(here._replace(column=5), "frames.rows", "written in an unusual way; make the plan again")


def _cell_is_sound(name: str, decimals: int | None, text: str) -> bool:
    if text == "null":
        return name in _MAY_BE_NULL
    return bool(re.fullmatch(r"-?[0-9]+" if decimals is None else r"-?[0-9]{1,300}\.[0-9]+", text))


def _inconsistencies(frames: Frames) -> list[tuple[int, str]]:
    """What a table cannot be: the first row of each kind, and a text."""
    wrong: list[tuple[int, str]] = []
    count = len(frames)
    if frames.frame != list(range(1, count + 1)):
        row = next(i for i, number in enumerate(frames.frame) if number != i + 1)
        wrong.append((row, f"found frame {frames.frame[row]}; frames count from 1 without a gap ({row + 1} here)"))
    positions: list[Any] = frames.position_microsteps
    if positions[0] is None:
        return wrong
    moves = [position - last for position, last in zip(positions, [0, *positions[:-1]], strict=True)]
    if moves != frames.move_microsteps:
        row = next(i for i, (a, b) in enumerate(zip(moves, frames.move_microsteps, strict=True)) if a != b)
        found = frames.move_microsteps[row]
        wrong.append((row, f"found move_microsteps {found}; the positions of this row and the one before differ"))
    return wrong
