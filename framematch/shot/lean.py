"""How the airframe leans at every moment of a path: a camera without a gimbal leans with it.

With acceleration a, velocity through the air v and k = rho CdA / (2 m) the thrust over the mass is

    f = a + g up + k |v| v

and the rotors' axis lies along it. The nose lies over the wanted heading: seen from above, the body's
forward axis points along it whatever the bank (Faessler, Franchi and Scaramuzza 2018, doi
10.1109/LRA.2017.2776353; another convention differs by 20 degrees at 30 degrees of pitch and 45 of roll).
Without drag this is Mellinger and Kumar, ICRA 2011. Left out: drag of the rotors that is linear in the
body's own axes, lift of the body, gusts, the time that motors take.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.pose import Pose
from framematch.shot.checks import above_0, at_least_0
from framematch.shot.path import Motion

Floats = NDArray[np.float64]

GRAVITY_M_S2 = 9.80665
_UP = np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True, kw_only=True)
class Flying:
    """What the lean comes from: mass, drag, air; and what it must stay within.

    Args:
        mass_kg: all up.
        drag_area_m2: CdA with the propellers turning; 0 for none.
        density_kg_m3: of the air.
        wind_m_s: (x, y, z) the way it blows, scene axes.
        mass_percent, drag_percent, tilt_deg, wind_off_m_s: half-widths of the 95 % intervals of mass and drag
            area in percent, of the camera's tilt on the airframe, and of the level wind each way.
        lean_deg, thrust_n, acceleration_m_s2, jerk_m_s3, turn_deg_s: the most that is flown; None where
            not known. The defaults of lean, acceleration and jerk are practice.

    Raises:
        InputError: a figure out of range.
    """

    mass_kg: float = 1.0
    drag_area_m2: float = 0.0
    density_kg_m3: float = 1.225
    wind_m_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    mass_percent: float = 0.0
    drag_percent: float = 0.0
    tilt_deg: float = 0.0
    wind_off_m_s: float = 0.0
    lean_deg: float = 45.0
    thrust_n: float | None = None
    acceleration_m_s2: float = 8.0
    jerk_m_s3: float = 30.0
    turn_deg_s: float | None = None

    def __post_init__(self) -> None:
        above_0(self, "mass_kg", "density_kg_m3", "acceleration_m_s2", "jerk_m_s3")
        at_least_0(self, "drag_area_m2", "mass_percent", "drag_percent", "tilt_deg", "wind_off_m_s")
        if not (len(self.wind_m_s) == 3 and all(abs(w) <= 60 for w in self.wind_m_s)):
            raise InputError(f"{list(self.wind_m_s)} m/s is not a wind to fly in", field="wind_m_s", fix="give at most 60 m/s")
        if not 1 <= self.lean_deg < 90:
            raise InputError(f"{self.lean_deg:g} deg is out of range", field="lean_deg", fix="give 1 to below 90")
        for name, value in (("thrust_n", self.thrust_n), ("turn_deg_s", self.turn_deg_s)):
            if value is not None:
                above_0(self, name)
        if self.thrust_n is not None and self.thrust_n <= self.mass_kg * GRAVITY_M_S2:
            raise InputError(
                f"{self.thrust_n:.1f} N does not lift {self.mass_kg:g} kg", field="thrust_n", fix=f"give more than {self.mass_kg * GRAVITY_M_S2:.1f} N"
            )

    @property
    def drag_per_m(self) -> float:
        """k = rho CdA / (2 m) in 1/m."""
        return self.density_kg_m3 * self.drag_area_m2 / (2 * self.mass_kg)


def wind_from(*, speed_m_s: float, from_deg: float) -> tuple[float, float, float]:
    """A level wind in scene axes that comes from a direction, degrees right of -Z."""
    turn = math.radians(from_deg)
    return (-speed_m_s * math.sin(turn), 0.0, speed_m_s * math.cos(turn))


def specific_thrust_m_s2(motion: Motion, flying: Flying) -> Floats:
    """Thrust over mass (..., 3) in scene axes: a + g up + k |v| v."""
    air = motion.velocity_m_s - np.array(flying.wind_m_s)
    return np.asarray(motion.acceleration_m_s2 + GRAVITY_M_S2 * _UP + flying.drag_per_m * np.linalg.norm(air, axis=-1, keepdims=True) * air)


def lean_of(thrust_m_s2: ArrayLike) -> Floats:
    """Lean (...) in degrees of the rotors' axis off the upright, for thrusts (..., 3)."""
    f = np.asarray(thrust_m_s2, dtype=np.float64)
    return np.asarray(np.degrees(np.arctan2(np.hypot(f[..., 0], f[..., 2]), f[..., 1])))


def scene_from_airframe(position_m: ArrayLike, thrust_m_s2: ArrayLike, heading_rad: ArrayLike) -> Pose:
    """The airframe's pose: rotors' axis along the thrust, forward axis over the heading.

    Args:
        position_m: (..., 3) of the recording camera, where the airframe's axes have their origin.
        thrust_m_s2: (..., 3), of any length above 0.
        heading_rad: (...), right of -Z.

    Raises:
        InputError: it falls freely, or leans by 90 degrees or more: no attitude follows.
    """
    thrust, heading = np.asarray(thrust_m_s2, dtype=np.float64), np.asarray(heading_rad, dtype=np.float64)
    size = np.linalg.norm(thrust, axis=-1, keepdims=True)
    if not ((size > 0.05 * GRAVITY_M_S2).all() and (thrust[..., 1] > 0).all()):
        raise InputError("the path falls faster than a multirotor can follow upright", field="path", fix="fly it slower or less bent")
    up = thrust / size
    right = np.stack([np.cos(heading), np.zeros_like(heading), np.sin(heading)], axis=-1)
    ahead = np.cross(up, right)
    ahead /= np.linalg.norm(ahead, axis=-1, keepdims=True)
    turn = np.stack([np.cross(ahead, up), -up, ahead], axis=-1)
    return Pose(a="scene", b="airframe", rotation=turn, translation_m=np.asarray(position_m, dtype=np.float64))


def attitude_deg(pose: Pose) -> tuple[Floats, Floats, Floats]:
    """Heading (right of -Z), pitch (+ nose up) and roll (+ right side down) in degrees (...) of poses of the airframe or a camera.

    Turned first, then pitched, then rolled. Straight up and down the roll is not defined.
    """
    r = pose.rotation
    heading = np.arctan2(r[..., 0, 2], -r[..., 2, 2])
    pitch = np.arcsin(np.clip(r[..., 1, 2], -1.0, 1.0))
    roll = np.arctan2(-r[..., 1, 0], -r[..., 1, 1])
    return np.degrees(heading), np.degrees(pitch), np.degrees(roll)
