"""Folders of pairings, the sets made from them, and runs killed at any moment."""

from __future__ import annotations

import csv
import json
import os
import random
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from pathlib import Path

import pypdf
from PIL import Image

from framematch.files.starter import STARTER
from framematch.output.overlay_set import PART


def folder_of(folder: Path, count: int) -> Path:
    """Pairings that differ in focal length and mount."""
    folder.mkdir()
    for i in range(count):
        text = STARTER.replace("focal_mm = 18.0", f"focal_mm = {14 + i % 12 + i / 1000}").replace("up = 58", f"up = {40 + i % 40}")
        (folder / f"pane {i:03}.toml").write_text(text.replace("Glasshouse pane, 18 mm", f"Pane {i}, ガラス"), encoding="utf-8")
    return folder


def whole(out: Path) -> int:
    """Open every file of a set; raises if one is not whole."""
    count = 0
    for path in out.rglob("*"):
        if not path.is_file() or PART in path.parts:
            continue
        count += 1
        if path.suffix == ".png":
            with Image.open(path) as picture:
                picture.load()
        elif path.suffix == ".svg":
            ET.parse(path)
        elif path.suffix == ".json":
            json.loads(path.read_text(encoding="utf-8"))
        elif path.suffix == ".pdf":
            assert path.read_bytes().rstrip().endswith(b"%%EOF")
            for page in pypdf.PdfReader(str(path)).pages:
                page.extract_text()
        elif path.suffix == ".csv":
            assert list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
        else:
            raise AssertionError(f"what is {path}?")
    return count


def run_until_killed(folder: Path, out: Path, seconds: float) -> bool:
    """Start a run as a user would and kill it and its workers some time after its first file; whether it was still running."""
    before = files_in(out)
    run = subprocess.Popen(
        [sys.executable, "-m", "framematch", "set", str(folder), "--out", str(out)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    while run.poll() is None and files_in(out) == before:
        time.sleep(0.02)
    time.sleep(seconds)
    running = run.poll() is None
    if running:
        os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    return running


def files_in(out: Path) -> int:
    """How many files there are, half-written ones too."""
    return sum(len(names) for _, _, names in os.walk(out))


def killed_again_and_again(folder: Path, out: Path, kills: int, longest_s: float) -> int:
    """Kill runs at random moments, opening every file after each; how many were stopped at work."""
    stopped, rng = 0, random.Random(6)
    for _ in range(kills):
        stopped += run_until_killed(folder, out, rng.uniform(0.0, longest_s))
        if out.exists():
            whole(out)
    return stopped
