"""Wall marks: tape numbers by the pinhole rule, places by OpenCV, mount errors read back."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from rigs import glasshouse, straight
from scipy.spatial.transform import Rotation

from framematch.errors import InputError
from framematch.files.pairing import changed_text, parse_pairing
from framematch.files.starter import STARTER
from framematch.geometry.camera import Display
from framematch.geometry.mount import Mount
from framematch.guide.wall_marks import aim_changes, aim_off_by, aim_off_by_shift, correction_table, off_by, readings, tape_lengths_mm, wall_marks
from framematch.output.opencv_yaml import opencv_camera


def opencv_sees(pairing, marks, distance_m: float) -> np.ndarray:
    """Where the marks show on the display, from tape numbers alone, by OpenCV's lens and SciPy's rotation."""
    mount = pairing.mount
    turn = Rotation.from_euler("YXZ", [mount.pan_deg, mount.tilt_deg, mount.roll_deg], degrees=True)  # axes right, down, ahead
    points = np.array([(m.right_mm, -m.up_mm, 1000 * distance_m) for m in marks])
    points = turn.inv().apply(points - [mount.right_mm, -mount.up_mm, mount.forward_mm])
    c = opencv_camera(pairing.display_camera)
    project = cv2.fisheye.projectPoints if c.model == "fisheye" else cv2.projectPoints
    return project(points[:, None], np.zeros(3), np.zeros(3), np.array(c.matrix), np.array(c.coefficients))[0].reshape(-1, 2) + 0.5


def test_tape_numbers_follow_the_pinhole_rule() -> None:
    """A straight lens: half the frame's width over focal length times distance (similar triangles)."""
    pairing = straight()
    marks = {m.name: m for m in wall_marks(pairing, 4.0)}
    wide, high = pairing.frame_mm
    assert marks["top right"].right_mm == pytest.approx(4000 * wide / 2 / 20.0)
    assert marks["top right"].up_mm == pytest.approx(4000 * high / 2 / 20.0)
    assert (marks["centre"].right_mm, marks["centre"].up_mm) == pytest.approx((0, 0), abs=1e-9)
    lengths = tape_lengths_mm(tuple(marks.values()))
    assert lengths["diagonal down"] == pytest.approx(lengths["diagonal up"]) == pytest.approx(200 * math.hypot(wide, high))


def test_opencv_sees_the_marks_where_they_are_told() -> None:
    for fit in ("crop", "letterbox", "stretch"):
        pairing = glasshouse(
            display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=fit),
            mount=Mount(right_mm=20, up_mm=58, forward_mm=31, pan_deg=1.5, tilt_deg=-4, roll_deg=2),
        )
        for distance in (1.5, 3.0, 8.0):
            marks = wall_marks(pairing, distance)
            assert all(m.shown for m in marks)
            assert opencv_sees(pairing, marks, distance) == pytest.approx(np.array([m.display_px for m in marks]), abs=1e-6)


@pytest.mark.parametrize(
    "part,error,within",
    [("tilt_deg", 0.7, 0.05), ("tilt_deg", -1.3, 0.05), ("pan_deg", 0.7, 0.05), ("roll_deg", -0.9, 0.05), ("up_mm", 12.0, 0.5), ("forward_mm", 15.0, 1.0)],
)
def test_an_injected_error_is_read_back_from_the_table(part: str, error: float, within: float) -> None:
    pairing = glasshouse()
    marks = wall_marks(pairing, 3.0)
    wrong = replace(pairing, mount=replace(pairing.mount, **{part: getattr(pairing.mount, part) + error}))
    seen = np.round(opencv_sees(wrong, marks, 3.0))  # read off a screen in whole pixels
    found = off_by(correction_table(pairing, 3.0), readings(marks, seen))
    assert found[part] == pytest.approx(error, abs=max(within, 0.6 * abs(found_per_px(pairing, part))))


