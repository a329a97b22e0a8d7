"""A run that ends early: everything at rest, all written down, and the command that goes on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress

from stacker.documents.journal_values import CLOSING
from stacker.documents.measuring_run import KIND as MEASURE
from stacker.driving import last_word
from stacker.driving.follow_up import drive_command, panel_words, resume_command
from stacker.driving.journal import Journal
from stacker.driving.run import Run
from stacker.errors import LinkError, RunStopped, StackerError
from stacker.figures import typed_mm
from stacker.rail.controller import ControllerReset
from stacker.rail.stops import PositionLost

TAKEN_OVER = "Only that program can say where the rail stands now; this one gives no more orders."


@contextmanager
def left_in_order(run: Run, journal: Journal) -> Iterator[None]:
    """Whatever ends this early, the rail comes to rest, the journal says why, and the person how to go on.

    Raises
    ------
    RunStopped
        For every fault that is not ours.
    """
    try:
        yield
    except StackerError as error:
        raise stopped(run, journal, error) from error
    except BaseException:  # a fault of ours must not leave the rail running
        with suppress(LinkError):
            run.rail.controller.stop()
        raise


def stopped(run: Run, journal: Journal, error: StackerError) -> RunStopped:
    """Bring everything to rest, write it down, and say how to go on."""
    job, rail = run.job, run.rail
    taken_over = error.code == "controller_session"
    try:
        if not rail.stopping and not taken_over:  # it would stop what the other program does
            rail.controller.stop()  # harmless at rest
        where = rail.come_to_rest()
    except (LinkError, RunStopped):
        where = None
    lost = isinstance(error, (PositionLost, ControllerReset)) or (where is not None and not where.known)
    stands = TAKEN_OVER if taken_over else last_word.stands(job, where, lost=lost)
    if not journal.broken:
        try:
            journal.write(
                "stop",
                code=error.code,
                reason=str(error),
                lost=lost,
                position_microsteps=None if where is None else where.position,
            )
        except RunStopped:
            stands += " The journal could not be closed; what it holds is good."
    return RunStopped(f"{error}\n{stands} {_follow_up(run, journal, lost=lost)}", code=error.code)


def _follow_up(run: Run, journal: Journal, *, lost: bool) -> str:
    """What is confirmed, and the command that goes on."""
    job, past, call, watch = run.job, journal.past(), run.options.call, run.options.watch
    taken = sum(1 for frame in past.confirmed if frame != CLOSING)
    text = f"{taken} of {job.count} frames are confirmed."
    if past.ambiguous:
        text += f" In doubt, to be taken again: {', '.join(map(job.number, past.ambiguous))}."
    if journal.elsewhere:
        text += f"\nThe folder was renamed during the run; {journal.path.name} is still in it: correct its path."
    if run.start.kind == MEASURE:
        return (
            f"{text}\nA measuring run is not resumed: what moved meanwhile would be taken for the rail's errors. "
            f"Make it again, from {typed_mm(past.front_at_mm)} mm."
        )
    if past.pending:
        return f"{text}\nGo on: {resume_command(job.path, journal.path, past, call=call, watch=watch)}"
    front = () if lost else ("--front-at-mm", typed_mm(past.front_at_mm))
    words = (*panel_words(past.panel), "--go", *front)
    again = drive_command(job.path, *words, url=past.url, warm_up_s=past.warm_up_s, call=call, watch=watch)
    return (
        f"{text}\nNothing is left to take. To take frames again, {'focus the front; then' if lost else 'type'}: {again}"
    )
