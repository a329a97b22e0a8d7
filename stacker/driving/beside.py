"""The journals beside a plan: their names, which belong to the plan as it stands, which belong together."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone
from pathlib import Path

from stacker.documents.files import stem_of
from stacker.documents.journal import DamagedJournal, Past, read_journal
from stacker.documents.panels import of_whole
from stacker.errors import InputError

_SOME = ("frames", "between")  # runs that belong to one of the whole stack before them


def journal_path(plan_path: Path, now: datetime) -> Path:
    """Where the journal of a run begun then goes: ``NAME-DATE-TIMEZ.run.jsonl``, in UTC, which no autumn repeats.

    The second is the next that no journal has: a clock set back, or two runs in one second, are no reason to refuse.
    """
    while True:
        stamp = now.astimezone(timezone.utc).strftime("%Y%m%d-%H%M%SZ")
        path = plan_path.with_name(f"{stem_of(plan_path)}-{stamp}.run.jsonl")
        if not path.exists():
            return path
        now += timedelta(seconds=1)


def beside(plan_path: Path) -> list[Path]:
    """All journals beside a plan."""
    name = re.compile(re.escape(stem_of(plan_path)) + r"-\d{8}-\d{6}Z?\.run\.jsonl")
    return [path for path in plan_path.parent.glob("*.run.jsonl") if name.fullmatch(path.name)]


def of_this_plan(plan_path: Path, digest: str) -> dict[Path, Past]:
    """The journals beside a plan that belong to it as it stands, by when they were gone on with last.

    Those that are none are left out; of a damaged one counts what is sound. Runs that took frames between two of the
    plan's belong to it.
    """
    found = ((path, _past_of(path)) for path in beside(plan_path))
    own = {
        path: past
        for path, past in found
        if past is not None and (of_whole(past.digest) if past.between else past.digest) == digest
    }
    return dict(sorted(own.items(), key=lambda item: (item[1].last_utc, item[0].name)))


def of_panels(plan_path: Path, digest: str) -> list[tuple[Path, Past]]:
    """The journals beside a plan that are of its panels, by when they were gone on with last."""
    found = ((path, _past_of(path)) for path in beside(plan_path))
    own = [(path, past) for path, past in found if past is not None and past.panel and of_whole(past.digest) == digest]
    return sorted(own, key=lambda item: (item[1].last_utc, item[0].name))


def in_folder(folder: Path) -> list[tuple[Path, Past]]:
    """All journals of a folder, of whatever plan, by when they were gone on with last; damaged ones as far as sound."""
    found = [(path, past) for path in folder.glob("*.run.jsonl") if (past := _past_of(path)) is not None]
    return sorted(found, key=lambda item: (item[1].last_utc, item[0].name))


def unfinished(plan_path: Path, digest: str) -> dict[Path, Past]:
    """Those of them that leave frames open, the newest last."""
    return {path: past for path, past in of_this_plan(plan_path, digest).items() if past.pending}


def of_one_stack(own: Path, past: Past, found: dict[Path, Past]) -> list[Path]:
    """The journals that tell of one stack: a run of some frames belongs to the whole run before it, at the same front.

    Parameters
    ----------
    own : Path
        The journal of the run that has just ended.
    past : Past
        What it tells.
    found : dict
        The journals of its plan, as `of_this_plan` gives them. Its frames shot as a second stack are another one.

    Returns
    -------
    list of Path
        In the order of time.
    """
    if past.kind not in _SOME:
        return [*run_before(past, own), own]
    same = [path for path, other in found.items() if other.front_at == past.front_at and other.port == past.port]
    before = sorted(
        (path for path in same if found[path].began_utc < past.began_utc), key=lambda path: found[path].began_utc
    )
    whole = [number for number, path in enumerate(before) if found[path].kind in ("all", "after")]
    if not whole:
        return [own]
    base, *later = before[whole[-1] :]
    return [*run_before(found[base], base), base, *(path for path in later if found[path].kind in _SOME), own]


def run_before(past: Past, own: Path) -> list[Path]:
    """The journals of the runs whose frames a run did not take again, as far as they are there, oldest first."""
    chain = [own]
    while past.after is not None:
        path = next((path for path in (Path(past.after), own.with_name(Path(past.after).name)) if path.is_file()), None)
        if path is None or path in chain:
            break
        chain.insert(0, path)
        try:
            past = read_journal(path)
        except InputError:
            break
    return chain[:-1]


def _past_of(path: Path) -> Past | None:
    try:
        return read_journal(path)
    except DamagedJournal as damaged:
        return damaged.past
    except (InputError, OSError):
        return None
