"""A pairing from a spec sheet: everything in it was answered, or is a default that its question states."""

from __future__ import annotations

import math
from typing import Any

import pytest
from spec_answers import NEEDED

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.spec_sheet import QUESTIONS, answer, missing, rig_text
from framematch.text.toml import parse_toml

ALL = {
    **NEEDED,
    "production": "Pane Nine",
    "unit": "second unit",
    "recording.serial": "B-014",
    "recording.lens_serial": "2417",
    "monitoring.serial": "7",
    "notes": "Taped at infinity.",
    "recording.f_number": "5.6",
    "recording.squeeze": "1",
    "recording.readout_ms": "12 ms",
    "recording.frame.aspect": "2.39:1",
    "recording.frame.keep_percent": "90 %",
    "monitoring.angle_deg.vertical": "88.5",
    "monitoring.angle_deg.diagonal": "148",
    "monitoring.projection": "equidistant",
    "monitoring.display.raster_px": "1280 \u00d7 720",
    "monitoring.display.fit": "letterbox",
    "monitoring.display.text_cells": "50 x 18",
    **{f"mount.offset_mm.{way}": "2.5" for way in ("right", "up", "forward")},
    **{f"mount.aim_deg.{way}": "-1" for way in ("pan", "tilt", "roll")},
    "tolerance.offset_mm": "4",
    "tolerance.aim_deg": "1",
    "tolerance.focal_percent": "2",
}


def keys_of(table: dict[str, Any], under: str = "") -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in table.items():
        name = f"{under}{key}"
        out |= keys_of(value, f"{name}.") if isinstance(value, dict) else {name: value}
    return out


def test_no_key_holds_what_nobody_answered() -> None:
    given = keys_of(parse_toml(rig_text(NEEDED), name="rig"))
    stated = {key: question.default for key, question in QUESTIONS.items() if question.default is not None}
    assert {key: given[key] for key in set(given) - set(NEEDED)} == stated
    assert set(NEEDED) <= set(given)
    for key in stated:
        assert str(stated[key]) in QUESTIONS[key].otherwise  # and says so


def test_every_question_reaches_its_key() -> None:
    answers = {key: text for key, text in ALL.items() if key not in ("monitoring.angle_deg.vertical", "monitoring.angle_deg.diagonal")}
    given = keys_of(parse_toml(rig_text(answers), name="rig"))
    assert set(given) == set(answers)
    assert set(ALL) == set(QUESTIONS) - {"monitoring.focal_mm"}
    pairing = parse_pairing(rig_text(answers))
    assert pairing.heading == "Rig 4, Pane Nine, second unit"
    assert pairing.about.words == "Pane Nine, second unit. Serial numbers: body B-014, lens 2417, goggles' camera 7. Taped at infinity"
    assert (pairing.keep_percent, pairing.f_number, pairing.text_cells, pairing.mount.roll_deg) == (90, 5.6, (50, 18), -1)


def test_its_figures_are_the_textbooks() -> None:
    """Equidistant lenses: r = f theta. Super 35's camera aperture is 24.89 x 18.66 mm (SMPTE ST 59), and 16:9 of its full width is 14.0 mm high."""
    pairing = parse_pairing(rig_text(NEEDED))
    assert pairing.recording.sensor_mm == pytest.approx((24.89, 24.89 * 9 / 16), abs=1e-3)
    assert pairing.monitoring.lens.focal_mm == pytest.approx(5.9 / 2 / math.radians(59), rel=1e-9)
    assert math.isinf(pairing.far_m) and pairing.display.raster_px == (1440, 1080)
    assert not pairing.tolerance.given and pairing.text_cells is None


def test_several_quoted_angles_say_themselves_how_the_lens_bends() -> None:
    text = rig_text({**NEEDED, "monitoring.angle_deg.vertical": "84"})
    assert "projection" not in text and parse_pairing(text).monitoring.lens.k


@pytest.mark.parametrize("key", [key for key, question in QUESTIONS.items() if question.needed])
def test_what_is_needed_is_asked_for(key: str) -> None:
    rest = {k: v for k, v in NEEDED.items() if k != key}
    assert missing(rest) == (QUESTIONS[key].label,)
    with pytest.raises(InputError, match="is missing"):
        rig_text(rest)


@pytest.mark.parametrize(
    ("key", "text", "says"),
    [
        ("recording.sensor_mm", "super 53", "is not a format or a size"),
        ("recording.raster_px", "4K", "write width x height"),
        ("recording.raster_px", "3840.5 x 2160", "part of a pixel"),
        ("recording.focal_mm", "wide", "focal_mm"),
        ("recording.focal_mm", "0.018", "write 18"),
        ("shot.distance_m", "near", "1.5 to 30"),
        ("shot.distance_m", "30 to 2", "write the nearest first"),
        ("recording.frame.aspect", "round", "not a shape of a picture"),
        ("monitoring.angle_deg.horizontal", "wide", "not a number"),
        ("monitoring.projection", "fisheye", "is not a projection"),
        ("recording.sensor_mm", "36 x 36", "area read out"),
        ("title", "two\nlines" * 60, "200"),
    ],
)
def test_an_answer_that_is_none_is_named(key: str, text: str, says: str) -> None:
    with pytest.raises(InputError, match=f"(?i){says}") as refused:
        rig_text({**NEEDED, key: text})
    assert "\n" not in str(refused.value)


def test_answers_come_in_the_units_of_the_sheet() -> None:
    assert answer("mount.offset_mm.up", "2.5 in") == pytest.approx(63.5)
    assert answer("shot.distance_m", "1,5 - 30 m") == [1.5, 30.0]
    assert answer("monitoring.display.text_cells", "50\u00d718") == [50, 18]
