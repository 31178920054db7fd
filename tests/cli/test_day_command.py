"""The flight day on the command line: its figures as data."""

from __future__ import annotations

import json

import pytest

import framematch.cli
from framematch.day import plan_day
from framematch.files.day import read_day
from framematch.guide.report import plain, report_json


def run(monkeypatch, *arguments: str) -> None:
    monkeypatch.setattr("sys.argv", ["framematch", *arguments])
    with pytest.raises(SystemExit) as ended:
        framematch.cli.main()
    assert not ended.value.code


def test_day_json_holds_every_part_of_the_card(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    run(monkeypatch, "init", "pairing.toml")
    run(monkeypatch, "init-day", "day.toml")
    capsys.readouterr()
    run(monkeypatch, "day", "day.toml", "--out", "card.pdf", "--json", "-")
    said = capsys.readouterr()
    data = json.loads(said.out, parse_constant=lambda name: pytest.fail(name))
    plan = plan_day(read_day(tmp_path / "day.toml"))
    assert data["title"] == plan.day.title and data["guide"] == plain(report_json(plan.report))
    assert plan.tilts and plan.endurance and plan.light and plan.distances
    assert data["tilts"]["pitch_deg"] == pytest.approx(plan.tilts.pitch_deg, abs=1e-6)
    assert data["card_minutes"] == pytest.approx(plan.card_minutes, abs=1e-6)
    assert data["endurance"]["minutes"] == [[name, pytest.approx(minutes, abs=1e-6)] for name, minutes in plan.endurance.minutes]
    assert data["distances"]["points"][0]["distance_m"] == pytest.approx(plan.distances.points[0].distance_m, abs=1e-6)
    assert data["warnings"] == list(plan.warnings) and all(line[:30] in said.err.replace("\n", " ") for line in plan.warnings)
    assert data["given"]["aircraft"]["mass_kg"] == plan.day.aircraft.mass_kg
    assert (tmp_path / "card.pdf").is_file() and "Wrote card.pdf" in said.err