def found_per_px(pairing, part: str) -> float:
    """What half a pixel of reading error is worth; only offsets are that insensitive at 3 m."""
    cause = next(c for c in correction_table(pairing, 3.0) if c.part == part)
    return cause.per_px if part.endswith("_mm") else 0.0


def test_signs_make_sense() -> None:
    """A camera tilted up shows the marks low, panned right shows them left, rolled clockwise turns them the other way."""
    pairing = glasshouse()
    marks = wall_marks(pairing, 3.0)

    def seen(**by):
        return readings(marks, opencv_sees(replace(pairing, mount=replace(pairing.mount, **by)), marks, 3.0))

    assert seen(tilt_deg=1.0).low_px > 5
    assert seen(up_mm=100.0).low_px > 5
    assert seen(pan_deg=1.0).right_px < -5
    assert seen(right_mm=50.0).right_px < -5
    assert seen(roll_deg=1.0).turned_px < -3
    assert seen(forward_mm=200.0).spread_px > 3


def test_all_three_angles_at_once_even_with_a_corner_hidden() -> None:
    pairing = glasshouse()
    marks = wall_marks(pairing, 3.0)
    wrong = replace(pairing, mount=replace(pairing.mount, pan_deg=-0.6, tilt_deg=0.7, roll_deg=1.1))
    seen = opencv_sees(wrong, marks, 3.0)
    seen[1] = np.nan
    off = aim_off_by(pairing, 3.0, seen)
    assert (off.pan_deg, off.tilt_deg, off.roll_deg) == pytest.approx((-0.6, 0.7, 1.1), abs=1e-4)


def test_what_cannot_be_is_refused() -> None:
    pairing = glasshouse()
    for distance in (0.0, -1.0, math.inf, math.nan, 0.02):
        with pytest.raises(InputError, match="not a distance to a wall"):
            wall_marks(pairing, distance)
    marks = wall_marks(pairing, 3.0)
    with pytest.raises(InputError, match="too few marks"):
        readings(marks, np.full((5, 2), np.nan))
    with pytest.raises(InputError, match="each of 5 marks"):
        readings(marks, [(1, 2)])


@pytest.mark.parametrize(("pan", "tilt"), [(0.0, 0.7), (-1.1, 0.4), (2.5, -3.0), (0.3, -0.7)])
def test_what_the_pilot_sees_gives_the_aim_back(pan: float, tilt: float) -> None:
    """A rig whose camera really points elsewhere; where its marks show is OpenCV's lens and SciPy's rotation."""
    typed = parse_pairing(STARTER)
    true = replace(typed, mount=replace(typed.mount, pan_deg=typed.mount.pan_deg + pan, tilt_deg=typed.mount.tilt_deg + tilt))
    marks = wall_marks(typed, 2.0)
    seen = opencv_sees(true, marks, 2.0) - np.array([m.display_px for m in marks])
    right_px, down_px = np.round(seen[:4].mean(axis=0), 1)  # the mean of the four corners, as it is read off
    off = aim_off_by_shift(typed, 2.0, right_px=float(right_px), up_px=float(-down_px))
    assert (off.pan_deg, off.tilt_deg) == pytest.approx((pan, tilt), abs=0.05)
    mended = parse_pairing(changed_text(STARTER, aim_changes(typed.mount, off)))
    again = np.array([m.display_px for m in wall_marks(mended, 2.0)])
    assert np.abs(again - opencv_sees(true, marks, 2.0)).max() < 1.0


def test_no_turn_is_made_up() -> None:
    rig = parse_pairing(STARTER)
    assert aim_changes(rig.mount, aim_off_by_shift(rig, 2.0, right_px=0.0, up_px=0.0)) == {}
    with pytest.raises(InputError, match="no turn within 20 degrees"):
        aim_off_by_shift(rig, 2.0, right_px=0.0, up_px=4000.0)
    with pytest.raises(InputError, match="two numbers"):
        aim_off_by_shift(rig, 2.0, right_px=float("nan"), up_px=0.0)
