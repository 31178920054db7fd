"""Runs and paths: position, speed and attitude against closed forms and a textbook turn."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from framematch.errors import InputError
from framematch.files.points import read_points
from framematch.geometry.pose import Pose
from framematch.shot.opening import Opening
from framematch.shot.place import LEVEL
from framematch.shot.run import Run
from framematch.shot.way import Straight


def _turns(pose: Pose) -> tuple[float, float, float]:
    """Heading, pitch and bank in degrees, by SciPy's angles."""
    from scipy.spatial.transform import Rotation

    return tuple(float(v) for v in Rotation.from_matrix(LEVEL @ pose.rotation).as_euler("YXZ", degrees=True))


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
