"""The command line: arguments passed on, files written whole, faults told in one line."""

from __future__ import annotations

import importlib
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import typer
from command import framematch as run
from PIL import Image

from framematch import cli
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.guide.best import best_rectangle
from framematch.guide.report import guide_report
from framematch.output.overlay import overlay_files


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(STARTER)
    return path


def test_init_then_guide_is_the_whole_job(tmp_path):
    assert run("init", "glasshouse.toml", cwd=tmp_path).returncode == 0
    done = run("guide", "glasshouse.toml", "--out", "guide", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in (tmp_path / "guide").iterdir()) == ["guide.json", "overlay.png", "overlay.svg"]
    report = guide_report(parse_pairing(STARTER))
    for name, content in overlay_files(report).items():
        assert (tmp_path / "guide" / name).read_bytes() == content
    r = report.guide.rectangle
    for inset in (r.left, r.top, 1280 - r.right, 720 - r.bottom):
        assert f"{inset:.0f}" in done.stdout
    again = run("init", "glasshouse.toml", cwd=tmp_path)
    assert again.returncode == 2 and "--force" in again.stderr


def test_a_lens_without_an_angle_at_the_edge_is_one_line_and_no_figure(rig):
    """It bends its own picture's edges back."""
    rig.write_text(STARTER.replace("k = [-0.02, 0.004]", "k = [-0.5]"))
    done = run("angles", rig, cwd=rig.parent)
    assert (done.returncode, done.stdout) == (2, "")
    assert "the recording lens images nothing of the frame's right and left sides. Check" in done.stderr and done.stderr.count("\n") == 1


def test_the_charts_that_help_names_are_ones_that_we_print(tmp_path):
    from framematch.measure.chart import chart_for_paper

    printed = {chart_for_paper(paper, kind=kind).name for paper in ("A4", "A3") for kind in ("charuco", "chessboard")}
    for command in ("lens", "mount"):
        named = set(re.findall(r"(?:charuco|chessboard)-\w+-\w+", re.sub(r"\s+", " ", run("measure", command, "--help", cwd=tmp_path).stdout)))
        assert named and named <= printed


def test_json_has_every_key_and_no_nan(rig):
    done = run("guide", rig, "--far", "inf", "--json", "-", "--out", "g", cwd=rig.parent)
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout, parse_constant=lambda name: pytest.fail(name))
    assert list(data) == [
        "title", "about", "display_px", "distance_m", "angles_deg", "guide", "areas", "at", "unseen_percent", "tolerance", "cells", "lens_fit", "warnings",
        "frames", "sets", "sets_worst_error_percent", "turning",
    ]  # fmt: skip
    assert data["distance_m"] == [1.5, "inf"]
    assert set(data["angles_deg"]) == {"recording", "frame", "monitoring", "display"}
    assert set(data["angles_deg"]["frame"]) == {"horizontal", "vertical", "diagonal"}
    assert set(data["guide"]) == {
        "set_distance_m", "outline_px", "rectangle_px", "rectangle_percent", "rectangle_worst_error_percent", "outline_worst_error_percent",
    }  # fmt: skip
    assert set(data["guide"]["rectangle_px"]) == {"left", "top", "right", "bottom"}
    assert set(data["areas"]) == {"always_px", "ever_px"}
    assert set(data["tolerance"]) == {"left_px", "top_px", "right_px", "bottom_px", "worst_percent"}
    distances = [each["distance_m"] for each in data["at"]]
    assert len(distances) == 5 and distances[0] == 1.5 and distances[-1] == "inf"
    assert any(d == pytest.approx(data["guide"]["set_distance_m"]) for d in distances if d != "inf")
    for each in data["at"]:
        assert set(each) == {"distance_m", "outline_px", "rectangle_px", "error_percent"}
        assert set(each["error_percent"]) == {"left", "top", "right", "bottom", "worst"}
    (frame,), (lines,) = data["frames"], data["sets"]
    assert list(frame) == ["name", "aspect", "guide", "areas", "at"] and list(lines) == ["distance_m", "guide", "at"]
    assert frame["name"] == "2.39:1" and frame["aspect"] == 2.39 and frame["guide"] == lines["guide"] == data["guide"]
    assert set(data["sets_worst_error_percent"]) == {"rectangle", "outline"}
    assert list(data["turning"]) == ["worst_error_percent", "left", "top", "right", "bottom"]
    assert data["at"][2]["error_percent"]["worst"] < data["guide"]["rectangle_worst_error_percent"] + 1e-6


