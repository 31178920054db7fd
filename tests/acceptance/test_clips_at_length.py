"""Two clips at length: a flight of five minutes killed at random leaves no broken file, and a minute of large pictures stays within a gigabyte."""

from __future__ import annotations

import json
import random
import resource
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from clip_rigs import pairing_text
from flown_clips import Eye, Flight, write_clips

pytest.importorskip("cv2")

KILLS = 6
FLIGHT = Flight(
    seed=5,
    length_s=300.0,
    speed_m_s=1.0,
    recording=Eye(straight=True, view_deg=45.0, size_px=(320, 180), fps=25.0, readout_s=0.012),
    monitoring=Eye(straight=False, view_deg=110.0, size_px=(320, 180), fps=25.0, readout_s=0.008),
    dropped=0.02,
    mbit=1.0,
)


def _started(folder: Path, clips: tuple[Path, Path]) -> subprocess.Popen[bytes]:
    words = ["check", "rig.toml", "--recording", clips[0], "--monitoring", clips[1], "--out", "out", "--film", "film.mp4"]
    return subprocess.Popen([sys.executable, "-m", "framematch", *map(str, words)], cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _whole(folder: Path) -> dict[str, bool]:
    """Which results are there; each that is can be read to its end."""
    import av

    found = {name: (folder / name).exists() for name in ("out/check.json", "out/check.csv", "out/check.pdf", "film.mp4")}
    if found["out/check.json"]:
        json.loads((folder / "out/check.json").read_text())
    if found["out/check.csv"]:
        rows = (folder / "out/check.csv").read_text()
        assert rows.endswith("\n") and len({line.count(",") for line in rows.splitlines()}) == 1
    if found["out/check.pdf"]:
        assert (folder / "out/check.pdf").read_bytes().rstrip().endswith(b"%%EOF")
    if found["film.mp4"]:
        with av.open(str(folder / "film.mp4")) as container:
            assert sum(1 for _ in container.decode(video=0)) > 7000
    return found


def test_a_flight_killed_at_random_leaves_no_broken_file(tmp_path: Path) -> None:
    clips = write_clips(FLIGHT, tmp_path)
    began = time.monotonic()
    (tmp_path / "whole").mkdir()
    (tmp_path / "whole/rig.toml").write_text(pairing_text(FLIGHT))
    assert _started(tmp_path / "whole", clips).wait() == 0
    took = time.monotonic() - began
    assert all(_whole(tmp_path / "whole").values())
    rng = random.Random(4)
    for number in range(KILLS):
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / "rig.toml").write_text(pairing_text(FLIGHT))
        running = _started(folder, clips)
        time.sleep(took * rng.uniform(0.1, 1.0))
        running.send_signal(signal.SIGKILL)
        running.wait()
        print(f"killed within {took:.0f} s: {_whole(folder)}")


def test_a_minute_of_large_pictures_takes_less_than_a_gigabyte(tmp_path: Path) -> None:
    flight = replace(
        FLIGHT,
        length_s=60.0,
        recording=replace(FLIGHT.recording, size_px=(480, 270), written_px=(2704, 1520)),
        monitoring=replace(FLIGHT.monitoring, size_px=(480, 270), written_px=(1920, 1080)),
        mbit=8.0,
    )
    clips = write_clips(flight, tmp_path)
    (tmp_path / "rig.toml").write_text(pairing_text(flight))
    assert _started(tmp_path, clips).wait() == 0
    most = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e6
    print(f"{most:.2f} GB at most")
    assert most < 1.0
