"""Films by several processes and with motion blur: the same pictures, and how long the README's example takes. Ratios go into the table."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from framematch.files.pairing import read_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER
from framematch.render.run_frames import FEWEST_SHARED, Filming, run_frames
from framematch.scene.open import scene_of
from framematch.shot.way import Straight

ROOT = Path(__file__).parents[2]


def test_processes_draw_the_same_film() -> None:
    pairing = read_pairing(ROOT / "assets/examples/glasshouse.toml")
    shot = parse_shot(pairing, '[place]\nscene = "window"\n[gap]\nsize_m = [1.2, 0.9]\n[run]\nspeed_m_s = 8\n')
    assert shot.run is not None
    scene, filming = scene_of(shot), Filming(height_px=120, shutter_deg=90)
    way = Straight(scene_from_opening=scene.scene_from_opening, run=shot.run)
    films = [list(run_frames(scene, pairing, way, filming, workers=workers)) for workers in (1, 2)]
    assert len(films[0]) == len(films[1]) > FEWEST_SHARED
    assert all(np.array_equal(one, two) for one, two in zip(*films, strict=True))


DRAWN = """
import sys, time
from framematch.files.pairing import parse_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER
from framematch.render.run_frames import Filming, run_frames
from framematch.scene.open import scene_of
from framematch.shot.way import Straight

text, workers = STARTER + "\\n[gap]\\nsize_m = [1.2, 0.9]\\n[run]\\nspeed_m_s = 8\\n", int(sys.argv[1])
pairing = parse_pairing(text)
shot = parse_shot(pairing, text)
scene, filming = scene_of(shot), Filming(shutter_deg=180)
way = Straight(scene_from_opening=scene.scene_from_opening, run=shot.run)
for _ in range(2):  # processes and graphics stand when the second begins
    start = time.perf_counter()
    count = sum(1 for _ in run_frames(scene, pairing, way, filming, workers=workers))
print(time.perf_counter() - start, count)
"""


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity") or len(os.sched_getaffinity(0)) < 2, reason="needs two cores to choose from")
def test_frames_over_two_cores(record_property) -> None:  # type: ignore[no-untyped-def]
    """The frames alone of the README's film with motion blur, drawn by one process on one core and by two on two."""
    cores = sorted(os.sched_getaffinity(0))[:2]

    def drawn_s(on: list[int]) -> float:
        ran = subprocess.run(
            [sys.executable, "-c", DRAWN, str(len(on))],
            env={**os.environ, "PYTHONPATH": str(ROOT), "LP_NUM_THREADS": "1"},
            check=True,
            capture_output=True,
            text=True,
            preexec_fn=lambda: os.sched_setaffinity(0, on),
        )
        seconds, count = ran.stdout.split()
        assert int(count) >= FEWEST_SHARED
        return float(seconds)

    one, two = drawn_s(cores[:1]), drawn_s(cores)
    record_property("one core over two", one / two)
    print(f"frames alone: {one:.1f} s on one core, {two:.1f} s on two: ratio {one / two:.2f}")


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity") or len(os.sched_getaffinity(0)) < 2, reason="needs two cores to choose from")
def test_how_long_the_example_film_takes(tmp_path: Path, record_property) -> None:  # type: ignore[no-untyped-def]
    """The README's film, whole commands: with motion blur over without, and one core over two. Ratios mean something on a machine of its own alone."""
    (tmp_path / "my-rig.toml").write_text(STARTER)
    cores = sorted(os.sched_getaffinity(0))[:2]

    def seconds(name: str, on: list[int], *options: str) -> float:
        out = tmp_path / f"{name}.mp4"
        command = [sys.executable, "-m", "framematch", "run", "my-rig.toml", "--gap", "1.2x0.9", "--speed", "8", "--out", str(out), *options]
        start = time.perf_counter()
        subprocess.run(
            command,
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            check=True,
            capture_output=True,
            preexec_fn=lambda: os.sched_setaffinity(0, on),
        )
        assert out.stat().st_size > 10_000
        return time.perf_counter() - start

    plain = seconds("plain", cores, "--workers", "2")
    blurred = seconds("blurred", cores, "--workers", "2", "--shutter", "180")
    one = seconds("one", cores[:1], "--workers", "1", "--shutter", "180")
    record_property("with motion blur over without", blurred / plain)
    record_property("one core over two", one / blurred)
    print(f"{plain:.1f} s without, {blurred:.1f} s with motion blur on two cores, {one:.1f} s on one: ratios {blurred / plain:.2f}, {one / blurred:.2f}")
