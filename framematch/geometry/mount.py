"""Where things are and point: the mount between the two cameras, and poses.

``recording_from_monitoring`` is X_r = R X_m + t in camera axes (+x right, +y down, +z out through
the lens), with R = Ry(pan) Rx(tilt) Rz(roll): panned first, then tilted, then rolled about its own
axis; + is right, up, clockwise seen from behind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.pose import Pose

Floats = NDArray[np.float64]


def rotation_from_aim(*, pan_deg: float = 0.0, tilt_deg: float = 0.0, roll_deg: float = 0.0) -> Floats:
    """Rotation matrix (3, 3) that turns the aimed camera's axes into the reference camera's."""
    (cp, sp), (ct, st), (cr, sr) = ((math.cos(math.radians(a)), math.sin(math.radians(a))) for a in (pan_deg, tilt_deg, roll_deg))
    pan = np.array([[cp, 0, sp], [0, 1, 0], [-sp, 0, cp]])
    tilt = np.array([[1, 0, 0], [0, ct, -st], [0, st, ct]])
    roll = np.array([[cr, -sr, 0], [sr, cr, 0], [0, 0, 1]])
    out: Floats = pan @ tilt @ roll
    return out


def aim_from_rotation(rotation: ArrayLike) -> tuple[float, float, float]:
    """Pan, tilt, roll in degrees of a rotation (3, 3); at +-90 degrees of tilt the roll is taken as 0."""
    r = np.asarray(rotation, dtype=np.float64)
    tilt = math.asin(max(-1.0, min(1.0, -r[1, 2])))
    if abs(r[1, 2]) > 1 - 1e-12:
        return math.degrees(math.atan2(-r[2, 0], r[0, 0])), math.degrees(tilt), 0.0
    return math.degrees(math.atan2(r[0, 2], r[2, 2])), math.degrees(tilt), math.degrees(math.atan2(r[1, 0], r[1, 1]))


@dataclass(frozen=True, kw_only=True)
class Mount:
    """The monitoring camera seen from the recording camera; all 0: side by side in one place, aimed alike.

    Args:
        right_mm, up_mm, forward_mm: of its entrance pupil from the recording camera's, along the
            recording camera's axes.
        pan_deg, tilt_deg, roll_deg: of its axis: + right, up, clockwise seen from behind; panned first,
            then tilted, then rolled.

    Raises:
        InputError: a figure that is not finite.
    """

    right_mm: float = 0.0
    up_mm: float = 0.0
    forward_mm: float = 0.0
    pan_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0

    def __post_init__(self) -> None:
        for name in ("right_mm", "up_mm", "forward_mm", "pan_deg", "tilt_deg", "roll_deg"):
            if not math.isfinite(getattr(self, name)):
                raise InputError(f"{getattr(self, name)} is not a number", field=name, fix="give a finite number")

    @property
    def translation_m(self) -> Floats:
        """Entrance pupil of the monitoring camera in rig axes (3,), metres."""
        return np.array([self.right_mm, -self.up_mm, self.forward_mm]) / 1000

    @property
    def recording_from_monitoring(self) -> Floats:
        """Rotation (3, 3) of monitoring axes into rig axes."""
        return rotation_from_aim(pan_deg=self.pan_deg, tilt_deg=self.tilt_deg, roll_deg=self.roll_deg)

    @property
    def pose(self) -> Pose:
        """``recording_from_monitoring`` whole: turned and moved."""
        return Pose(a="recording", b="monitoring", rotation=self.recording_from_monitoring, translation_m=self.translation_m)
