"""Files that lie in the current folder are pictures and pairings, never code or settings of ours."""

from __future__ import annotations

import os
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest
from browser import ROOT, served

from framematch.files.starter import STARTER

TRAPS = ("click", "framematch", "inspect", "joblib", "json", "numpy", "pickle", "PIL", "pydantic", "shapely", "streamlit", "sitecustomize", "tomllib", "typing")
OPEN_TO_ALL = '[server]\naddress = "0.0.0.0"\nenableXsrfProtection = false\n[theme]\nfont = "serif"\n[client]\nshowSidebarNavigation = false\n'


@pytest.fixture
def trapped(tmp_path: Path) -> Path:
    """A folder with modules that leave a note when they are run."""
    for name in TRAPS:
        (tmp_path / f"{name}.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'a').write('{name} ')\nraise SystemExit('{name}.py was run')\n")
    (tmp_path / "rig.toml").write_text(STARTER)
    (tmp_path / "rigs").mkdir()
    (tmp_path / "rigs" / "two.toml").write_text(STARTER)
    return tmp_path


def run(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    start = [sys.executable, "-P", "-c", "from framematch.cli import main; main()"]  # as the installed command starts it
    return subprocess.run([*start, *arguments], cwd=folder, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=120)


def untouched(folder: Path) -> None:
    assert not (folder / "ran").exists(), (folder / "ran").read_text()


def test_workers_of_a_set_take_no_module_from_it(trapped: Path) -> None:
    done = run(trapped, "set", "rigs", "--out", "made", "--jobs", "2", "--size", "64x36")
    untouched(trapped)
    assert done.returncode == 0, done.stderr
    assert (trapped / "made" / "two" / "overlay-64x36.png").is_file()


def test_started_with_m_takes_no_module_from_it(trapped: Path) -> None:
    for name in ("framematch", "inspect", "typing", "sitecustomize"):  # what Python itself, not we, looks for first
        (trapped / f"{name}.py").unlink()
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-m", "framematch", "angles", "rig.toml"], cwd=trapped, env=environment, capture_output=True, text=True, timeout=60)
    untouched(trapped)
    assert done.returncode == 0, done.stderr
    assert "118.0" in done.stdout


def test_the_page_takes_neither_modules_nor_settings_from_it(trapped: Path) -> None:
    (trapped / ".streamlit").mkdir()
    (trapped / ".streamlit" / "config.toml").write_text(OPEN_TO_ALL.replace("[server]", '[server]\nbaseUrlPath = "elsewhere"'))
    with served(folder=trapped) as url, urllib.request.urlopen(url, timeout=30) as answer:  # at the usual path
        assert answer.status == 200
    untouched(trapped)
