"""Processor time of each test, programs that it starts included: ``PYTHONPATH=tests/helpers python -m pytest -p processor_time tests/page``.

Unlike wall time it says the same on a machine that is shared. Linux only; one process (no ``-n``).
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Generator
from contextlib import suppress
from pathlib import Path

import pytest

SHOWN = 20
_spent: Counter[str] = Counter()


def _so_far() -> float:
    """Seconds of this process, all that descend from it, and those of them that ended."""
    own: dict[int, float] = {}
    children: dict[int, list[int]] = {}
    for place in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            fields = place.read_text(encoding="utf-8").rpartition(")")[2].split()
            own[pid := int(place.parent.name)] = sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")
            children.setdefault(int(fields[1]), []).append(pid)
    waiting, total = [os.getpid()], 0.0
    while waiting:
        waiting += children.get(pid := waiting.pop(), [])
        total += own.get(pid, 0.0)
    return total


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    before = _so_far()
    result = yield
    _spent[item.nodeid] += _so_far() - before  # type: ignore[assignment]
    return result


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    terminalreporter.section(f"processor time of {len(_spent)} tests: {sum(_spent.values()):.0f} s")
    files = Counter[str]()
    for name, seconds in _spent.items():
        files[name.partition("::")[0]] += seconds
    for counted in (files, _spent):
        for name, seconds in counted.most_common(SHOWN):
            terminalreporter.write_line(f"{seconds:7.1f} s  {name}")
