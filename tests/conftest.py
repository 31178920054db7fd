"""What every test may use. Benchmarks and the long acceptance runs are collected only when asked for by path."""

from __future__ import annotations

import math
import os
import shutil
import sys
from pathlib import Path

import pytest
from at_length import AT_LENGTH
from outside import need

os.environ.setdefault("PYOPENGL_PLATFORM", "egl")
for threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):  # workers share the cores; threads that wait for one another turn on the spot
    os.environ.setdefault(threads, "1")
collect_ignore = [folder for folder in ("acceptance", "benchmarks") if not any(folder in arg for arg in sys.argv)]
# Kept beside their sources whatever is said elsewhere: each worker would rewrite all tests, and each program that they start read the package's sources, anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
os.environ["FRAMEMATCH_FAULTS"] = "raise"  # a fault of ours is not to hide behind the line that people read
OPENCV_DOC = Path("/usr/share/doc/opencv-doc/examples/data")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """More than cores: a test of the page waits for its browser half of the time."""
    return math.ceil(1.5 * (os.cpu_count() or 1))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What is marked ``at_length`` waits for an acceptance run.

    What needs the page's server and a browser first, the long rooms next: with ``--dist worksteal`` one worker begins with
    them, and another that is done takes from the end of what is left, and seldom has to start a browser of its own.
    """
    if not AT_LENGTH:
        config.hook.pytest_deselected(items=[item for item in items if item.get_closest_marker("at_length")])
        items[:] = [item for item in items if not item.get_closest_marker("at_length")]
    items.sort(key=lambda item: 0 if "url" in getattr(item, "fixturenames", ()) else {"measure": 1, "page": 2}.get(item.path.parent.name, 3))


def pytest_sessionfinish(session: pytest.Session) -> None:
    """In CI no test may be skipped, whatever the reason."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("CI") and reporter and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture
def poppler() -> None:
    need(shutil.which("pdftoppm") is not None, "poppler-utils")


@pytest.fixture
def chromium() -> str:
    found = shutil.which("chromium")
    need(found is not None, "chromium")
    return str(found)


@pytest.fixture
def opencv_doc() -> Path:
    need(OPENCV_DOC.is_dir(), "opencv-doc")
    return OPENCV_DOC
