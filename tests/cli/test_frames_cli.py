"""Several frames and sets of lines on the command line: what is written, what is said, and one line for each mistake."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from framematch.cli import app, main
from framematch.files.starter import STARTER

TABLE = STARTER[STARTER.index("[recording.frame]") : STARTER.index("[monitoring]")]
TWO = '[[recording.frame]]\nname = "2.39:1"\naspect = "2.39:1"\n[[recording.frame]]\nname = "9:16"\naspect = "9:16"\n\n'


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(STARTER.replace(TABLE, TWO).replace("text_cells = [50, 18]", "#"), encoding="utf-8")
    return path


def test_two_frames_in_two_sets(rig: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["guide", str(rig), "--sets", "2", "--marks", "2,5", "--out", str(tmp_path / "g")])
    assert done.exit_code == 0, done.output
    said = " ".join(done.output.split())
    assert "Set 1, 1.5 m to" in said and "frame 9:16" in said and "while turning" in said and "change from set 2 to set 1" in said
    assert "Always in shot in both frames" in said
    names = {path.name for path in (tmp_path / "g").iterdir()}
    assert names == {"guide.json", *(f"overlay{end}.{kind}" for end in ("", "-1", "-2") for kind in ("png", "svg"))}
    data = json.loads((tmp_path / "g" / "guide.json").read_text(encoding="utf-8"))
    assert [frame["name"] for frame in data["frames"]] == ["2.39:1", "9:16"] and len(data["sets"]) == 2


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--sets", "0"], "sets: 0 sets of lines can't be made"),
        (["--sets", "9"], "give 1 to 4"),
        (["--sets", "-1"], "give 1 to 4"),
        (["--sets", "2", "--at", "3"], "give a range of distances"),
        (["--frames", "16:9"], "there is no frame '16:9'"),
        (["--frames", ","], "there is no frame"),
        (["--marks", "near"], "not a list of distances"),
        (["--marks", "-2"], "can't be marked"),
        (["--marks", "nan"], "can't be marked"),
        (["--marks", "1,2,3,4,5,6,7,8,9"], "at most 8"),
    ],
)
def test_each_mistake_is_one_line(rig: Path, tmp_path: Path, words: list[str], says: str, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    monkeypatch.setattr("sys.argv", ["framematch", "guide", str(rig), "--out", str(tmp_path / "g"), *words])
    with pytest.raises(SystemExit) as left:
        main()
    told = capsys.readouterr().err.strip()
    assert left.value.code == 2 and says.lower() in told.lower() and "\n" not in told
    assert not list((tmp_path / "g").glob("*"))
