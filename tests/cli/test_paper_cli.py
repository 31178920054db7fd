"""Commands for paper and exchange: that they pass arguments on, and that what is wrong is one line and exit code 2."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from pdf_pages import tool
from typer.testing import CliRunner

from framematch.cli import app
from framematch.errors import InputError
from framematch.files.starter import STARTER

runner = CliRunner()


@pytest.fixture
def pane(tmp_path: Path) -> Path:
    path = tmp_path / "pane.toml"
    path.write_text(STARTER, encoding="utf-8")
    return path


def said(*words: object) -> str:
    result = runner.invoke(app, [str(w) for w in words])
    assert result.exit_code == 0, result.output + repr(result.exception)
    return " ".join(result.output.split())


@pytest.mark.usefixtures("poppler")
def test_sheet(tmp_path: Path, pane: Path) -> None:
    out = tmp_path / "a.pdf"
    assert "3 pages" in said("sheet", pane, "--out", out, "--paper", "letter", "--display-mm", "152x86", "--wall", "3")
    info = tool("pdfinfo", str(out))
    assert "Pages:           3" in info and "612 x 792" in info
    text = tool("pdftotext", "-layout", str(out), "-")
    assert "152 x 86 mm" in text and "Wall marks at 3 m" in " ".join(text.split())


def test_set(tmp_path: Path, pane: Path) -> None:
    (tmp_path / "bad.toml").write_text("title = ")
    result = runner.invoke(app, ["set", str(tmp_path), "--out", str(tmp_path / "out"), "--size", "640x360", "--draw", "rectangle", "--jobs", "1"])
    assert result.exit_code == 2
    assert "1 made, 0 kept as they were, 1 with a problem" in " ".join(result.output.split())
    assert "Rectangle" not in (tmp_path / "out" / "pane" / "overlay-640x360.svg").read_text()
    assert json.loads((tmp_path / "out" / "index.json").read_text())["problems"][0]["pairing"] == "bad.toml"


def test_wall(pane: Path) -> None:
    text = said("wall", pane, "--at", "3")
    assert "-1925" in text and "288, 223" in text and "tilt 0.1 deg" in text
    seen = said("wall", pane, "--at", "3", "--seen", "288,230 992,230 990,524 290,524 -")  # 6.8 px low
    assert "tilted too far up │ 0.70 deg" in seen
    assert float(seen.partition("tilt ")[2].partition(",")[0]) == pytest.approx(0.7, abs=0.02)


def test_fdl_out_and_in(tmp_path: Path, pane: Path) -> None:
    out = tmp_path / "a.fdl"
    assert "2.39:1; stabiliser keeps 92 %" in said("fdl", pane, "--out", out)
    pane.write_text(STARTER.replace('aspect = "2.39:1"', 'aspect = "16:9"'), encoding="utf-8")
    assert "16:9" in said("fdl", pane)
    assert "2.39:1" in said("fdl", pane, "--frame", out)


def test_lens_map_and_opencv(tmp_path: Path, pane: Path) -> None:
    said("lens-map", pane, "--out", tmp_path / "maps", "--angle", "100")
    assert sorted(p.name for p in (tmp_path / "maps").iterdir()) == ["display-bent.tiff", "display-straight.tiff"]
    said("opencv", pane, "--out", tmp_path / "cameras")
    assert sorted(p.name for p in (tmp_path / "cameras").iterdir()) == ["display.yml", "monitoring.yml", "recording.yml", "rig.yml"]


@pytest.mark.parametrize(
    "words,says",
    [
        (["sheet", "PANE", "--out", "OUT/a.pdf", "--display-mm", "152"], "display-mm"),
        (["sheet", "PANE", "--out", "OUT/a.pdf", "--display-mm", "nanx5"], "display-mm"),
        (["sheet", "PANE", "--out", "OUT/a.pdf", "--paper", "B5"], "paper"),
        (["sheet", "PANE", "--out", "OUT/no/such/a.pdf"], "can't be written"),
        (["sheet", "OUT/none.toml", "--out", "OUT/a.pdf"], "no such file"),
        (["set", "OUT", "--out", "OUT/set"], "no pairing"),
        (["set", "PANE", "--out", "OUT/set"], "no such folder"),
        (["wall", "PANE", "--at", "0"], "not a distance"),
        (["wall", "PANE", "--seen", "1,2 3,4"], "5 places"),
        (["fdl", "PANE", "--frame", "PANE"], "not JSON"),
        (["lens-map", "PANE", "--out", "OUT", "--picture", "wall"], "display, recording"),
        (["lens-map", "PANE", "--out", "OUT", "--format", "png"], "tiff, exr"),
        (["lens-map", "PANE", "--out", "OUT", "--angle", "nan"], "1 to 170"),
    ],
)
def test_what_is_wrong_is_one_line(tmp_path: Path, pane: Path, words: list[str], says: str) -> None:
    out = tmp_path / "out"
    out.mkdir()
    line = [w.replace("PANE", str(pane)).replace("OUT", str(out)) for w in words]
    result = runner.invoke(app, line)
    assert isinstance(result.exception, InputError), result.output  # the program turns it into one line and exit code 2
    assert says in str(result.exception) and "\n" not in str(result.exception)
    assert not list(out.iterdir())


def test_wall_json_says_what_the_table_says(tmp_path, monkeypatch, capsys):
    import framematch.cli

    (tmp_path / "rig.toml").write_text(STARTER)
    for seen in ([], ["--seen", "303,192 1177,192 1173,556 307,556 740,378"]):
        monkeypatch.setattr("sys.argv", ["framematch", "wall", str(tmp_path / "rig.toml"), "--json", "-", *seen])
        with pytest.raises(SystemExit) as ended:
            framematch.cli.main()
        assert not ended.value.code
        said = capsys.readouterr()
        data = json.loads(said.out)
        for mark in data["marks"]:
            assert f"{mark['right_mm']:.0f}" in said.err and f"{mark['display_px'][0]:.0f}, {mark['display_px'][1]:.0f}" in said.err
        assert f"{data['diagonals_mm']['down']:.0f} mm and {data['diagonals_mm']['up']:.0f} mm" in said.err
        assert set(data["one_px_is"]) == {"pan_deg", "right_mm", "tilt_deg", "up_mm", "roll_deg", "forward_mm"}
        assert (data["off_by_aim_deg"] is None) == (not seen) == (data["off_by_alone"] is None)
        if seen:
            assert f"pan {data['off_by_aim_deg']['pan']:+.2f}" in said.err


@pytest.mark.usefixtures("poppler")
def test_a_sheet_for_a_crew_that_measures_in_feet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """1.5 m and 30 m in feet of 0.3048 m (international yard and pound, 1959); a wall mark in inches of 25.4 mm."""
    monkeypatch.chdir(tmp_path)
    Path("pane.toml").write_text(STARTER, encoding="utf-8")
    said("sheet", "pane.toml", "--out", "sheet.pdf", "--paper", "Letter", "--wall", "2", "--units", "imperial")
    text = tool("pdftotext", "-layout", "sheet.pdf", "-")
    assert "For 4.92 ft to 98.4 ft from the recording lens" in text and "Wall marks at 6.56 ft" in text
    assert "50.53 in left, 21.14 in up" in text and "1.5 m" not in text
    assert "612 x 792" in tool("pdfinfo", "sheet.pdf")
