"""Residuals of the synthetic bench are shown after every run, passed or not."""

from __future__ import annotations

import pytest

_RESIDUALS: list[str] = []


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.when == "call":
        _RESIDUALS.extend(str(value) for name, value in report.user_properties if name == "residuals")


def pytest_terminal_summary(terminalreporter) -> None:
    if _RESIDUALS:
        terminalreporter.section("residuals of the synthetic bench")
        terminalreporter.write_line(f"{'':34}seams  predicted   worst residual: softest, nearer, farther")
        for line in _RESIDUALS:
            terminalreporter.write_line(line)
