"""One whole guide and the command line's start, each as a ratio to a reference in the same run."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from rigs import glasshouse

from framematch.files.starter import STARTER
from framematch.guide.report import _alone, guide_report


def seconds(call, times):
    out = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        out.append(time.perf_counter() - start)
    return statistics.median(out)


def test_one_whole_guide(benchmark):
    """Range, areas, tolerance, five distances, character cells; the reference is a 400 x 400 linear solve."""
    rig = glasshouse()

    def anew():
        _alone.cache_clear()
        guide_report(rig)

    a = np.random.default_rng(0).normal(size=(400, 400))
    anew()
    reference = seconds(lambda: np.linalg.solve(a, a), 9)
    benchmark.pedantic(anew, rounds=9, iterations=1)
    benchmark.extra_info["ratio to a 400 x 400 solve"] = round(benchmark.stats.stats.median / reference, 1)


def in_turns(ours, theirs, times, **settings):
    """Ratio of two commands' medians, taken in turns, each once before that."""

    def start(command):
        subprocess.run(command, check=True, capture_output=True, **settings)

    start(ours), start(theirs)
    each = [(seconds(lambda: start(ours), 1), seconds(lambda: start(theirs), 1)) for _ in range(times)]
    return statistics.median(a for a, _ in each) / statistics.median(b for _, b in each)


NUMPY = [sys.executable, "-c", "import numpy"]


def test_help_starts_at_once(benchmark):
    """`framematch --help` against `python -c "import numpy"`, taken in turns: at most twice as long."""
    help_call = [sys.executable, "-m", "framematch", "--help"]
    ratio = in_turns(help_call, NUMPY, 15)
    benchmark.pedantic(lambda: subprocess.run(help_call, check=True, capture_output=True), rounds=3)
    benchmark.extra_info["ratio to importing numpy"] = round(ratio, 2)
    assert ratio <= 2


def test_a_guide_from_nothing(benchmark, tmp_path):
    """`framematch guide` as it is typed, overlay and all, against `python -c "import numpy"`; both compiled beforehand, as pip leaves packages."""
    (tmp_path / "rig.toml").write_text(STARTER)
    typed = shutil.which("framematch", path=str(Path(sys.executable).parent))
    assert typed
    guide_call = [typed, "guide", "rig.toml", "--out", "guide"]
    kept = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    settings = {"cwd": tmp_path, "env": {**kept, "PYTHONPYCACHEPREFIX": str(tmp_path / "compiled")}}
    ratio = in_turns(guide_call, NUMPY, 9, **settings)
    benchmark.pedantic(lambda: subprocess.run(guide_call, check=True, capture_output=True, **settings), rounds=3)
    benchmark.extra_info["ratio to importing numpy"] = round(ratio, 2)
    assert ratio <= 6
