"""The journal of a run: what was meant, what happened, what proves it. One JSON object a line, append-only.

A frame goes through three lines. ``intent`` is on the disk before the shutter may fire; ``exposed`` follows the
controller's answer; ``confirmed`` carries the evidence and is on the disk before the rail moves on. An intent
without its confirmation is ambiguous: that frame is shot again, since a duplicate does no harm and a gap does.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from stacker.driving.durable import DurableFile
from stacker.errors import Fault, InputError, Refusal, RunStopped

FORMAT = 1
SYNCED = frozenset({"run", "found", "resume", "intent", "confirmed", "stop", "end"})


class Journal:
    """The writing side.

    Parameters
    ----------
    file : DurableFile
        Open and locked.
    now_s : callable
        Seconds of a monotonic clock; durations in the journal are differences of it.
    """

    def __init__(self, file: DurableFile, now_s: Callable[[], float]) -> None:
        self._file, self._now_s, self._began_s = file, now_s, now_s()
        self.broken = False

    def write(self, event: str, **values: Any) -> None:
        """Append one line, durably where the event demands it.

        Raises
        ------
        RunStopped
            When it cannot be written: then no further frame may be taken.
        """
        record = {"event": event, **values, "t_s": round(self._now_s() - self._began_s, 6)}
        line = json.dumps(record, separators=(",", ":"), ensure_ascii=False, allow_nan=False) + "\n"
        try:
            self._file.write(line.encode("utf-8"))
            if event in SYNCED:
                self._file.sync()
        except OSError as error:
            self.broken = True
            raise RunStopped(
                f"the journal cannot be written ({error.strerror or error}): no further frame. Make room on the disk, "
                "then go on with --resume.",
                code="journal",
            ) from error

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


@dataclass(frozen=True, kw_only=True, slots=True)
class Past:
    """What a journal tells.

    Parameters
    ----------
    run : str
        The run's id.
    digest, profile_digest : str
        Of the plan and of the rail profile.
    front_at, front_at_mm : int, float
        Rail position of the plan's position 0 [microsteps, mm].
    boot, session : int, str
        Boot number of the controller when it was last talked to, and the session in which that was.
    pending : tuple of int
        Frames still to be taken, in order; the closing frame is 0.
    ambiguous : tuple of int
        Those of them whose intent stands without a confirmation.
    confirmed : dict of int to int
        How often each frame was confirmed.
    doubled : tuple of int
        Frames that may be on the card twice.
    last_shot : int
        Highest shot number used.
    lost : bool
        Whether the position was lost when the run stopped, or found to be when somebody wanted to go on.
    refocused : bool
        Whether the front was focused anew since the run began.
    whole_bytes : int
        Length of the file up to its last whole line.
    columns : tuple of str
        Names of the values in a row.
    rows : tuple of list
        The plan's rows.
    """

    run: str
    digest: str
    profile_digest: str
    front_at: int
    front_at_mm: float
    boot: int
    session: str
    pending: tuple[int, ...]
    ambiguous: tuple[int, ...]
    confirmed: dict[int, int]
    doubled: tuple[int, ...]
    last_shot: int
    lost: bool
    refocused: bool
    whole_bytes: int
    columns: tuple[str, ...]
    rows: tuple[list[Any], ...]


def read_journal(path: Path) -> Past:
    """Read a journal; a torn last line is left out.

    Raises
    ------
    InputError
        When it is no journal, or a line before the last one is damaged.
    """
    records, whole_bytes = read_records(path)
    try:
        return _told(records, whole_bytes)
    except (KeyError, TypeError) as error:
        raise _fault(path, 0, f"a line lacks {error}; restore the file from a copy") from None


def read_records(path: Path) -> tuple[list[dict[str, Any]], int]:
    """All whole lines of a journal and how many bytes they take; a torn last line is left out.

    Raises
    ------
    InputError
        When it is no journal, or a line before the last one is damaged.
    """
    data = path.read_bytes()
    whole_bytes = data.rfind(b"\n") + 1
    records = []
    for number, line in enumerate(data[:whole_bytes].split(b"\n")[:-1], start=1):
        try:
            record = json.loads(line)
            record["event"]
        except (ValueError, KeyError, TypeError):
            what = "not a line of a journal; restore the file from a copy"
            if number == 1:
                what = "this is no journal; a run writes NAME-DATE-TIME.run.jsonl beside its plan"
            raise _fault(path, number, what) from None
        records.append(record)
    if not records or records[0]["event"] != "run" or records[0].get("stacker_journal") != FORMAT:
        raise _fault(path, 1, f"not a journal of format {FORMAT}, or cut before its first line ended: start a new run")
    return records, whole_bytes


def _fault(path: Path, line: int, text: str) -> InputError:
    return InputError([Fault(path=str(path), line=line, column=1 if line else 0, key="", text=text)])


def _told(records: list[dict[str, Any]], whole_bytes: int) -> Past:
    head = records[0]
    pending, confirmed, intents = list(head["frames"]), dict[int, int](), dict[int, int]()
    open_intents: set[int] = set()
    front_at, boot, session = head["front_at_microsteps"], head["boot"], head.get("session", "")
    shot, lost, refocused = 0, False, False
    for record in records:
        event, frame = record["event"], record.get("frame", 0)
        if event == "intent":
            intents[frame] = intents.get(frame, 0) + 1
            open_intents.add(frame)
            shot = max(shot, record["shot"])
        elif event == "confirmed":
            confirmed[frame] = confirmed.get(frame, 0) + 1
            open_intents.discard(frame)
            pending = [number for number in pending if number != frame]
        elif event == "found":
            session, lost = record["session"], bool(record["lost"])
        elif event == "resume":
            pending, front_at, boot = list(record["frames"]), record["front_at_microsteps"], record["boot"]
            refocused, lost = refocused or lost, False
        elif event == "stop":
            lost = bool(record["lost"])
    return Past(
        run=head["run"],
        digest=head["plan"]["digest"],
        profile_digest=head["profile_digest"],
        front_at=front_at,
        front_at_mm=front_at / head["microsteps_per_mm"],
        boot=boot,
        session=session,
        pending=tuple(pending),
        ambiguous=tuple(sorted(open_intents)),
        confirmed=confirmed,
        doubled=tuple(sorted(frame for frame, times in intents.items() if times > 1 and frame)),
        last_shot=shot,
        lost=lost,
        refocused=refocused,
        whole_bytes=whole_bytes,
        columns=tuple(head["plan"]["columns"]),
        rows=tuple(head["plan"]["rows"]),
    )


def utc_now() -> str:
    """Time of day for the lines that begin a run or go on with one: the journal's own clock starts anew at each."""
    return datetime.now(timezone.utc).isoformat(timespec="milliseconds")


