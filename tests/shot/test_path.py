"""Runs and paths: position, speed and attitude against closed forms and a textbook turn."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from framematch.errors import InputError
from framematch.files.points import read_points
from framematch.geometry.pose import Pose
from framematch.shot.opening import Opening
from framematch.shot.place import LEVEL
from framematch.shot.run import Run
from framematch.shot.way import Straight, Track


def _turns(pose: Pose) -> tuple[float, float, float]:
    """Heading, pitch and bank in degrees, by SciPy's angles."""
    from scipy.spatial.transform import Rotation

    return tuple(float(v) for v in Rotation.from_matrix(LEVEL @ pose.rotation).as_euler("YXZ", degrees=True))


def _circle(radius: float, turn: float, count: int) -> tuple[tuple[float, float, float], ...]:
    """A level right turn that starts at the origin along -Z."""
    angle = np.linspace(0, turn, count)
    return tuple((radius - radius * math.cos(a), 10.0, -radius * math.sin(a)) for a in angle)


def test_a_straight_run_is_where_speed_times_time_says() -> None:
    opening = Opening(middle_m=(0.5, 1.4, 0.0), width_m=1, height_m=1)
    run = Straight(scene_from_opening=opening.scene_from_opening, run=Run(speed_m_s=4), from_m=8, to_m=-2)
    assert (run.duration_s, run.length_m, run.speed(1.0)) == pytest.approx((2.5, 10.0, 4.0), abs=1e-12)
    for t in (0.0, 0.7, 2.0, 2.5):
        pose = run.pose(t)
        assert pose.translation_m == pytest.approx((0.5, 1.4, 8 - 4 * t), abs=1e-12)
        assert _turns(pose) == pytest.approx((0.0, 0.0, 0.0), abs=1e-12)
    assert run.pose(2.0).translation_m[2] == pytest.approx(0.0, abs=1e-12)  # through the gap's plane
    assert run.pose(99).matrix == pytest.approx(run.pose(2.5).matrix)
    assert run.pose(-1).matrix == pytest.approx(run.pose(0).matrix)


def test_a_run_goes_the_way_that_the_opening_is_flown() -> None:
    """Heading 90 flies +X: 5 m before the opening is at smaller x, and right of it is +Z."""
    opening = Opening(middle_m=(3, 1, 2), width_m=1, height_m=1, heading_deg=90)
    run = Run(speed_m_s=1, right_m=0.3, up_m=0.7)
    pose = Straight(scene_from_opening=opening.scene_from_opening, run=run, from_m=5, to_m=-1).pose(0)
    assert pose.translation_m == pytest.approx((-2, 1.7, 2.3))
    assert _turns(pose) == pytest.approx((90, 0, 0), abs=1e-9)
    assert pose.rotation[:, 2] == pytest.approx([1, 0, 0], abs=1e-12)


