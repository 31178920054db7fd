"""Poses against SciPy's own rigid transforms and rotations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from framematch.geometry.pose import Axes, Pose


def some(a: Axes, b: Axes, seed: int, count: int | None = None) -> Pose:
    rng = np.random.default_rng(seed)
    turn = Rotation.random(count, random_state=seed).as_matrix()
    return Pose(a=a, b=b, rotation=turn, translation_m=rng.normal(size=(3,) if count is None else (count, 3)))


def test_composing_is_the_product_of_the_four_by_fours() -> None:
    one, two = some("scene", "recording", 1), some("recording", "monitoring", 2)
    both = one @ two
    assert (both.a, both.b) == ("scene", "monitoring")
    assert np.allclose(both.matrix, one.matrix @ two.matrix, atol=1e-15)
    points = np.random.default_rng(3).normal(size=(7, 3))
    assert np.allclose(both.points(points), Rotation.from_matrix(both.rotation).apply(points) + both.translation_m, atol=1e-12)


def test_the_inverse_brings_everything_back() -> None:
    one = some("scene", "airframe", 4, count=5)
    there = one.points(np.ones((5, 3)))
    assert np.allclose(one.inverse.points(there), 1.0, atol=1e-12)
    assert (one.inverse.a, one.inverse.b) == ("airframe", "scene")


def test_axes_have_to_meet() -> None:
    with pytest.raises(ValueError, match="scene_from_recording can't be followed by scene_from_recording"):
        some("scene", "recording", 5) @ some("scene", "recording", 6)


def test_what_is_no_rotation_is_refused() -> None:
    for wrong in (np.eye(3) * 2, np.diag([1.0, 1.0, -1.0]), np.zeros((3, 3))):
        with pytest.raises(ValueError, match="not a rotation"):
            Pose(a="scene", b="recording", rotation=wrong, translation_m=np.zeros(3))
    with pytest.raises(ValueError, match="no pose"):
        Pose(a="scene", b="recording", rotation=np.eye(3), translation_m=np.zeros(2))
