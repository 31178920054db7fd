"""The report against the pieces it is made of, and what it warns about."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from rigs import glasshouse, straight

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.geometry.camera import Rect
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing, Tolerance
from framematch.guide.best import best_guide, rectangle_errors, worst_error
from framematch.guide.report import equivalent_words, five_distances, guide_report, insets_percent, insets_px, report_json
from framematch.guide.shown import metres


def test_the_report_holds_the_guide_and_its_errors_at_five_distances() -> None:
    rig = glasshouse()
    report = guide_report(rig)
    guide = best_guide(rig)
    assert report.guide.rectangle == guide.rectangle and report.guide.set_distance_m == guide.set_distance_m
    assert [each.distance_m for each in report.at] == five_distances(rig, guide.set_distance_m)
    for each in report.at:
        assert each.error == rectangle_errors(rig, guide.rectangle, each.distance_m)
        assert each.outline.distance_m == each.distance_m
    assert report.cells is not None and report.cells.worst_error_percent == pytest.approx(worst_error(rig, report.cells.rectangle))


def test_distances_are_evenly_spaced_in_inverse_distance_without_repeats() -> None:
    assert five_distances(straight(near_m=1.0, far_m=math.inf), 2.0) == pytest.approx([1.0, 4 / 3, 2.0, 4.0, math.inf])
    assert five_distances(straight(near_m=5.0, far_m=5.0), 5.0) == [5.0]


def test_insets_by_hand() -> None:
    rectangle = Rect(left=100, top=50, right=1180, bottom=740)
    assert insets_px(rectangle, (1280, 720)) == (100, 50, 100, -20)
    assert insets_percent(rectangle, (1280, 720)) == pytest.approx((7.8125, 6.9444, 7.8125, -2.7778), abs=1e-4)
    assert [metres(2.857), metres(30.0), metres(math.inf)] == ["2.86 m", "30 m", "infinity"]


def test_json_is_plain_and_says_infinity_in_words() -> None:
    data = report_json(guide_report(straight(far_m=math.inf)))
    again = json.loads(json.dumps(data, allow_nan=False))
    assert again["distance_m"] == [1.0, "inf"] and again["cells"] is None and again["at"][-1]["distance_m"] == "inf"
    with_cells = report_json(guide_report(glasshouse()))
    assert with_cells["cells"]["columns"] == [14, 37] and with_cells["cells"]["counted_from"] == 1
    assert with_cells["guide"]["rectangle_px"]["left"] == pytest.approx(318, abs=0.5)


def narrow_monitoring() -> Pairing:
    """A monitoring camera that sees less than the frame: 53 degrees across against 62."""
    rig = straight()
    return replace(rig, monitoring=replace(rig.monitoring, lens=replace(rig.monitoring.lens, focal_mm=8.0)))


@pytest.mark.parametrize(
    ("rig", "words"),
    [
        (straight(), "No tolerance is given"),
        (straight(tolerance=Tolerance(aim_deg=5.0)), "The tolerances alone can move an edge"),
        (straight(mount=Mount(up_mm=300.0)), "The rectangle is off by up to"),
        (straight(mount=Mount(roll_deg=60.0)), "rolled by more than 45 degrees"),
        (straight(mount=Mount(up_mm=400.0, right_mm=500.0), near_m=0.3), "No part of the display is recorded at every distance"),
        (narrow_monitoring(), "sides lie off the display"),
        (narrow_monitoring(), "of the frame's border can't be seen"),
        (glasshouse(), "The frame's edges bend on this wide picture"),
        (glasshouse(), "The character grid is coarser"),
        (straight(lens_fit_deg=(("monitoring", (("horizontal", 0.1), ("vertical", -0.6))),)), "its vertical angle is -0.6 degrees off"),
    ],
)
def test_what_a_rig_is_warned_about(rig: Pairing, words: str) -> None:
    assert any(words in line for line in guide_report(rig).warnings), guide_report(rig).warnings


def test_a_lens_that_ends_before_its_corners_is_told() -> None:
    rig = glasshouse()
    short = replace(rig, monitoring=replace(rig.monitoring, lens=Lens(projection="orthographic", focal_mm=3.1)))
    assert any("does not reach its picture's corners" in line for line in guide_report(short).warnings)


def test_a_sound_rig_is_warned_about_nothing() -> None:
    assert guide_report(straight(tolerance=Tolerance(aim_deg=0.1))).warnings == ()


def test_a_side_that_the_recording_lens_leaves_dark_is_refused_and_dark_corners_are_not() -> None:
    corners = parse_pairing(STARTER.replace("k = [-0.02, 0.004]", "k = [-0.3]"))
    assert all(math.isfinite(side) for side in guide_report(corners).guide.rectangle.as_tuple())
    with pytest.raises(InputError, match="the recording lens images nothing of the frame's right and left sides"):
        parse_pairing(STARTER.replace("k = [-0.02, 0.004]", "k = [-0.5]"))
    folded = replace(corners, recording=replace(corners.recording, lens=replace(corners.recording.lens, k=(-0.5,))))
    with pytest.raises(InputError, match="the recording lens images nothing of the frame's right and left sides"):
        guide_report(folded)


def test_an_angle_with_no_focal_length_on_135_is_said_in_words() -> None:
    assert equivalent_words(28.13, digits=1) == "28.1 mm" and equivalent_words(math.nan) == "none"
