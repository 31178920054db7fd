"""After the timings: one table of ratios, each to a reference measured in the same run."""

from __future__ import annotations

import pytest


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    session = getattr(config, "_benchmarksession", None)
    rows = [(b.name, key, value) for b in getattr(session, "benchmarks", []) for key, value in b.extra_info.items()]
    if rows:
        terminalreporter.section("ratios to a reference in the same run")
        for name, key, value in rows:
            terminalreporter.write_line(f"{name:60s} {key}: {value}")
