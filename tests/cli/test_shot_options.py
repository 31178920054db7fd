"""The commands that show a shot read its tables, and options change single values of them."""

from __future__ import annotations

import io
import json
import struct
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from PIL import Image
from rich.console import Console
from typer.testing import CliRunner

from framematch.cli import app
from framematch.cli.screen import table
from framematch.cli.shot import FormerSubjects
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER, STARTER_PLAN
from framematch.guide.shown import system
from framematch.render.sheet import look, sheet
from framematch.scene.open import scene_of

SHOT = (
    STARTER_PLAN.replace("tilt_deg = 0  ", "tilt_deg = -15  ")
    .replace("right = 0.0, up = 0.0", "right = 0.3, up = 0.1")
    .replace("heading_deg = 0  ", "heading_deg = 6  ")
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    import trimesh

    (tmp_path / "rig.toml").write_text(STARTER)
    (tmp_path / "both.toml").write_text(STARTER + "\n" + SHOT)
    (tmp_path / "shot.toml").write_text(SHOT)
    trimesh.creation.box(extents=(4, 3, 6)).export(tmp_path / "hall.glb")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def said(*words: object) -> str:
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exit_code == 0, result.output + repr(result.exception)
    return result.output


@pytest.mark.at_length
def test_view_shows_the_files_own_gap_run_and_subjects(folder: Path) -> None:
    pairing = parse_pairing(STARTER)
    shot = parse_shot(pairing, SHOT)
    expected = np.asarray(sheet(look(scene_of(shot), pairing, distance_m=3.0, run=shot.run, renderer="rays")))
    said("view", "rig.toml", "--shot", "shot.toml", "--renderer", "rays", "--out", "view.png")
    assert (np.asarray(Image.open("view.png").convert("RGB")) == expected).all()


def _rig_keys(file: Path) -> tuple[np.ndarray, np.ndarray, float]:
    """First translation, direction ahead and last time of the animated rig, by glTF's own rules."""
    from scipy.spatial.transform import Rotation

    raw = file.read_bytes()
    (length,) = struct.unpack_from("<I", raw, 12)
    tree, binary = json.loads(raw[20 : 20 + length]), raw[28 + length :]

    def values(index: int, width: int) -> np.ndarray:
        accessor = tree["accessors"][index]
        offset = tree["bufferViews"][accessor["bufferView"]]["byteOffset"]
        return np.frombuffer(binary, dtype="<f4", count=width * accessor["count"], offset=offset).reshape(-1, width)

    move, turn = tree["animations"][0]["samplers"]
    return values(move["output"], 3)[0], Rotation.from_quat(values(turn["output"], 4)[0]).as_matrix() @ [0, 0, -1], float(values(move["input"], 1)[-1, 0])


def test_run_flies_the_files_own_run(folder: Path) -> None:
    shot = parse_shot(parse_pairing(STARTER), SHOT)
    said("run", "both.toml", "--from", 6, "--to", -2, "--out", "run.glb")
    start, ahead, end_s = _rig_keys(folder / "run.glb")
    pose = shot.scene_from_recording(6.0)
    assert start == pytest.approx(pose.translation_m, abs=1e-5) and ahead == pytest.approx(pose.rotation[:, 2], abs=1e-6)
    assert end_s == pytest.approx(8.0 / 8.0)
    said("run", "both.toml", "--from", 6, "--to", -2, "--speed", 4, "--tilt", 10, "--out", "run.glb")  # options change single values
    start, ahead, end_s = _rig_keys(folder / "run.glb")
    assert start == pytest.approx(pose.translation_m, abs=1e-5) and end_s == pytest.approx(2.0)
    assert ahead[1] == pytest.approx(np.sin(np.radians(10)), abs=1e-6)


@pytest.mark.at_length
def test_lenses_are_compared_over_a_mesh_of_ones_own(folder: Path) -> None:
    words = ("lenses", "rig.toml", "--focal", "18", "--at", "4", "--no-guide", "--out", "sheet.png")
    said(*words, "--scene", "hall.glb", "--gap", "1.2x0.9", "--gap-at", "0,0.2,3")
    first = np.asarray(Image.open("sheet.png").convert("RGB")).copy()
    said(*words, "--scene", "glasshouse", "--gap", "1.2x0.9")
    assert first.shape == np.asarray(Image.open("sheet.png")).shape[:2] + (3,) and (first != np.asarray(Image.open("sheet.png").convert("RGB"))).any()


@pytest.mark.parametrize("option", ["--shot", "--gap-file"])
def test_the_shots_file_is_named_by_either_option(folder: Path, option: str) -> None:
    assert "gap 1.2 x 0.9 m, 8 m/s" in said("lenses", "rig.toml", option, "shot.toml", "--focal", "18", "--no-guide")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("view", "rig.toml", "--scene", "hall.glb", "--gap", "1x1"), "--gap-at"),
        (("lenses", "rig.toml", "--focal", "18", "--scene", "hall.glb"), "no opening given"),
        (("run", "rig.toml", "--shot", "gone.toml"), "no such file"),
    ],
)
def test_what_is_missing_is_said_in_one_line(folder: Path, words: tuple[str, ...], says: str) -> None:
    result = CliRunner().invoke(app, list(words))
    assert says in str(result.exception) and "\n" not in str(result.exception)


def test_the_old_name_of_subjects_says_the_new_one(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(STARTER)
    result = CliRunner().invoke(app, ["view", str(tmp_path / "rig.toml"), "--figure", "0,3"])
    assert isinstance(result.exception, InputError) and "is called --subject now" in str(result.exception)


@pytest.mark.parametrize(("terminal", "encoding", "sign"), [(True, "utf-8", "\u2212"), (True, "latin-1", "-"), (False, "utf-8", "-")])
def test_tables_have_true_minus_signs_where_the_terminal_shows_them(terminal: bool, encoding: str, sign: str) -> None:
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    shown = table("Off by", "edge", "percent")
    shown.add_row("x-1", "-6.5")
    Console(file=out, force_terminal=terminal, color_system=None, width=60).print(shown)
    out.flush()
    said = out.buffer.getvalue().decode(encoding)  # type: ignore[attr-defined]
    assert f"{sign}6.5" in said and "x-1" in said


def test_units_asked_for_are_said_and_then_forgotten(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(STARTER)
    said = CliRunner().invoke(app, ["wall", str(tmp_path / "rig.toml"), "--distance", "3.048", "--units", "imperial"], catch_exceptions=False).output
    assert "Wall marks at 10 ft" in " ".join(said.split()) and " in " in said and "mm" not in said.partition("Give --seen")[0]
    assert system() == "metric"


def test_the_former_option_hands_its_value_on_as_typer_wants_it() -> None:
    """Typer takes what a callback gives in the value's place; its lowest version here can't do with None for a list."""
    option = get_args(FormerSubjects)[1]
    assert option.callback([]) == option.callback(None) == []
    with pytest.raises(InputError, match="is called --subject now"):
        option.callback(["1,2"])
