"""Looking into the pictures of a stack: on two processors at once, each file once, Ctrl-C at any time."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import connection, get_context, parent_process, resource_tracker
from pathlib import Path

from stacker.errors import Refusal
from stacker.looking.kept import Key
from stacker.looking.seen import Seen, look_into

_AT_ONCE = 4  # processes at most: each takes up to 250 MB, and a memory card is read no faster by more
_WORTH_BYTES = 40_000_000  # four pictures of 24 megapixels: fewer are read before a second process has started


def look_at(
    folder: Path, names: Sequence[str], known: Mapping[Key, Seen], *, processes: int | None = None
) -> Iterator[tuple[Key, Seen]]:
    """Look into pictures, those that are known already first.

    Parameters
    ----------
    folder : Path
        Where they are.
    names : sequence of str
        Their names in it.
    known : mapping of Key to Seen
        What was seen before.
    processes : int or None
        How many at once; None: as many as there are processors, up to four, where there is enough to read.

    Yields
    ------
    tuple of Key and Seen
        In the order in which they become known.

    Raises
    ------
    Refusal
        Where an extra is not installed, or a process was ended from outside.
    """
    keys = [Key.of(folder, name) for name in names]
    new = [key for key in keys if key not in known]
    yield from ((key, known[key]) for key in keys if key in known)
    if processes is None:
        much = sum(key.size for key in new) > _WORTH_BYTES
        processes = min(_AT_ONCE, os.cpu_count() or 1) if much else 1
    if processes < 2:
        for key in new:
            yield key, look_into(folder / key.name)
    else:
        yield from _by_many(folder, new, processes)


def _by_many(folder: Path, keys: Sequence[Key], count: int) -> Iterator[tuple[Key, Seen]]:
    # spawned on every system alike: a copy of a process that has threads may stand still
    pool = ProcessPoolExecutor(count, mp_context=get_context("spawn"), initializer=begin_process)
    try:
        with unheard_below():
            asked = {pool.submit(look_into, folder / key.name): key for key in keys}
        for done in as_completed(asked):
            yield asked.pop(done), done.result()  # kept by nobody else: a stack is looked into one by one
    except BrokenProcessPool:
        raise Refusal(
            "a process that looks into the pictures was ended from outside, perhaps for want of memory. What was seen "
            "until then is kept: the same command goes on.",
            code="looking_ended",
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def unheard_below() -> Iterator[None]:
    """Processes begun meanwhile never hear of a Ctrl-C, not even before `begin_process`; it reaches this one late."""
    if sys.platform == "win32":  # no mask of signals: there, one that has just begun tells where it was
        yield
        return
    resource_tracker.ensure_running()  # begun later it would lift the mask
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def begin_process() -> None:
    """In each process that looks: leave Ctrl-C to the one that asked, and end when that one is gone, however."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)
