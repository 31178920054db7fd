"""Two hundred pairings as a user runs them: time against one core, memory of the whole family of processes, kills."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from overlay_folders import folder_of, killed_again_and_again, whole

from framematch.output.overlay_set import SetOptions, make_set

COUNT = 200
MOST_MB = 600


def family_mb(pid: int) -> float:
    """Memory of a process and its children in MB: what is shared among them is counted once (Linux)."""
    total, todo = 0.0, [pid]
    while todo:
        one = todo.pop()
        try:
            for task in Path(f"/proc/{one}/task").iterdir():
                todo += [int(child) for child in (task / "children").read_text().split()]
            for line in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    total += int(line.split()[1]) / 1024
        except (OSError, ValueError):
            continue
    return total


def timed_run(folder: Path, out: Path, jobs: int) -> tuple[float, float, float]:
    """Seconds on the clock, most MB, and seconds of processor of a run of the command and its workers."""
    start, most = time.perf_counter(), 0.0
    run = subprocess.Popen([sys.executable, "-m", "framematch", "set", str(folder), "--out", str(out), "--jobs", str(jobs)])
    ended = 0
    while not ended:
        most = max(most, family_mb(run.pid))
        time.sleep(0.2)
        ended, status, used = os.wait4(run.pid, os.WNOHANG)
    run.returncode = os.waitstatus_to_exitcode(status)
    assert run.returncode == 0
    return time.perf_counter() - start, most, used.ru_utime + used.ru_stime


def test_two_hundred_pairings(benchmark, tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "pairings", COUNT)
    all_cores, most, used = benchmark.pedantic(lambda: timed_run(folder, tmp_path / "all", -1), rounds=1)
    one_core, most_one, used_one = timed_run(folder, tmp_path / "one", 1)
    again, *_ = timed_run(folder, tmp_path / "all", -1)
    assert whole(tmp_path / "all") == COUNT * 5 + 3
    cores = len(os.sched_getaffinity(0))
    said = {
        "all cores s": all_cores, "one core s": one_core, "all cores / one core": all_cores / one_core, "cores": cores,
        "all cores processor s": used, "one core processor s": used_one,
        "MB": most, "one core MB": most_one, "rerun s": again, "index PDF MB": (tmp_path / "all" / "sheets.pdf").stat().st_size / 1e6,
    }  # fmt: skip
    benchmark.extra_info.update(said)
    print({name: round(value, 3) for name, value in said.items()}, "load", os.getloadavg())
    assert most <= MOST_MB and most_one <= MOST_MB
    assert again < 0.5 * all_cores


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="kills a process group")
def test_killed_at_twenty_random_moments(tmp_path: Path) -> None:
    folder, out = folder_of(tmp_path / "pairings", COUNT), tmp_path / "out"
    stopped = killed_again_and_again(folder, out, 20, 12.0)
    done = len(list(out.glob("*/made.json")))
    print("stopped at work", stopped, "of 20; pairings done by then", done)
    made = make_set(folder, out, SetOptions())
    assert not any(m.problem for m in made) and sum(m.kept for m in made) == done
    assert whole(out) == COUNT * 5 + 3
