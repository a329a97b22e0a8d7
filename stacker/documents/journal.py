"""What a journal tells of its run; `journal_lines` knows the lines, `driving.journal` writes them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stacker.documents.files import plan_path
from stacker.documents.journal_lines import Lines, read_lines
from stacker.documents.journal_values import CLOSING, Record, Unsound
from stacker.documents.source import refuse_no_file
from stacker.errors import Fault, InputError
from stacker.figures import as_typed, at_port, spans, typed_mm

_NAME = re.compile(r"(.+)-\d{8}-\d{6}.*\.run\.jsonl")  # older ones carry local time, without the Z


@dataclass(frozen=True, kw_only=True, slots=True)
class Past:
    """What a journal tells.

    Parameters
    ----------
    run : str
        The run's id.
    kind : str
        ``all``, ``ends``, ``frames``, ``between`` (two of the plan's) or ``after`` (what a plan has beyond an earlier
        one).
    digest, profile_digest : str
        Of the plan and of the rail profile.
    front_at, front_at_mm : int, float
        Rail position of the plan's position 0 [microsteps, mm].
    began_utc, last_utc : str
        When the run began, and when it was gone on with last; empty: not written down.
    port, controller, boot : str, str, int
        Port, firmware and boot number of the controller when it was last talked to; empty: not written down.
    sessions : frozenset of str
        Of this run's own hosts: nobody else had the rail as long as the controller names one of them.
    before : str
        Session of whoever had the rail before this run; empty: not written down.
    named : bool
        Whether the run began with a new name for the place of the rail.
    url : str or None
        As typed for ``--url``; None: the profile's own.
    warm_up_s : float
        Asked for before the first frame [s].
    pictures_a_frame : int
        Of a bracket that the camera takes at one release; else 1.
    panel : int or None
        Of a plan with panels: which; its frames count from 1 within it.
    set : str
        By which the journals of one set of panels know one another; empty: no panels.
    axes : dict
        Which controllers brought the panel into the picture, and from where they count.
    after : str or None
        Journal of the run whose frames this one does not take again, for ``after``.
    between : tuple of int
        Frames of the plan behind each of which this run counts one more; its numbers and rows count these too.
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
    left_at : int or None
        Where the rail stood at the end or at a stop [microsteps]; None: not known.
    lost : bool
        Whether the position was lost when the run stopped, or found to be when somebody wanted to go on.
    refocused : bool
        Whether the front was focused again since the run began.
    whole_bytes : int
        Length of the file up to its last good line.
    columns : tuple of str
        Names of the values in a row.
    rows : tuple of list
        The plan's rows.
    """

    run: str
    kind: str
    digest: str
    profile_digest: str
    front_at: int
    front_at_mm: float
    began_utc: str
    last_utc: str
    port: str
    controller: str
    boot: int
    sessions: frozenset[str]
    before: str
    named: bool
    url: str | None
    warm_up_s: float
    pictures_a_frame: int
    panel: int | None
    set: str
    axes: dict[str, dict[str, Any]]
    after: str | None
    between: tuple[int, ...]
    pending: tuple[int, ...]
    ambiguous: tuple[int, ...]
    confirmed: dict[int, int]
    doubled: tuple[int, ...]
    last_shot: int
    left_at: int | None
    lost: bool
    refocused: bool
    whole_bytes: int
    columns: tuple[str, ...]
    rows: tuple[list[Any], ...]


class DamagedJournal(InputError):
    """A journal with a bad line that sound ones of weight follow: it is not cut, since that would forget them.

    Parameters
    ----------
    path : Path
        The journal.
    lines : Lines
        What can be read of it.
    """

    def __init__(self, path: Path, lines: Lines) -> None:
        self.past = past_of([*lines.records, *lines.behind], lines.whole_bytes)
        past, plan = self.past, plan_beside(path)
        rest = [frame for frame in past.pending if frame != CLOSING]
        panel = "" if past.panel is None else f" --panel {past.panel}"
        command = f"stacker drive {as_typed(plan)}{panel} --go --frames {spans(rest)}"
        command += f" --front-at-mm {typed_mm(past.front_at_mm)}"
        command += at_port(past.url)
        follow = "every frame of the run is confirmed by its good lines: nothing is left to take"
        if rest:
            follow = f"what its good lines do not confirm is taken by: {command}"
        fault = f"damaged ({lines.why}), and good lines follow, so it is neither cut off nor resumed; {follow}"
        super().__init__([_fault(path, lines.bad_line or 0, fault)])


def read_journal(path: Path) -> Past:
    """Read a journal; a damaged tail is left out.

    Raises
    ------
    DamagedJournal
        When lines of weight follow a bad one.
    InputError
        When it is no journal.
    """
    records, whole_bytes = read_records(path)
    return past_of(records, whole_bytes)


def read_records(path: Path) -> tuple[list[Record], int]:
    """All good lines of a journal and how many bytes they take; a damaged tail is left out.

    Raises
    ------
    DamagedJournal
        When lines of weight follow a bad one.
    InputError
        When it is no journal.
    """
    refuse_no_file(path)
    lines = lines_of(path, path.read_bytes())
    return lines.records, lines.whole_bytes


def lines_of(path: Path, data: bytes) -> Lines:
    """The lines in the bytes of a journal.

    Raises
    ------
    InputError
        As `read_records`.
    """
    try:
        lines = read_lines(data)
    except Unsound as error:
        raise InputError([_fault(path, 1, str(error))]) from None
    if not lines.only_a_tail:
        raise DamagedJournal(path, lines)
    return lines


def plan_beside(journal: Path) -> Path:
    """The plan beside a journal, by the journal's name."""
    match = _NAME.fullmatch(journal.name)
    return plan_path(journal.with_name(match[1])) if match else Path("PLAN")


