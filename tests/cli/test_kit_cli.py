"""A kit on the command line: every pairing as its own file, and the pocket file of all of them."""

from __future__ import annotations

from pathlib import Path

from command import framematch

from framematch.files.kit import kit_of_rig, toml_text, with_focals
from framematch.files.pairing import parse_pairing, read_pairing
from framematch.files.starter import STARTER
from framematch.text.toml import parse_toml


def _kit(folder: Path) -> Path:
    data = kit_of_rig(parse_toml(STARTER, name="rig"), parse_pairing(STARTER))
    path = folder / "kit.toml"
    path.write_text(toml_text({"production": "Pane Nine", **with_focals(data, [14, 18])}), encoding="utf-8")
    return path


def test_every_pairing_of_a_kit_is_a_file(tmp_path: Path) -> None:
    made = framematch("kit", _kit(tmp_path), "--out", tmp_path / "rigs", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    files = sorted((tmp_path / "rigs").iterdir())
    assert [file.name for file in files] == ["01-body-a-14-mm.toml", "02-body-a-18-mm.toml"]
    assert [read_pairing(file).recording.lens.focal_mm for file in files] == [14, 18]
    assert {read_pairing(file).about.production for file in files} == {"Pane Nine"}


def test_a_pocket_file_of_a_kit_and_a_pairing(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(STARTER, encoding="utf-8")
    made = framematch("pocket", _kit(tmp_path), tmp_path / "rig.toml", "--out", tmp_path / "pocket.html", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    html = (tmp_path / "pocket.html").read_text(encoding="utf-8")
    assert html.count("<section") == 3 and "Body A, 14 mm" in html and "Pane Nine" in html


def test_what_is_no_kit_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "kit.toml").write_text("[[body]]\nname = 'A'\n", encoding="utf-8")
    made = framematch("kit", tmp_path / "kit.toml", "--out", tmp_path / "rigs", cwd=tmp_path)
    assert made.returncode == 2 and "kit.toml" in made.stderr and len(made.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "rigs").exists()