def test_at_gives_the_exact_frame_at_one_distance(rig):
    done = run("guide", rig, "--at", 4, "--json", "four.json", "--out", "g", cwd=rig.parent)
    assert done.returncode == 0, done.stderr
    data = json.loads((rig.parent / "four.json").read_text())
    assert data["distance_m"] == [4, 4] and len(data["at"]) == 1
    assert data["guide"]["outline_worst_error_percent"] == pytest.approx(0, abs=1e-6)
    pairing = parse_pairing(STARTER).with_range(near_m=4, far_m=4)
    assert list(data["guide"]["rectangle_px"].values()) == pytest.approx(best_rectangle(pairing).as_tuple(), abs=1e-4)


def test_angles_prints_the_angles(rig):
    done = run("angles", rig, cwd=rig.parent)
    assert done.returncode == 0
    assert "118.0" in done.stdout and "65.3" in done.stdout and "diagonal" in done.stdout


def test_quoted_angles_that_fit_only_an_odd_lens_are_doubted(rig):
    odd = rig.parent / "odd.toml"
    odd.write_text(STARTER.replace("{ horizontal = 118.0 }", "{ horizontal = 118.0, vertical = 69.0, diagonal = 150.0 }"))
    even = rig.parent / "even.toml"
    even.write_text(STARTER.replace("{ horizontal = 118.0 }", "{ horizontal = 118.0, vertical = 88.0, diagonal = 148.0 }"))
    said = {path.stem: guide_report(parse_pairing(path.read_text())).warnings for path in (odd, even)}
    assert any("strongly bent" in warning for warning in said["odd"])
    assert not any("strongly bent" in warning for warning in said["even"])


def test_drawn_parts_can_be_chosen(rig):
    run("guide", rig, "--draw", "rectangle", "--line-px", 4, "--out", "a", cwd=rig.parent)
    run("guide", rig, "--draw", "always,ever", "--out", "b", cwd=rig.parent)
    one, two = (np.array(Image.open(rig.parent / f / "overlay.png")) for f in "ab")
    assert one.shape == two.shape == (720, 1280, 4)
    assert one[360, 640, 3] == 0 and two[360, 640, 3] > 0
    wrong = run("guide", rig, "--draw", "sparkles", "--out", "c", cwd=rig.parent)
    assert wrong.returncode == 2 and "'sparkles'" in wrong.stderr


def fault(done: subprocess.CompletedProcess[str]) -> str:
    assert done.returncode == 2, (done.returncode, done.stderr)
    assert "Traceback" not in done.stderr and done.stdout == ""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, lines
    return lines[0]


def test_faults_are_one_line_and_write_nothing(rig):
    folder = rig.parent
    cases: dict[str, tuple[bytes | None, str]] = {
        "toml": (b"title = [", "is not TOML"),
        "latin": (STARTER.replace("Glasshouse", "Serre \xe9").encode("latin-1"), "UTF-8"),
        "unit": (STARTER.replace("focal_mm = 18.0", "focal_mm = 0.018").encode(), "write 18"),
        "outside": (STARTER.replace("pan = 0", "pan = 160").encode(), "wholly outside the monitoring picture"),
        "escape": (STARTER.replace("[mount]", '[mount]\nuse = "../../etc/passwd"').encode(), "outside"),
        "missing": (None, "no such file"),
    }
    for name, (content, expected) in cases.items():
        path = folder / f"{name}.toml"
        if content is not None:
            path.write_bytes(content)
        line = fault(run("guide", path, "--out", "out", cwd=folder))
        assert expected in line, line
        assert name == "outside" or str(path) in line
        assert not (folder / "out").exists() or not list((folder / "out").iterdir())


def test_a_huge_file_is_refused_at_once(rig):
    huge = rig.parent / "huge.toml"
    with huge.open("wb") as stream:
        stream.truncate(100_000_000)
    assert "larger than 1 MB" in fault(run("guide", huge, cwd=rig.parent))