def create(
    path: Path, now_s: Callable[[], float], header: dict[str, Any], *, opener: Callable[..., DurableFile] = DurableFile
) -> Journal:
    """Begin a new journal; it must not exist.

    Raises
    ------
    Refusal
        When it exists, or its first line cannot be written: then no file is left.
    """
    journal = Journal(opener(path, new=True), now_s)
    try:
        journal.write("run", stacker_journal=FORMAT, utc=utc_now(), **header)
    except RunStopped as stopped:
        journal.close()
        path.unlink()
        raise Refusal(
            f"{path}: cannot be written ({stopped.__cause__}): nothing moved. Make room, or name another --journal.",
            code="journal",
        ) from stopped
    return journal


def reopen(path: Path, *, opener: Callable[..., DurableFile] = DurableFile) -> tuple[DurableFile, Past]:
    """Lock a journal, cut its torn last line off, and read it."""
    file = opener(path, new=False)
    try:
        past = read_journal(path)
        if past.whole_bytes < path.stat().st_size:
            file.cut(past.whole_bytes)
    except BaseException:
        file.close()
        raise
    return file, past


def newest(plan_path: Path) -> Path | None:
    """The journal beside a plan that was begun last."""
    return max(beside(plan_path), key=lambda path: path.name, default=None)


def beside(plan_path: Path) -> list[Path]:
    """All journals beside a plan."""
    name = re.compile(re.escape(_stem(plan_path)) + r"-\d{8}-\d{6}\.run\.jsonl")
    return [path for path in plan_path.parent.glob("*.run.jsonl") if name.fullmatch(path.name)]


def of_this_plan(plan_path: Path, digest: str) -> dict[Path, Past]:
    """The journals beside a plan that belong to it as it stands; those that cannot be read are left out."""
    found = {}
    for path in sorted(beside(plan_path)):
        with contextlib.suppress(InputError):
            if (past := read_journal(path)).digest == digest:
                found[path] = past
    return found


def journal_path(plan_path: Path, stamp: str) -> Path:
    """Where the journal of a run begun at that moment goes: ``NAME-DATE-TIME.run.jsonl``."""
    return plan_path.with_name(f"{_stem(plan_path)}-{stamp}.run.jsonl")


def _stem(plan_path: Path) -> str:
    return plan_path.name.removesuffix(".yaml").removesuffix(".plan")
