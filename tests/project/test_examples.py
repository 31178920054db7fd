"""The gallery's programs run, and the package's front door opens what it names, at once."""

from __future__ import annotations

import io
import os
import runpy
import subprocess
import sys
from contextlib import chdir, redirect_stdout
from pathlib import Path
from unittest.mock import patch

import pytest
from PIL import Image

import framematch

ROOT = Path(__file__).parents[2]
GALLERY = ROOT / "assets" / "examples"
SAYS = {
    "1_guide.py": ["rectangle from (318, 211) to (962, 528) px", "at  1.50 m the worst side is 6.5 %"],
    "2_quoted_angles.py": ["angle of view across: 118.0 degrees", "diagonal: +0.00 degrees"],
    "3_overlay.py": ["overlay.png", "overlay.svg", "guide.json"],
    "4_lenses_for_the_gap.py": ["18 mm: frame angle across 65.3 degrees", "Margins by these figures only"],
    "5_both_views.py": ["goggles 320 x 180, recorded frame 430 x 180 px"],
    "6_wall_marks.py": ["top left: tape -1925 mm right, +806 mm up", "diagonal up 4174 mm"],
}


def python(*arguments: str, folder: Path) -> str:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, *arguments], cwd=folder, env=environment, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_every_program_of_the_gallery_is_run() -> None:
    assert sorted(SAYS) == sorted(file.name for file in GALLERY.glob("*.py"))


@pytest.mark.parametrize("name", SAYS)
def test_the_gallery_says_what_it_should(name: str, tmp_path: Path) -> None:
    said = io.StringIO()
    with chdir(tmp_path), patch.object(sys, "argv", [name, str(tmp_path)]), redirect_stdout(said):
        runpy.run_path(str(GALLERY / name), run_name="__main__")
    for words in SAYS[name]:
        assert words in said.getvalue()
    if name == "3_overlay.py":
        assert Image.open(tmp_path / "overlay.png").size == (1280, 720)
    if name == "5_both_views.py":
        assert all(len(Image.open(tmp_path / f"{view}.png").getcolors(2**24)) > 50 for view in ("goggles", "recorded"))


def test_the_public_names_are_there_and_documented() -> None:
    assert framematch.__all__ == sorted(framematch.__all__) and set(framematch.__all__) <= set(dir(framematch))
    for name in framematch.__all__:
        assert getattr(framematch, name).__name__ == name
        assert f"``{name}" in framematch.__doc__ or f":class:`{name}`" in framematch.__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        framematch.nothing  # noqa: B018


@pytest.mark.parametrize(
    "start", ["import framematch", "import sys; sys.argv = ['framematch', '--help']\ntry:\n from framematch.cli import main; main()\nexcept SystemExit: pass"]
)
def test_importing_and_help_load_nothing_heavy(start: str, tmp_path: Path) -> None:
    heavy = ["numpy", "scipy", "shapely", "pydantic", "PIL", "cv2", "trimesh", "matplotlib", "reportlab", "streamlit"]
    said = python("-c", f"{start}\nimport sys; print('loaded', [m for m in {heavy} if m in sys.modules])", folder=tmp_path)
    assert said.strip().splitlines()[-1] == "loaded []"
