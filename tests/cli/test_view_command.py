"""The view command, the sheet's words, and the same without any GL."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from at_length import sample
from PIL import Image
from typer.testing import CliRunner

from framematch.cli import app
from framematch.errors import InputError
from framematch.files.starter import STARTER
from framematch.guide.best import EdgeErrors
from framematch.render.sheet import errors_in_words

run = CliRunner()


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(STARTER)
    return path


def test_view_writes_a_sheet_and_says_the_same_in_words(rig: Path, tmp_path: Path) -> None:
    out = tmp_path / "look.png"
    result = run.invoke(app, ["view", str(rig), "--gap", "1.2x0.9", "--distance", "3", "--renderer", "rays", "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "left 6.0 % inside, top 3.4 % outside, right 6.0 % inside, bottom 2.7 % outside" in result.output  # as `framematch guide` has it
    assert "ray caster" in result.output and "gap 1.2 x 0.9 m" in result.output
    with Image.open(out) as picture:
        pixels = np.asarray(picture.convert("RGB"))
    assert pixels.shape[0] > 600 and pixels.shape[1] > 2000
    wide = pixels[76 : 76 + 540, 18 : 18 + 960]
    assert (np.abs(wide.astype(int) - (143, 245, 255)).max(axis=-1) < 48).sum() > 600  # the guide's light dashes


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--renderer", "fast"], "not a renderer"),
        (["--distance", "0"], "not a distance"),
        (["--distance", "nan"], "not a distance"),
        (["--gap", "wide"], "not a valid size"),
        (["--scene", "moon"], "no scene"),
        (["--position", "1,2"], "not a valid place"),
        (["--position", "1,2,nan"], "not a valid place"),
        (["--heading", "20"], "goes with --position"),
        (["--scale", "0.001"], "only a mesh"),
        (["--scene", "gone.glb"], "no such file"),
        (["--scene", "gone.glb", "--gap", "1x1"], "openings that it has"),
        (["--out", "look.doc"], "not a picture ending"),
        (["--out", "nowhere/look.png"], "no folder"),
    ],
)
def test_what_can_not_be_shown_is_one_plain_line(rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], says: str) -> None:
    monkeypatch.chdir(tmp_path)
    result = run.invoke(app, ["view", str(rig), *arguments])
    assert isinstance(result.exception, InputError)
    assert says in str(result.exception) and "\n" not in str(result.exception)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rig.toml"]


def test_a_mesh_of_ones_own_is_seen_from_where_one_stands(rig: Path, tmp_path: Path) -> None:
    import trimesh

    box = trimesh.creation.box((4000.0, 3000.0, 6000.0))  # a room in millimetres, looked at from inside
    box.apply_translation((0, 1500.0, 0))
    box.export(tmp_path / "room.stl")
    out = tmp_path / "look.png"
    given = ["--scene", str(tmp_path / "room.stl"), "--scale", "0.001", "--position", "0,1.5,2", "--heading", "10", "--distance", "5"]
    result = run.invoke(app, ["view", str(rig), *given, "--renderer", "rays", "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "For what is 5 m away" in result.output and "Scene: room." in result.output
    assert out.stat().st_size > 10_000


def test_errors_in_words() -> None:
    said = errors_in_words(EdgeErrors(left=1.26, top=-0.34, right=0.01, bottom=float("nan")))
    assert said == "left 1.3 % outside, top 0.3 % inside, right true, bottom can't be judged"


def test_without_any_gl_the_ray_caster_serves_and_says_so_once(rig: Path, tmp_path: Path) -> None:
    """No EGL library: one that can't be loaded stands before the real one."""
    broken = tmp_path / "lib"
    broken.mkdir()
    for name in ("libEGL.so", "libEGL.so.1", "libOSMesa.so", "libGL.so.1", "libGL.so", "libOpenGL.so.0"):
        (broken / name).write_text("not a library")
    code = f"""
from framematch.cli import app
from framematch.errors import InputError
from framematch.render import picked
for n in {sample((1,), (1, 2))!r}:
    app(["view", {str(rig)!r}, "--scene", "window", "--out", {str(tmp_path)!r} + f"/look{{n}}.png"], standalone_mode=False)
short = ["--from", "3", "--to", "2.6", "--picture-height", "120", "--out", {str(tmp_path / "run.mp4")!r}]
app(["run", {str(rig)!r}, "--scene", "window", *short], standalone_mode=False)
assert picked("auto") == "rays"
try:
    picked("gl")
except InputError as error:
    print("refused:", error)
"""
    environment = {**os.environ, "LD_LIBRARY_PATH": str(broken), "PYTHONPATH": os.pathsep.join(sys.path)}
    environment.pop("PYOPENGL_PLATFORM", None)
    result = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=300)
    assert result.returncode == 0, result.stderr
    assert result.stderr.count("no GL here") == 1, result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout.count("Drawn by the ray caster") == sample(1, 2)
    assert "refused: renderer: no GL here" in result.stdout
    assert (tmp_path / "run.mp4").stat().st_size > 1000
    assert len({path.read_bytes() for path in tmp_path.glob("look?.png")}) == 1
