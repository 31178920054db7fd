"""Films and sets over a real Dask scheduler with two worker processes on loopback: the same files as without, bit for bit."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER
from framematch.output.overlay_set import SetOptions, make_set
from framematch.render.run_frames import Filming, run_frames
from framematch.scene.open import scene_of
from framematch.shot.run import Run
from framematch.shot.way import Straight
from framematch.spread import spread

pytest.importorskip("distributed")


@contextmanager
def started(folder: Path, *, workers: int) -> Iterator[str]:
    """A scheduler and its workers as people start them, each a process of its own; the scheduler's address."""
    file = folder / "scheduler.json"
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "SOURCE_DATE_EPOCH": "1700000000", "LP_NUM_THREADS": "1"}
    wanted = [("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-show")] + workers * [("worker", "--nthreads", "1", "--no-nanny")]
    running = []
    try:
        for what, *options in wanted:
            command = [sys.executable, "-P", "-m", "dask", what, "--no-dashboard", "--scheduler-file", str(file), *options]
            running.append(subprocess.Popen(command, cwd=folder, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL))
            limit = time.monotonic() + 60
            while not file.exists() or not file.read_text().strip():
                assert running[0].poll() is None and time.monotonic() < limit
                time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        if workers:
            from distributed import Client

            with Client(address, set_as_default=False) as client:
                client.wait_for_workers(workers, timeout=60)
        yield address
    finally:
        for process in reversed(running):
            process.terminate()
        for process in running:
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:  # a worker says goodbye to its scheduler first, which a busy machine delays
                process.kill()
                process.wait()


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a scheduler with two workers."""
    with started(tmp_path_factory.mktemp("cluster"), workers=2) as address:
        yield address


@pytest.mark.at_length
def test_a_film_is_the_same_bit_for_bit(scheduler: str) -> None:
    pairing = parse_pairing(STARTER)
    shot = parse_shot(pairing, '[place]\nscene = "window"\n')
    scene = scene_of(shot)
    way = Straight(scene_from_opening=scene.scene_from_opening, run=Run(speed_m_s=8), from_m=3.5, to_m=1.1)
    filming = Filming(height_px=120, shutter_deg=90.0, units="imperial")
    here, there = (list(run_frames(scene, pairing, way, filming, workers=1, scheduler=each)) for each in (None, scheduler))
    assert len(here) == len(there) == 8
    assert all(np.array_equal(a, b) for a, b in zip(here, there, strict=True))


@pytest.mark.at_length
def test_a_set_is_the_same_bit_for_bit(scheduler: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    monkeypatch.chdir(tmp_path)
    Path("rigs").mkdir()
    for name, near in (("one", "1.5"), ("two", "2.5")):
        Path("rigs", f"{name}.toml").write_text(STARTER.replace("near_m = 1.5", f"near_m = {near}"))
    made = [make_set(Path("rigs"), Path(out), SetOptions(sizes_px=((320, 180),)), jobs=1, scheduler=on) for out, on in (("here", None), ("there", scheduler))]
    assert made[0] == made[1] and not any(each.problem for each in made[0])
    files = [{p.relative_to(out): p.read_bytes() for p in Path(out).rglob("*") if p.is_file()} for out in ("here", "there")]
    assert len(files[0]) > 8 and files[0].keys() == files[1].keys()
    assert [name for name in files[0] if files[0][name] != files[1][name]] == []


def test_more_tasks_than_fit_into_a_round_come_back_in_order(scheduler: str) -> None:
    assert list(spread(divmod, [(n, 7) for n in range(11)], jobs=1, scheduler=scheduler)) == [divmod(n, 7) for n in range(11)]


@pytest.mark.at_length
def test_a_wrong_scheduler_is_one_line(tmp_path: Path) -> None:
    with started(tmp_path, workers=0) as idle:
        for address, says in (
            ("10.0.0.5", "is not a valid address"),
            ("tcp://127.0.0.1:9", "no scheduler answers at tcp://127.0.0.1:9"),
            (idle, "has no workers"),
        ):
            with pytest.raises(InputError) as error:
                list(spread(divmod, [(3, 2)], jobs=1, scheduler=address))
            assert says in str(error.value) and "\n" not in str(error.value) and error.value.field == "scheduler"
