"""framematch lenses: arguments passed on, files written whole, faults in one line with exit code 2."""

from __future__ import annotations

import csv
import json
import math
import subprocess
import sys
from pathlib import Path

import pytest
from command import framematch

from framematch.cli import main
from framematch.compare import candidate_of, compare
from framematch.compare.report import comparison_csv, comparison_json
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER, STARTER_PLAN
from framematch.text.typed import size


def run(*args: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    return framematch("lenses", *args, cwd=cwd)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(STARTER)
    (tmp_path / "pane.toml").write_text(STARTER_PLAN)
    (tmp_path / "wide.toml").write_text('name = "wide"\nfocal_mm = 10\nprojection = "equisolid"\n')
    return tmp_path


def test_figures_are_those_of_the_package(folder: Path) -> None:
    done = run("rig.toml", "--gap-file", "pane.toml", "--focal", "12,18", "--json", "-", "--csv", "out.csv", "--no-guide", cwd=folder)
    assert done.returncode == 0, done.stderr
    pairing = parse_pairing(STARTER, name="rig.toml")
    shot = parse_shot(pairing, STARTER_PLAN)
    found = compare(pairing, shot, (candidate_of(pairing, 12), candidate_of(pairing, 18)))
    printed = json.loads(done.stdout)
    answers = printed.pop("answers")
    assert printed == json.loads(json.dumps(comparison_json(found)))
    assert answers == [] and len(printed["second_camera"]) == 2
    assert (folder / "out.csv").read_text() == comparison_csv(found)
    for word in ("The frame", "When the gap's edges leave", "Propellers and airframe", "Another camera", "Never fly over people"):
        assert word in done.stderr  # the table goes beside what is piped


def test_options_change_the_plan_and_wishes_are_answered(folder: Path) -> None:
    done = run(
        *("rig.toml", "--gap", "2x1.5", "--sill", 0.5, "--speed", 5, "--tilt", 3, "--at", "8,4", "--focal", 15, "--lens", "wide.toml"),
        *("--want-fill", "30@4", "--want-edges-until", 2, "--want-sharp-from", 1.5, "--no-guide", "--json", "o.json"),
        cwd=folder,
    )
    assert done.returncode == 0, done.stderr
    data = json.loads((folder / "o.json").read_text())
    assert (data["gap"]["width_m"], data["gap"]["sill_m"], data["run"]["speed_m_s"], data["run"]["tilt_deg"]) == (2.0, 0.5, 5.0, 3.0)
    assert [lens["name"] for lens in data["lenses"]] == ["15 mm", "wide"]
    assert [a["distance_m"] for a in data["lenses"][0]["at"]] == [8.0, 4.0]
    assert len(data["answers"]) == 4 and data["answers"][0].startswith("Gap filling 30 %")
    assert data["clearance"] is None and "Never fly over people" in done.stdout


def test_lenses_and_tables_of_the_pairings_own_file(folder: Path) -> None:
    (folder / "both.toml").write_text(STARTER + "\n" + STARTER_PLAN)
    done = run("both.toml", "--want-subject", "60", "--json", "-", cwd=folder)
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert [lens["name"] for lens in data["lenses"]] == ["12 mm", "18 mm"]
    assert math.isfinite(data["lenses"][0]["guide"]["rectangle_worst_percent"])
    assert "18 mm: dancer at 60 %" in " ".join(data["answers"])


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("rig.toml", "--focal", "12"), "--gap 1.2x0.9"),
        (("rig.toml", "--gap", "1.2x0.9"), "no lens to compare"),
        (("rig.toml", "--gap", "1.2", "--focal", "12"), "--gap"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "12,,15"), "--focal"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "-12"), "--focal"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "nan"), "--focal"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "12", "--want-fill", "40"), "40@2"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "12", "--want-subject", "40"), "no subject"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "12", "--out", "sheet.doc", "--no-guide"), ".pdf"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "12", "--out", "nowhere/sheet.pdf", "--no-guide"), "can't be written"),
        (("rig.toml", "--gap", "1.2x0.9", "--focal", "12", "--json", "-", "--csv", "-"), "--csv"),
        (("rig.toml", "--gap-file", "gone.toml", "--focal", "12"), "no such file"),
        (("rig.toml", "--gap-file", ".", "--focal", "12"), "is a folder"),
        (("rig.toml", "--gap", "1.2x0.9", "--lens", "pane.toml"), "pane.toml"),
    ],
)
def test_faults_are_one_line(folder: Path, args: tuple[str, ...], says: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    before = sorted(folder.iterdir())
    monkeypatch.chdir(folder)
    monkeypatch.setattr(sys, "argv", ["framematch", "lenses", *args])
    with pytest.raises(SystemExit) as left:
        main()
    printed = capsys.readouterr()
    assert left.value.code == 2
    assert says in printed.err and printed.err.count("\n") == 1
    assert sorted(folder.iterdir()) == before


def test_csv_alone_can_be_piped(folder: Path) -> None:
    done = run("rig.toml", "--gap", "1.2x0.9", "--focal", "12,25", "--csv", "-", "--no-guide", cwd=folder)
    assert done.returncode == 0, done.stderr
    assert [line["lens"] for line in csv.DictReader(done.stdout.splitlines())] == ["12 mm"] * 3 + ["25 mm"] * 3


def test_starter_is_written_once_and_works(folder: Path) -> None:
    assert run("rig.toml", "--starter", "new.toml", cwd=folder).returncode == 0
    assert (folder / "new.toml").read_text() == STARTER_PLAN
    again = run("rig.toml", "--starter", "new.toml", cwd=folder)
    assert again.returncode == 2 and "is there already" in again.stderr
    assert run("rig.toml", "--gap-file", "new.toml", "--focal", "18", "--no-guide", cwd=folder).returncode == 0


@pytest.mark.at_length
def test_a_sheet_of_either_kind(folder: Path) -> None:
    options = ("rig.toml", "--gap-file", "pane.toml", "--focal", "18", "--at", "4,2", "--no-guide")
    assert run(*options, "--out", "a4.pdf", "--scene", "drawn", cwd=folder).returncode == 0
    assert (folder / "a4.pdf").read_bytes().startswith(b"%PDF")
    assert run(*options, "--out", "phone.png", "--phone", cwd=folder).returncode == 0
    assert (folder / "phone.png").stat().st_size > 10_000
    wrong = run(*options, "--out", "b.pdf", "--scene", "moonbase", cwd=folder)
    assert wrong.returncode == 2 and "no scene" in wrong.stderr and not (folder / "b.pdf").exists()


@pytest.mark.parametrize(("text", "wanted"), [("1.2x0.9", (1.2, 0.9)), (" .8 X 2 ", (0.8, 2.0)), ("3m x 2.5m", (3.0, 2.5))])
def test_sizes_are_read(text: str, wanted: tuple[float, float]) -> None:
    assert size(text, "--gap", "1.2x0.9") == wanted


@pytest.mark.parametrize("text", ["", "1.2", "1.2x", "x2", "-1x2", "1x2x3", "axb"])
def test_what_is_no_size_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"1\.2x0\.9"):
        size(text, "--gap", "1.2x0.9")
