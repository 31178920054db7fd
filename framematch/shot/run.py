"""The straight run through a gap, and how it is filmed.

A distance before the gap is counted along the run from the recording camera's entrance pupil to the
plane of the gap's near face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.mount import rotation_from_aim
from framematch.geometry.pose import Pose
from framematch.optics.motion import shutter_s
from framematch.shot.checks import above_0, finite

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Run:
    """A straight flight through the gap and how it is filmed.

    Args:
        speed_m_s: along the run.
        right_m, up_m: where the recording camera crosses the gap's plane, from the opening's middle.
        heading_deg: of the flight from straight through, + to the right.
        climb_deg: of the flight, + up.
        pan_deg: where the recording camera looks from the heading, + to the right.
        tilt_deg: of the recording camera above the horizon, in flight.
        bank_deg: of the recording camera, + clockwise seen from behind.
        distances_m: before the gap, at which the table is filled in.
        shutter_deg, rate_fps: exposure.
    """

    speed_m_s: float = 8.0
    right_m: float = 0.0
    up_m: float = 0.0
    heading_deg: float = 0.0
    climb_deg: float = 0.0
    pan_deg: float = 0.0
    tilt_deg: float = 0.0
    bank_deg: float = 0.0
    distances_m: tuple[float, ...] = (10.0, 5.0, 2.0)
    shutter_deg: float = 180.0
    rate_fps: float = 24.0

    def __post_init__(self) -> None:
        above_0(self, "speed_m_s")
        finite(self, "right_m", "up_m", "pan_deg", "bank_deg")
        for name, limit in (("heading_deg", 85), ("climb_deg", 85), ("tilt_deg", 90)):
            if not abs(getattr(self, name)) <= limit:
                raise InputError(f"{getattr(self, name)} is out of range", field=name, fix=f"give -{limit} to {limit}")
        if not self.distances_m or not all(0 < d < math.inf for d in self.distances_m):
            raise InputError(f"{list(self.distances_m)} are no distances before the gap", field="distances_m", fix="give metres above 0")
        _ = self.shutter_s

    @property
    def shutter_s(self) -> float:
        """Exposure time."""
        return shutter_s(shutter_deg=self.shutter_deg, rate_fps=self.rate_fps)

    @property
    def direction(self) -> Floats:
        """Unit vector (3,) of the flight in opening axes."""
        return _turned(self.heading_deg, self.climb_deg, 0.0)[:, 2]

    @property
    def opening_from_camera(self) -> Floats:
        """Rotation (3, 3) of the recording camera's axes into opening axes."""
        return _turned(self.heading_deg + self.pan_deg, self.tilt_deg, self.bank_deg)

    def camera_m(self, distance_m: ArrayLike) -> Floats:
        """Where the recording camera is (..., 3) in opening axes at distances (...) before the gap."""
        crossing = np.array([self.right_m, -self.up_m, 0.0])
        out: Floats = crossing - np.asarray(distance_m, dtype=np.float64)[..., None] * self.direction
        return out

    def opening_from_recording(self, distance_m: ArrayLike) -> Pose:
        """Where the camera is and looks at distances (...) before the opening."""
        at = self.camera_m(distance_m)
        return Pose(a="opening", b="recording", rotation=np.broadcast_to(self.opening_from_camera, (*at.shape[:-1], 3, 3)), translation_m=at)

    def seen_from(self, points_m: ArrayLike, distance_m: ArrayLike) -> Floats:
        """Points (n, 3) in opening axes as the camera has them: (..., n, 3) in camera axes for distances (...)."""
        away = np.asarray(points_m, dtype=np.float64) - self.camera_m(distance_m)[..., None, :]
        out: Floats = away @ self.opening_from_camera
        return out

    @property
    def velocity_m_s(self) -> Floats:
        """Of the camera (3,), in its own axes."""
        out: Floats = self.speed_m_s * (self.direction @ self.opening_from_camera)
        return out


@lru_cache(maxsize=64)
def _turned(pan_deg: float, tilt_deg: float, roll_deg: float) -> Floats:
    out = rotation_from_aim(pan_deg=pan_deg, tilt_deg=tilt_deg, roll_deg=roll_deg)
    out.flags.writeable = False
    return out
