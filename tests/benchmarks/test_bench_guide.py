"""One whole guide and the command line's start, each as a ratio to a reference in the same run."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

import numpy as np
from rigs import glasshouse

from framematch.guide.report import guide_report


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
    a = np.random.default_rng(0).normal(size=(400, 400))
    guide_report(rig)
    reference = seconds(lambda: np.linalg.solve(a, a), 9)
    benchmark.pedantic(lambda: guide_report(rig), rounds=9, iterations=1)
    benchmark.extra_info["ratio to a 400 x 400 solve"] = round(benchmark.stats.stats.median / reference, 1)


def test_help_starts_at_once(benchmark):
    """`framematch --help` against `python -c "import numpy"`, taken in turns: at most twice as long."""
    help_call = [sys.executable, "-m", "framematch", "--help"]
    numpy_call = [sys.executable, "-c", "import numpy"]

    def start(command):
        subprocess.run(command, check=True, capture_output=True)

    start(help_call), start(numpy_call)
    reference, ours = [], []
    for _ in range(15):
        reference.append(seconds(lambda: start(numpy_call), 1))
        ours.append(seconds(lambda: start(help_call), 1))
    ratio = statistics.median(ours) / statistics.median(reference)
    benchmark.pedantic(lambda: start(help_call), rounds=3)
    benchmark.extra_info["ratio to importing numpy"] = round(ratio, 2)
    assert ratio <= 2
