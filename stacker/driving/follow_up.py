"""The commands that a run names at its end: each repeats what was asked for, so that it goes on with the same rail."""

from __future__ import annotations

from pathlib import Path

from stacker.documents.journal import Past
from stacker.documents.panels import Panel
from stacker.driving.job import Job
from stacker.driving.run_options import RunOptions
from stacker.figures import as_typed, at_port, spans, typed_mm


def drive_command(
    plan: Path,
    *words: str,
    url: str | None = None,
    warm_up_s: float = 0.0,
    call: str | None = None,
    watch: Path | None = None,
) -> str:
    """``stacker drive PLAN WORDS`` with the port, the warm-up, the call and the watched folder that were asked for."""
    warm_up = f" --warm-up-s {warm_up_s:g}" if warm_up_s else ""
    calling = "" if call is None else f" --call {as_typed(call)}"
    watching = "" if watch is None else f" --watch {as_typed(watch)}"
    return " ".join(["stacker drive", as_typed(plan), *words]) + at_port(url) + warm_up + calling + watching


def panel_words(panel: Panel | int | None) -> tuple[str, ...]:
    """Which panel, where there are several."""
    if panel is None:
        return ()
    return ("--panel", str(panel if isinstance(panel, int) else panel.panel))


def resume_command(plan: Path, journal: Path, past: Past, *, call: str | None = None, watch: Path | None = None) -> str:
    """What takes the frames that a run left open."""
    words = ("--go", "--resume", as_typed(journal))
    return drive_command(plan, *words, url=past.url, warm_up_s=past.warm_up_s, call=call, watch=watch)


def whole_run_command(plan: Path, past: Past, *, watch: Path | None = None) -> str:
    """What takes the whole stack, of panels all, from the front of a run that looked at its ends."""
    return drive_command(
        plan,
        "--go",
        "--front-at-mm",
        typed_mm(past.front_at_mm),
        url=past.url,
        warm_up_s=past.warm_up_s,
        watch=watch,
    )


def rehearsed_commands(job: Job, options: RunOptions) -> list[str]:
    """What does in earnest what was rehearsed, with all that was asked for; a whole run looks at its ends first."""

    def command(*words: str) -> str:
        return drive_command(
            job.path,
            *words,
            url=options.url,
            warm_up_s=options.warm_up_s,
            call=options.call,
            watch=options.watch,
        )

    place = []
    for name, position in (("--front-at-mm", options.front_at), ("--rail-at-mm", options.rail_at)):
        place += [] if position is None else [name, typed_mm(job.mm(position))]
    place += ["--refocused"] if options.refocused else []
    more = ["--closing-frame"] if options.closing_frame else []
    more += [] if options.journal is None else ["--journal", as_typed(options.journal)]
    which = []
    if options.resume is not None:
        which = ["--resume", as_typed(options.resume)]
    elif options.after is not None:
        which = ["--after", as_typed(options.after)]
    elif options.kind == "ends":
        which = ["--ends"]
    elif options.kind == "frames":
        which = ["--frames", spans(options.frames)]
    elif options.kind == "between":
        which = [word for frame in job.between for word in ("--between", f"{frame},{frame + 1}")]
    run = command(*which, "--go", *place, *more)
    return [run] if which else [command("--ends", "--go", *place), run]
