"""The flight day on the command line: its figures as data."""

from __future__ import annotations

import json
import re

import pytest

import framematch.cli
from framematch.cautions import DAY
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


def test_the_starter_s_day_gives_no_advice_twice_and_warns_before_the_figures(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    run(monkeypatch, "init", "pairing.toml")
    run(monkeypatch, "init-day", "day.toml")
    capsys.readouterr()
    run(monkeypatch, "day", "day.toml")
    said = " ".join(capsys.readouterr().out.split())
    sentences = [part for part in re.split(r"(?<=[.:;])\s+|\s+! |\s+- ", said) if len(part) > 25]
    assert len(sentences) > 20 and len(sentences) == len(set(sentences)), [s for s in sentences if sentences.count(s) > 1]
    for advice in ("remote pilot", "safety distance", "Never fly over people", "logged flight", "Thrust to spare"):
        assert said.count(advice) == 1, advice
    plan = plan_day(read_day(tmp_path / "day.toml"))
    figures = said.index("Guide in the goggles")
    assert len(plan.warnings) > 3
    for line in (*plan.warnings, *plan.unknown, *DAY):
        assert said.count(line) == 1 and said.index(line) < figures, line
    assert not re.search(r"\[\[?[a-z_.]+\]|[a-z]_[a-z]|\de[+-]\d|\+0\.0|:\d\d min", said)  # a file's keys, powers of ten, signed noughts, half-and-half times