def _fault(path: Path, line: int, text: str) -> Fault:
    return Fault(path=str(path), line=line, column=1 if line else 0, key="", text=text)


class _Told:
    """What the lines read so far tell of frames and rail."""

    def __init__(self, head: Record) -> None:
        self.last = dict(head)
        self.pending: dict[int, None] = dict.fromkeys(head["frames"])
        self.confirmed: dict[int, int] = {}
        self.intents: dict[int, int] = {}
        self.open: set[int] = set()
        self.sessions: set[str] = {head.get("session", "")}
        self.shot, self.left_at, self.lost = 0, None, False
        self.refocused: bool = head.get("refocused", False)

    def read(self, record: Record) -> None:
        """One line more."""
        event = record["event"]
        if "frame" in record:
            self._of_a_frame(event, record["frame"], record)
        elif event == "opens":
            self.sessions |= {record["session"]} if record["ours"] else set()
        elif event == "found":
            self.sessions, self.lost = {record["session"]}, record["lost"]
        elif event == "resume":
            self.last |= record
            self.pending = dict.fromkeys(record["frames"])
            self.refocused, self.lost = self.refocused or self.lost, False
        elif event in ("stop", "end"):
            self.lost, self.left_at = record.get("lost", False), record.get("position_microsteps")

    def _of_a_frame(self, event: str, frame: int, record: Record) -> None:
        if event == "intent":
            self.intents[frame] = self.intents.get(frame, 0) + 1
            self.open.add(frame)
            self.shot, self.left_at = max(self.shot, record["shot"]), None
        elif event == "confirmed":
            self.confirmed[frame] = self.confirmed.get(frame, 0) + 1
            self.open.discard(frame)
            self.pending.pop(frame, None)
        elif record.get("again") or record.get("taken"):  # watched, undone: that exposure is none, by picture or word
            self._take_back(frame)
        elif event == "undone":  # the shutter was not opened at all
            self.open.discard(frame)
            self.intents[frame] = self.intents.get(frame, 0) - 1

    def _take_back(self, frame: int) -> None:
        self.pending[frame] = None
        self.confirmed[frame] = self.confirmed.get(frame, 0) - 1
        if self.confirmed[frame] < 1:
            del self.confirmed[frame]


def past_of(records: list[Record], whole_bytes: int) -> Past:
    """What the lines of a journal tell, as `read_records` gives them."""
    head, told = records[0], _Told(records[0])
    for record in records:
        told.read(record)
    last = told.last
    return Past(
        run=head["run"],
        kind=head.get("kind", "all"),
        digest=head["plan"]["digest"],
        profile_digest=head["profile_digest"],
        front_at=last["front_at_microsteps"],
        front_at_mm=last["front_at_microsteps"] / head["microsteps_per_mm"],
        began_utc=head.get("utc", ""),
        last_utc=last.get("utc", ""),
        port=last.get("port", ""),
        controller=last.get("controller", ""),
        boot=last["boot"],
        sessions=frozenset(told.sessions),
        before=head.get("before", ""),
        named=head.get("named", False),
        url=last.get("url"),
        warm_up_s=head.get("warm_up_s", 0.0),
        pictures_a_frame=head.get("pictures_a_frame", 1),
        panel=head.get("panel"),
        set=head.get("set", ""),
        axes={name: axis for name, axis in last.get("axes", {}).items() if axis},
        after=head.get("after"),
        between=tuple(head.get("between", ())),
        pending=tuple(told.pending),
        ambiguous=tuple(sorted(told.open)),
        confirmed=told.confirmed,
        doubled=tuple(sorted(frame for frame, times in told.intents.items() if times > 1 and frame)),
        last_shot=told.shot,
        left_at=told.left_at,
        lost=told.lost,
        refocused=told.refocused,
        whole_bytes=whole_bytes,
        columns=tuple(head["plan"]["columns"]),
        rows=tuple(head["plan"]["rows"]),
    )