def test_a_folder_for_a_file_and_an_output_that_cannot_be_written(rig):
    folder = rig.parent
    assert "is a folder" in fault(run("guide", folder, cwd=folder))
    (folder / "taken").write_text("a file stands here")
    assert "can't be written" in fault(run("guide", rig, "--out", "taken", cwd=folder))
    assert "can't be written" in fault(run("guide", rig, "--out", "/proc/nowhere", cwd=folder))
    assert (folder / "taken").read_text() == "a file stands here"


def test_an_interrupted_write_leaves_the_old_file(rig, monkeypatch):
    from framematch.text.whole import written_whole

    target = rig.parent / "guide.json"
    target.write_text("old")
    with pytest.raises(KeyboardInterrupt), written_whole(target) as beside:
        beside.write_text("half")
        raise KeyboardInterrupt
    assert target.read_text() == "old"
    assert sorted(p.name for p in rig.parent.iterdir()) == ["guide.json", "rig.toml"]


def test_wrong_options_are_refused(rig):
    assert "--distance" in fault(run("guide", rig, "--at", 3, "--near", 2, cwd=rig.parent))
    assert "farther" in fault(run("guide", rig, "--near", 40, cwd=rig.parent))
    assert "distance" in fault(run("guide", rig, "--near", "nan", cwd=rig.parent))


def test_help_is_plain_and_needs_no_heavy_package(tmp_path):
    code = (
        "import sys; sys.argv = ['framematch', '--help']\n"
        "import framematch.cli as c\n"
        "try: c.main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy','scipy','pydantic','cv2','trimesh','pyrender','streamlit','matplotlib','reportlab','shapely','PIL','av'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env={**os.environ, "COLUMNS": "100"})
    assert done.returncode == 0, done.stderr
    assert "guide" in done.stdout and "angles" in done.stdout and "init" in done.stdout


def test_the_commands_by_which_a_task_is_found_are_those_that_it_registers():
    assert {path.stem for path in Path(cli.__path__[0]).glob("*.py") if "def register(" in path.read_text()} == set(cli.TASKS)
    for task, commands in cli.TASKS.items():
        task_alone = typer.Typer()
        importlib.import_module(f"framematch.cli.{task}").register(task_alone)
        assert sorted(each.name for each in task_alone.registered_commands + task_alone.registered_groups) == sorted(commands)


def test_a_command_imports_no_other_task(tmp_path):
    code = "import sys; sys.argv[1:] = ['init', 'rig.toml']\nimport framematch.cli as c\ntry: c.main()\nexcept SystemExit: print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path)
    assert {f"framematch.cli.{task}" for task in cli.TASKS} & {*done.stdout.split()} == {"framematch.cli.guide"}


def test_a_missing_optional_package_is_told_with_how_to_install_it(rig):
    code = "import sys; sys.modules['trimesh'] = None; import framematch.cli as c; sys.argv = ['framematch', 'view', sys.argv[1]]; c.main()"
    done = subprocess.run([sys.executable, "-c", code, str(rig)], capture_output=True, text=True, timeout=60, cwd=rig.parent)
    assert "needs trimesh" in fault(done) and "framematch[views]" in done.stderr


@pytest.mark.parametrize(
    ("command", "extra"),
    [
        ("guide rig.toml --out g", ""),
        ("angles rig.toml", ""),
        ("lenses rig.toml --focal 12,18 --gap 1.2x0.9", ""),
        ("wall rig.toml", "sheets"),
        ("check rig.toml --recording a.png --monitoring b.png", "measure"),
    ],
)
def test_what_works_without_scipy_and_what_says_where_it_comes_from(rig, command, extra):
    code = "import sys; sys.modules['scipy'] = sys.modules['scipy.spatial'] = sys.modules['tomlkit'] = None; import framematch.cli as c; c.main()"
    done = subprocess.run([sys.executable, "-c", code, *command.split()], capture_output=True, text=True, timeout=60, cwd=rig.parent)
    if extra:
        assert f"framematch[{extra}]" in fault(done)
    else:
        assert done.returncode == 0, done.stderr


def test_version_is_the_package_s_own(tmp_path):
    import framematch

    done = run("--version", cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, f"framematch {framematch.__version__}\n", "")
