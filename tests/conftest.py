"""What all tests share: running the program in this process, and the same random requests on every run."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest
from examples import examples
from hypothesis import HealthCheck, settings

from stacker.cli.main import main

# The tests share the cores among themselves: libraries that would each take them all only get in one another's way.
# (Nothing imported above loads numpy, which reads this once.)
os.environ.setdefault("OMP_NUM_THREADS", "1")

ROOT = Path(__file__).resolve().parents[1]

# Deadlines measure the machine, not the code; a fixed seed makes a failure in CI one that anybody can repeat.
settings.register_profile(
    "stacker",
    max_examples=examples(100),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
    print_blob=True,
)
settings.register_profile("explore", settings.get_profile("stacker"), derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "stacker"))


@dataclass(frozen=True)
class Outcome:
    code: int
    out: str
    err: str


@pytest.fixture
def stacker(capsys, monkeypatch):
    """Run ``stacker ARGUMENTS`` and return exit code, standard output and standard error."""
    monkeypatch.setenv("NO_COLOR", "1")

    def run(*arguments: object) -> Outcome:
        capsys.readouterr()
        with pytest.raises(SystemExit) as stopped:
            main([str(argument) for argument in arguments])
        seen = capsys.readouterr()
        return Outcome(int(stopped.value.code or 0), seen.out, seen.err)

    return run


@pytest.fixture
def undrawn(monkeypatch) -> None:
    """Pages with empty pictures, for tests of what stands around them: drawing takes more than a second a page."""
    from stacker.presenting import page, report_sections

    section = page.figure_section
    monkeypatch.setattr(page, "inline", lambda *_, **__: "<svg></svg>")
    monkeypatch.setattr(report_sections, "figure_section", lambda *told: section(*told[:4], lambda _: None, *told[5:]))


@pytest.fixture
def plans() -> Path:
    """The folder of sample requests."""
    return ROOT / "plans"
