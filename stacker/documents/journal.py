"""What a journal tells: its lines, and what they say of the run; `driving.journal` writes it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stacker.errors import Fault, InputError

FORMAT = 1
CLOSING = 0  # number of the closing frame


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
    return past_of(path, records, whole_bytes)


def past_of(path: Path, records: list[dict[str, Any]], whole_bytes: int) -> Past:
    """What the lines of a journal tell, as `read_records` gives them.

    Raises
    ------
    InputError
        When a line lacks something.
    """
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
