"""Going on from what an earlier run left: whether it is the same rail, and still counts as it did then."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from stacker.documents.journal import Past
from stacker.driving import journal as journals
from stacker.driving.bench import make_ready
from stacker.driving.beside import in_folder
from stacker.driving.durable import DurableFile
from stacker.driving.job import Job
from stacker.driving.journal import Journal
from stacker.errors import Refusal
from stacker.rail.address import is_simulated, port_of
from stacker.rail.controller import NOBODY, Controller, Identity
from stacker.rail.rail import Rail


@dataclass(frozen=True, kw_only=True, slots=True)
class Earlier:
    """The run to go on from, its journal locked and open.

    Parameters
    ----------
    journal : Journal
        Further lines go there.
    past : Past
        What it tells.
    cut : str
        What was cut off its end; empty for nothing.
    trusted : frozenset of str
        Sessions of hosts that left the rail's count as it was: of this run, and of those that came between.
    """

    journal: Journal
    past: Past
    cut: str
    trusted: frozenset[str]

    def meet(self, job: Job, controller: Controller, identity: Identity, *, moved_port: bool) -> None:
        """Before the rail is taken over: be sure that it is the same one, and note who takes it.

        A host that is killed a moment later is then known as one of this run's own.

        Raises
        ------
        Refusal
            When it is another one.
        """
        same_rail(job, self.past, identity, moved_port=moved_port)
        self.journal.keep_time(controller.clock.now)
        ours = identity.session in (*self.trusted, NOBODY)
        self.journal.write("opens", session=controller.session, ours=ours)


def open_earlier(path: Path, opener: Callable[..., DurableFile]) -> Earlier:
    """Open the journal of an earlier run.

    Raises
    ------
    InputError, Refusal
        When it cannot be gone on with.
    """
    file, past, cut = journals.reopen(path, opener=opener)
    others = [other for place, other in in_folder(path.parent) if place.name != path.name]
    return Earlier(journal=Journal(file, path, lambda: 0.0), past=past, cut=cut, trusted=trusted_sessions(past, others))


def trusted_sessions(past: Past, others: Iterable[Past]) -> frozenset[str]:
    """Sessions of a run, and of runs that had the rail right after it, one by one, and redefined no place."""
    trusted = set(past.sessions)
    for other in sorted(others, key=lambda one: one.began_utc):
        named = other.named or other.lost or other.refocused
        if other.boot == past.boot and other.before in trusted - {""} and not named:
            trusted |= other.sessions
    return frozenset(trusted)


def same_rail(job: Job, past: Past, identity: Identity, *, moved_port: bool) -> None:
    """Refuse to go on with another rail: what it confirms would not be frames of this stack.

    Parameters
    ----------
    job, past, identity
        What goes on, what was begun, who answers.
    moved_port : bool
        The person named the port, and that the front is in focus there.

    Raises
    ------
    Refusal
        With the port of the run.
    """
    port = port_of(job.link.url)
    if not past.port or (past.port == port and past.controller in ("", identity.name)):
        return
    simulated = [is_simulated(name) for name in (past.port, port)]
    proved = identity.session in past.sessions - {"", NOBODY} and identity.boot == past.boot
    if past.controller in ("", identity.name) and simulated[0] == simulated[1] and (proved or moved_port):
        return
    again = ""
    if simulated[0] != simulated[1]:
        again = " One of the two is simulated, and takes no pictures."
    elif past.controller in ("", identity.name):
        again = f" If it is the same rail at another port: focus the front, then add --url {port} --refocused."
    raise Refusal(
        f"the run was on {past.port} ({past.controller}); this is {port} ({identity.name}). Resume it there: "
        f"--url {past.url or past.port}.{again}",
        code="other_rail",
    )


def position_holds(
    earlier: Earlier,
    rail: Rail,
    identity: Identity,
    *,
    front_at: int,
    refocused: bool,
    confirm: Callable[[str], bool] | None,
) -> bool:
    """Whether the rail still counts as it did; else, once the front is in focus, it does so again.

    Parameters
    ----------
    earlier, rail, identity
        What was begun, where, and who answered.
    front_at : int
        What the present place is called when the front is in focus there [microsteps].
    refocused : bool
        The person says that it is.
    confirm : callable or None
        Asks the person; None: nobody is asked.

    Raises
    ------
    Refusal
        When the position was lost and the front is not in focus.
    """
    past, journal = earlier.past, earlier.journal
    known = make_ready(rail).known and not past.lost and identity.boot == past.boot and not refocused
    doubt = "The rail's position was lost."
    if known and identity.session not in (*earlier.trusted, NOBODY):
        doubt = "Another program used the rail since, and may have redefined its position (here, --rail-at-mm, find)."
        if confirm is None:
            raise Refusal(
                f"{doubt} Go on without --yes, or focus the front and pass --refocused.", code="other_session"
            )
        known = confirm(f"{doubt}\nAre you sure that it was only moved, its position not redefined")
    journal.write("found", session=rail.controller.session, lost=not known)  # before its place is redefined
    if known:
        return True
    question = (
        f"{doubt}\nIf the front is out of focus, answer n, bring it into focus with the rail (stacker jog, or\n"
        "stacker rail move), then resume with --refocused.\nIs the front in focus now"
    )
    if not refocused and (confirm is None or not confirm(question)):
        raise Refusal(f"{doubt[:-1]}: focus the front again, then pass --refocused.", code="position_unknown")
    rail.controller.declare(front_at)
    return False
