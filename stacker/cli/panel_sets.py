"""The journals of a set of panels: one names them all, and what no journal has is said."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stacker.cli.output import note
from stacker.errors import StackerError
from stacker.figures import as_typed, spans


def with_their_sets(journals: Sequence[Path], *, quiet: bool) -> tuple[Path, ...]:
    """The journals that were named, and for those of panels the others of their sets that lie beside them."""
    from stacker.documents.journal import read_journal
    from stacker.driving.beside import in_folder

    named = list(dict.fromkeys(journals))
    for journal in journals:
        own = read_journal(journal).set
        if not own:
            continue
        others = [path for path, past in in_folder(journal.parent) if past.set == own]
        new = [path for path in others if not any(path.samefile(one) for one in named)]
        if new:
            note(
                f"{journal} is of a set of panels: {len(new)} more journals of it beside it are read too.", quiet=quiet
            )
        named += new
    return tuple(named)


def panels_not_taken(journals: Sequence[Path]) -> tuple[list[str], list[str]]:
    """Panels of the plan that no journal tells of, in words, and the commands that take them."""
    from stacker.documents.journal import plan_beside, read_journal
    from stacker.documents.panels import of_whole
    from stacker.documents.plan_file import read_plan

    taken: dict[Path, set[int]] = {}
    digests: dict[Path, str] = {}
    named: dict[Path, Path] = {}
    for journal in journals:
        past, plan = read_journal(journal), plan_beside(journal)
        if past.panel is not None and past.kind == "all":
            taken.setdefault(plan, set()).add(past.panel)
            digests[plan] = of_whole(past.digest)
            named.setdefault(plan, journal)
    said, commands = [], []
    for plan, panels in taken.items():
        try:
            read = read_plan(plan)
        except (StackerError, OSError):
            read = None
        if read is None or read.panels is None or read.digest != digests[plan]:
            said.append(f"Whether all panels were taken cannot be told: the plan of the run is not at {plan}.")
            continue
        count = len(read.panels.panels)
        if lacking := sorted(set(range(1, count + 1)) - panels):
            said.append(f"NOT complete: of {count} panels no journal tells of {spans(lacking)}.")
            commands.append(f"stacker drive {as_typed(plan)} --go --resume {as_typed(named[plan])}")
        else:
            said.append(f"All {count} panels have their journals.")
    return said, commands