@pytest.mark.parametrize(("ends", "says"), [((3.0, 3.0), "does not go forwards"), ((2000.0, 0.0), "out of range"), ((math.nan, 0.0), "out of range")])
def test_a_straight_run_needs_a_way(ends: tuple[float, float], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Straight(scene_from_opening=Opening(width_m=1, height_m=1).scene_from_opening, run=Run(), from_m=ends[0], to_m=ends[1])


def test_a_curved_path_keeps_its_speed_and_looks_along_it() -> None:
    run = Track(points_m=_circle(12.0, math.pi / 2, 9), speed_m_per_s=6.0)
    assert run.length_m == pytest.approx(12 * math.pi / 2, rel=2e-4)
    times = np.linspace(0.05, run.duration_s - 0.05, 60)
    places = np.array([[run.pose(t - 0.01).translation_m, run.pose(t + 0.01).translation_m] for t in times])
    speeds = np.linalg.norm(places[:, 1] - places[:, 0], axis=1) / 0.02
    assert speeds == pytest.approx(6.0, rel=1e-3)
    headings = [_turns(run.pose(t))[0] for t in times]
    assert headings == pytest.approx(np.degrees(times * 6 / 12), abs=0.5)


def test_the_path_passes_through_its_points() -> None:
    points = ((0.0, 1.0, 9.0), (1.0, 1.5, 4.0), (0.0, 1.2, 0.0), (-2.0, 2.0, -5.0))
    run = Track(points_m=points, speed_m_per_s=3.0)
    track = np.array([run.pose(t).translation_m for t in np.linspace(0, run.duration_s, 4000)])
    for point in points:
        assert np.linalg.norm(track - point, axis=1).min() < 2e-3


def test_speed_that_changes_evenly_with_the_way_takes_its_closed_form_time() -> None:
    """v = 2 + s on 6 m: t = ln(8/2), and s(t) = 2 (e^t - 1)."""
    run = Track(points_m=((0, 1, 6), (0, 1, 0)), speed_m_per_s=(2.0, 8.0))
    assert run.duration_s == pytest.approx(math.log(4), rel=1e-9)
    for t in (0.2, 0.8, 1.2):
        assert 6 - run.pose(t).translation_m[2] == pytest.approx(2 * (math.exp(t) - 1), abs=1e-4)
        assert run.speed(t) == pytest.approx(2 * math.exp(t), rel=1e-3)


def test_a_level_turn_banks_as_the_textbook_says() -> None:
    """120 kt, 30 degrees of bank: radius 2208 ft (flying handbook's formula)."""
    knot, foot = 1852 / 3600, 0.3048
    run = Track(points_m=_circle(2208 * foot, 1.2, 40), speed_m_per_s=120 * knot, bank_deg=None)
    assert _turns(run.pose(run.duration_s / 2))[2] == pytest.approx(30.0, abs=0.05)  # right turn, right side down
    left = tuple((-x, y, z) for x, y, z in run.points_m)
    assert _turns(Track(points_m=left, speed_m_per_s=120 * knot, bank_deg=None).pose(10))[2] == pytest.approx(-30.0, abs=0.1)


def test_heading_pitch_and_bank_can_be_held() -> None:
    run = Track(points_m=_circle(5, 1.0, 5), heading_deg=-20, pitch_deg=-12, bank_deg=7)
    for t in (0, run.duration_s / 2):
        assert _turns(run.pose(t)) == pytest.approx((-20, -12, 7), abs=1e-9)


@pytest.mark.parametrize(
    ("kwargs", "says"),
    [
        ({"points_m": ((0, 0, 0),)}, "points are no path"),
        ({"points_m": ((0, 0, 0), (0, 0, 0))}, "points 1 and 2 are in one place"),
        ({"points_m": ((0, 0, 0), (0, math.nan, 1))}, "finite"),
        ({"points_m": ((0, 0, 0), (0, 0, 1e9))}, "within 100 km"),
        ({"points_m": ((0, 0, 0), (0, 0, 1)), "speed_m_per_s": 0.0}, "0 m/s is out of range"),
        ({"points_m": ((0, 0, 0), (0, 0, 1)), "speed_m_per_s": math.nan}, "out of range"),
        ({"points_m": ((0, 0, 0), (0, 0, 1)), "speed_m_per_s": (1.0, 2.0, 3.0)}, "3 speeds for 2 points"),
        ({"points_m": ((0, 0, 0), (0, 0, 1)), "pitch_deg": math.inf}, "pitch_deg"),
    ],
)
def test_what_is_no_run_gets_one_line(kwargs: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        Track(**kwargs)


def test_points_are_read_with_and_without_speeds(tmp_path: Path) -> None:
    plain, quick = tmp_path / "a.csv", tmp_path / "b.csv"
    plain.write_text("# x, y, z\n0, 1, 8\n\n0.5 1.2 0\n-1;1;-4\n")
    quick.write_text("0,1,8,5\n0,1,0,2.5\n")
    assert read_points(plain) == (((0, 1, 8), (0.5, 1.2, 0), (-1, 1, -4)), None)
    assert read_points(quick) == (((0, 1, 8), (0, 1, 0)), (5.0, 2.5))


@pytest.mark.parametrize("text", ["", "1,2,3\n", "1,2\n3,4\n", "a,b,c\n1,2,3\n", "1,2,3\n1,2,3,4\n", "1,2,3\n" * 3000])
def test_what_is_no_path_file_gets_one_line(tmp_path: Path, text: str) -> None:
    file = tmp_path / "p.csv"
    file.write_text(text)
    with pytest.raises(InputError) as caught:
        read_points(file)
    assert "p.csv" in str(caught.value) and "\n" not in str(caught.value)
