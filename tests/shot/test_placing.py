"""What a hand places: an opening by two corners against the wall that trimesh turned, a point where a path is lengthened least."""

from __future__ import annotations

import math

import numpy as np
import pytest

from framematch.errors import InputError
from framematch.shot.placing import opening_between, stretch_for

trimesh = pytest.importorskip("trimesh")


@pytest.mark.parametrize("heading", [0.0, 35.0, 90.0, -120.0, 180.0])
@pytest.mark.parametrize("corners", [(0, 2), (2, 0), (1, 3), (3, 1)])
def test_any_two_opposite_corners_of_a_pane_give_it_back(heading: float, corners: tuple[int, int]) -> None:
    """The pane is turned by trimesh, about glTF's upward axis: to the right seen from above is a negative turn there."""
    pane = np.array([(-0.7, 1.0, 0), (0.7, 1.0, 0), (0.7, 1.9, 0), (-0.7, 1.9, 0), (0.3, 2.4, 5.0)])  # the last is the eye, before it
    turn = trimesh.transformations.rotation_matrix(-math.radians(heading), (0, 1, 0)) @ np.eye(4)
    placed = trimesh.transform_points(pane, trimesh.transformations.translation_matrix((3, 0.5, -7)) @ turn)
    found = opening_between(placed[corners[0]], placed[corners[1]], seen_from_m=placed[4])
    assert (found.width_m, found.height_m) == pytest.approx((1.4, 0.9), abs=1e-3)
    assert found.middle_m == pytest.approx((3, 1.95, -7), abs=1e-3)
    assert math.remainder(found.heading_deg - heading, 360) == pytest.approx(0, abs=0.06)
    own = found.scene_from_opening.points(np.c_[found.corners(), np.zeros(4)])
    for corner in own:  # what is built from it stands where it was clicked
        assert np.linalg.norm(placed[:4] - corner, axis=1).min() < 2e-3


@pytest.mark.parametrize(("one", "other", "says"), [((0, 1, 0), (0, 2, 0), "0.00 m wide"), ((0, 1, 0), (1, 1.05, 0), "0.05 m high")])
def test_corners_that_make_no_opening_are_said(one: tuple[float, ...], other: tuple[float, ...], says: str) -> None:
    with pytest.raises(InputError, match=says):
        opening_between(one, other, seen_from_m=(0, 1, 5))


def test_a_point_goes_where_the_path_is_lengthened_least() -> None:
    """Against every place tried."""
    rng = np.random.default_rng(7)
    for _ in range(50):
        points, new = rng.normal(size=(5, 3)), rng.normal(size=3)

        def length(at: int, points: np.ndarray = points, new: np.ndarray = new) -> float:
            return float(np.linalg.norm(np.diff(np.insert(points, at, new, axis=0), axis=0), axis=1).sum())

        assert stretch_for(list(points), new) == min(range(1, 6), key=length)
