"""Where an aircraft could come down after losing all thrust: a ballistic estimate for planning, not a safety distance.

No drag, no lift, flat ground: a thrown stone. In still air drag only makes the way shorter. Left out:
wind while it falls, bounce and pieces, burning packs, thrust that is lost on one side only (the
aircraft may then turn to any side and even climb), and a link lost without a failsafe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.shot.lean import GRAVITY_M_S2

Floats = NDArray[np.float64]


def fall_time_s(*, height_m: ArrayLike, up_m_s: ArrayLike = 0.0, gravity_m_s2: float = GRAVITY_M_S2) -> Floats:
    """Seconds from losing thrust to the ground, from a height (>= 0) with an upward speed, broadcast.

    Raises:
        InputError: below the ground, or not a number.
    """
    height, up = np.asarray(height_m, dtype=np.float64), np.asarray(up_m_s, dtype=np.float64)
    if not (np.all(height >= 0) and np.all(np.isfinite(height)) and np.all(np.isfinite(up))):
        raise InputError(f"{height.tolist()} m is not a height above ground", field="height_m", fix="give 0 or more")
    return np.asarray((up + np.sqrt(up * up + 2 * gravity_m_s2 * height)) / gravity_m_s2)


def fall_distance_m(*, height_m: ArrayLike, level_m_s: ArrayLike, up_m_s: ArrayLike = 0.0, gravity_m_s2: float = GRAVITY_M_S2) -> Floats:
    """Level distance to where it comes down, metres: v_h (v_z + sqrt(v_z^2 + 2 g h)) / g, broadcast."""
    return np.asarray(np.asarray(level_m_s, dtype=np.float64) * fall_time_s(height_m=height_m, up_m_s=up_m_s, gravity_m_s2=gravity_m_s2))


@dataclass(frozen=True, kw_only=True)
class FallPoint:
    """One point of the run: where it is in plan, how high, where it would come down straight on, and how far that is."""

    at_m: tuple[float, float]
    height_m: float
    lands_m: tuple[float, float]
    distance_m: float


def along_run(points_m: ArrayLike, *, speed_m_s: float, step_m: float = 0.5, ground_m: float = 0.0) -> tuple[FallPoint, ...]:
    """Fall from every point of a run flown at one speed.

    Args:
        points_m: (n, 3) with n >= 2: right, ahead, height in metres, joined by straight lines.
        step_m: distance along the run between the points that are looked at.
        ground_m: height of the lowest ground it could reach.

    Raises:
        InputError: fewer than two points, two points alike, below the ground.
    """
    points = np.asarray(points_m, dtype=np.float64)
    if points.ndim != 2 or points.shape[0] < 2 or points.shape[1] != 3 or not np.isfinite(points).all():
        raise InputError("a run needs two or more points of right, ahead, height", field="run.points_m", fix="write [[0, 0, 2], [0, 20, 2]]")
    legs = np.diff(points, axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    if (lengths == 0).any():
        raise InputError("two points that follow each other are the same", field="run.points_m", fix="leave one out")
    if (points[:, 2] < ground_m).any():
        raise InputError("a point lies below the ground", field="run.points_m", fix="give heights above ground")
    found = []
    for start, leg, length in zip(points[:-1], legs, lengths, strict=True):
        # Both ends of every leg: at a corner the old and the new heading both count.
        shares = np.linspace(0, 1, max(2, int(np.ceil(length / step_m)) + 1))
        at = start + shares[:, None] * leg
        velocity = speed_m_s * leg / length
        time = fall_time_s(height_m=at[:, 2] - ground_m, up_m_s=velocity[2])
        lands = at[:, :2] + time[:, None] * velocity[:2]
        distance = np.linalg.norm(lands - at[:, :2], axis=1)
        found += [
            FallPoint(at_m=(float(a[0]), float(a[1])), height_m=float(a[2]), lands_m=(float(b[0]), float(b[1])), distance_m=float(d))
            for a, b, d in zip(at, lands, distance, strict=True)
        ]
    return tuple(found)
