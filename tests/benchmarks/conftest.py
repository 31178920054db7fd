"""After the timings: one table of ratios, each to a reference measured in the same run.

A benchmark hands its figures over as ``benchmark.extra_info``, a long run as ``record_property``.
"""

from __future__ import annotations

import pytest


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    session = getattr(config, "_benchmarksession", None)
    rows = [(b.name, key, value) for b in getattr(session, "benchmarks", []) for key, value in b.extra_info.items()]
    for report in (r for kind in ("passed", "failed") for r in terminalreporter.stats.get(kind, [])):
        rows += [(report.nodeid.rpartition("::")[2], key, value) for key, value in report.user_properties]
    if rows:
        terminalreporter.section("ratios to a reference in the same run")
        wide = max(len(name) for name, *_ in rows)
        for name, key, value in rows:
            terminalreporter.write_line(f"{name:{wide}}  {f'{value:.3g}' if isinstance(value, float) else value:>8}  {key}")
