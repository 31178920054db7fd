"""The flight's command: its starter, its answers, its files; wrong words are one line."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from framematch.cli import app
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER, STARTER_PATH

PAIRING = parse_pairing(STARTER)


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(STARTER)
    (tmp_path / "flight.toml").write_text(STARTER_PATH)
    return tmp_path / "rig.toml"


def test_a_flight_s_figures_and_answers_are_written(rig: Path) -> None:
    out = rig.parent / "flight.json"
    arguments = ["path", str(rig), "--shot", str(rig.parent / "flight.toml"), "--no-room", "--no-guide", "--json", str(out), "--keep-horizon", "20:80"]
    result = CliRunner().invoke(app, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    data = json.loads(out.read_text())
    assert data["duration_s"] > 3 and len(data["answers"]) == 1 and data["answers"][0] in " ".join(result.output.split())
    assert [thing["name"] for thing in data["things"]] == ["left edge", "top edge", "right edge", "bottom edge", "dancer"]
    assert "never says that a path is safe" in " ".join(result.output.split())


def test_the_starter_is_written_once(rig: Path) -> None:
    new = rig.parent / "new.toml"
    assert CliRunner().invoke(app, ["path", str(rig), "--starter", str(new)]).exit_code == 0
    assert new.read_text() == STARTER_PATH
    assert isinstance(CliRunner().invoke(app, ["path", str(rig), "--starter", str(new)]).exception, InputError)


POINTS = "[path]\n[[path.point]]\nat_m = [0, 1.5, 9]\n{}\n[[path.point]]\nat_m = [0, 1.5, 0]\n{}\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[path]\n", "give either points or a log"),
        (POINTS.format("time_s = 0", ""), "some points have a time"),
        (POINTS.format("time_s = 0", "time_s = 0"), "not later than point 1"),
        (POINTS.format("time_s = 0", "time_s = 1"), "asks for a"),
        (POINTS.format("opening = 1", ""), "give either at_m or opening"),
        ("[path]\n[[path.point]]\nopening = 4\n[[path.point]]\nat_m = [0, 1, 2]\n", "there is no opening 4"),
        (POINTS.format("", "").replace("[path]\n", '[path]\ntowards = "nobody"\n'), "there is no subject 'nobody'"),
        ('[path]\nlog = "../x.csv"\n', "can't be read from here"),
        (POINTS.format("speed_m_s = 200", ""), "100"),
        ("[flying]\nlogged_pitch = { speed_m_s = 9, pitch_deg = 9 }\ndrag_area_m2 = 0.1\n", "give either drag_area_m2 or logged_pitch"),
    ],
)
def test_wrong_flights_are_one_line(text: str, says: str) -> None:
    with pytest.raises(InputError) as error:
        parse_shot(PAIRING, text)
    assert says in str(error.value) and "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--keep-horizon", "high"], "not bounds"),
        (["--keep", "cat:10:20"], "there is no subject 'cat'"),
        (["--fastest", "luck=3"], "can't be kept"),
        (["--out", "sheet.doc"], "not a kind of sheet"),
    ],
)
def test_wrong_questions_are_one_line(rig: Path, arguments: list[str], says: str) -> None:
    result = CliRunner().invoke(app, ["path", str(rig), "--shot", str(rig.parent / "flight.toml"), "--no-room", "--no-guide", *arguments])
    assert isinstance(result.exception, InputError) and says in str(result.exception), result.exception


def test_a_straight_run_has_no_path(rig: Path) -> None:
    result = CliRunner().invoke(app, ["path", str(rig)])
    assert isinstance(result.exception, InputError) and "has no path" in str(result.exception)
