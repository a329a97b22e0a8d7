"""Readings, folders and stacks put together by hand: pictures lie beside shots as a test says, no times are matched."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

from stacker.verifying.alignment import Alignment, Window
from stacker.verifying.exposures import Picture
from stacker.verifying.folder import Folder
from stacker.verifying.readings import Reading
from stacker.verifying.shots import Shot, ShotLeg
from stacker.verifying.stacks import Stack


def shot(frame, *, confirmed=True, counts=True, taken_back=0) -> Shot:
    now = Window(early_s=0.0, late_s=0.0, first_s=0.0)
    return Shot(frame=frame, confirmed=confirmed, counts=counts, window=now, taken_back=taken_back)


def way(shot_of, *, open_shots=(), always=(), unsettled=()) -> Alignment:
    return Alignment(
        offset_s=0.0,
        shot_of=tuple(shot_of),
        count=sum(one is not None for one in shot_of),
        open_shots=frozenset(open_shots) | frozenset(always),
        always_open_shots=frozenset(always),
        unsettled=frozenset(unsettled),
    )


def reading(*legs) -> Reading:
    """Of legs as (shots or frames, ways, when it began)."""
    made = [
        ([one if isinstance(one, Shot) else shot(one) for one in shots], ways, begins) for shots, ways, begins in legs
    ]
    return Reading(
        legs=tuple(ShotLeg(begins_s=begins, shots=tuple(shots)) for shots, _, begins in made),
        options=tuple(tuple(ways) for _, ways, _ in made),
    )


def picture(number, *endings, taken_s=None, prefix="P_") -> Picture:
    files = tuple(Path(f"{prefix}{number:04}.{one}") for one in endings or ("jpg",))
    return Picture(
        files=files, taken_s=float(number if taken_s is None else taken_s), prefix=prefix, number=number, digits=4
    )


def folder(pictures, **rest) -> Folder:
    given = {
        "copies": (), "clock": "exif", "exif_read": True, "resolution_s": 1.0, "faults": {}, "twins": (),
        "undated": (), "unfollowed": (),
    }  # fmt: skip
    return Folder(pictures=tuple(pictures), **(given | rest))


def stack(frames, legs=1, *, pending=(), last=True) -> Stack:
    """The whole of one plan, in so many legs; its frames 100 um apart."""
    rows = [(frame, 100.0 * frame) for frame in range(1, frames + 1)]
    past = SimpleNamespace(columns=["frame", "focus_um"], rows=rows, panel=None, pending=tuple(pending))
    run = SimpleNamespace(path=Path("beetle.journal.jsonl"), past=past)
    runs = (run,) if last else (run, SimpleNamespace(path=Path("again.journal.jsonl"), past=past))
    return Stack(runs=runs, main=run, legs=tuple(range(legs)), frames=(None,) * legs)
