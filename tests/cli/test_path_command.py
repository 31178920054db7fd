"""The flight's command: its starter, its answers, its files; wrong words are one line."""

import json
import math
from pathlib import Path

import pytest
from typer.testing import CliRunner

from framematch.cli import app
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER, STARTER_PATH, starter_day

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


def test_the_day_s_aircraft_flies_the_path(rig: Path) -> None:
    """Its mass, drag and pack: steady at the logged speed it leans as logged; what it uses is its power over the time, of what its pack has."""
    level = "[path]\n[[path.point]]\nat_m = [0, 1.5, 30]\nspeed_m_s = 14\n[[path.point]]\nat_m = [0, 1.5, -40]\nspeed_m_s = 14\n"
    (rig.parent / "level.toml").write_text("[flying]\nmass_kg = 0.5\ndrag_area_m2 = 0.2\n" + level)
    day = rig.parent / "day.toml"
    day.write_text(starter_day("rig.toml").replace("drag_area_m2 = 0.05 ", "logged_pitch = { speed_m_s = 14, pitch_deg = 16 } "))
    out = rig.parent / "day.json"
    arguments = ["path", str(rig), "--shot", str(rig.parent / "level.toml"), "--day", str(day), "--no-room", "--no-guide", "--json", str(out)]
    result = CliRunner().invoke(app, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    data = json.loads(out.read_text())
    assert data["pitch_deg"][30] == pytest.approx(-16, abs=0.01)
    assert data["thrust_n"][30] == pytest.approx((3.3 + 0.7) * 9.80665 / math.cos(math.radians(16)), rel=1e-4)
    assert data["used_wh"][-1] == pytest.approx(data["battery_w"][30] * 5 / 3600, rel=1e-6)  # 70 m at 14 m/s
    usable = 6 * 3.7 * 4.5 * 0.8
    assert f"Uses {data['used_wh'][-1]:.2f} Wh, {100 * data['used_wh'][-1] / usable:.0f} % of what the pack has" in " ".join(result.output.split())


POINTS = "[path]\n[[path.point]]\nat_m = [0, 1.5, 9]\n{}\n[[path.point]]\nat_m = [0, 1.5, 0]\n{}\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[path]\n", "give either points or a log"),
        (POINTS.format("", "").replace("[0, 1.5, 0]", "[0, 1.5, 9]"), "points 1 and 2 are in one place"),
        (POINTS.format("speed_m_s = 60", "speed_m_s = 60") + "[flying]\ndrag_area_m2 = 0.03\n", "path.speed_m_s: 60 m/s leans by"),
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
