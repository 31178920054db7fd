"""A flight as it leans: where the airframe and the recording camera on it stand and turn at every moment."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.mount import rotation_from_aim
from framematch.geometry.pose import Pose
from framematch.shot.lean import Flying, scene_from_airframe, specific_thrust_m_s2
from framematch.shot.log import Log
from framematch.shot.path import Motion

Floats = NDArray[np.float64]

_STEP_S = 1e-4  # between the attitudes that a turn is found from


class Course(Protocol):
    """What has a place and a heading at every moment: a :class:`~framematch.shot.path.Path` or a :class:`~framematch.shot.log.Log`."""

    @property
    def duration_s(self) -> float: ...
    @property
    def length_m(self) -> float: ...
    def at(self, times_s: ArrayLike) -> Motion: ...
    def heading_rad(self, times_s: ArrayLike) -> Floats: ...


@dataclass(frozen=True, kw_only=True, eq=False)
class Flown:
    """A path or a log flown by an aircraft that leans.

    Args:
        course: the path or the log.
        flying: mass, drag, wind and limits.
        camera_tilt_deg: of the recording camera on the airframe, + up.

    Raises:
        InputError: a tilt out of range, or a path that no multirotor follows upright.
    """

    course: Course
    flying: Flying = field(default_factory=Flying)
    camera_tilt_deg: float = 0.0

    def __post_init__(self) -> None:
        if not abs(self.camera_tilt_deg) <= 90:
            raise InputError(f"{self.camera_tilt_deg:g} is out of range", field="camera_tilt_deg", fix="give -90 to 90")
        self.airframe(np.linspace(0, self.duration_s, 401))

    @property
    def duration_s(self) -> float:
        return self.course.duration_s

    @property
    def length_m(self) -> float:
        return self.course.length_m

    def at(self, times_s: ArrayLike) -> Motion:
        """Position and its derivatives at times (...)."""
        return self.course.at(times_s)

    def pose(self, time_s: float) -> Pose:
        """``scene_from_recording`` at one time; before and after the flight it stands at its ends."""
        return self.recording(time_s)

    def speed(self, time_s: float) -> float:
        """Speed in m/s at one time."""
        return float(self.course.at(time_s).speed_m_s)

    def thrust_m_s2(self, times_s: ArrayLike) -> Floats:
        """Thrust over mass (..., 3) in scene axes that the path asks for."""
        return specific_thrust_m_s2(self.course.at(times_s), self.flying)

    def airframe(self, times_s: ArrayLike) -> Pose:
        """``scene_from_airframe`` at times (...); its origin is the recording camera's entrance pupil."""
        t = np.asarray(times_s, dtype=np.float64)
        motion = self.course.at(t)
        if isinstance(self.course, Log):
            return Pose(a="scene", b="airframe", rotation=self.course.rotation(t, self.flying), translation_m=motion.position_m)
        return scene_from_airframe(motion.position_m, specific_thrust_m_s2(motion, self.flying), self.course.heading_rad(t))

    def recording(self, times_s: ArrayLike) -> Pose:
        """``scene_from_recording`` at times (...)."""
        return self.airframe(times_s) @ airframe_from_recording(self.camera_tilt_deg, np.shape(times_s))

    def turn_rad_s(self, times_s: ArrayLike) -> Floats:
        """Turn (..., 3) of the recording camera about its own axes (right-handed: +y pans right)."""
        from scipy.spatial.transform import Rotation

        t = np.clip(np.asarray(times_s, dtype=np.float64), _STEP_S, self.duration_s - _STEP_S)
        before, after = (self.recording(t + side * _STEP_S).rotation for side in (-1, 1))
        step = np.swapaxes(before, -1, -2) @ after
        out: Floats = Rotation.from_matrix(step.reshape(-1, 3, 3)).as_rotvec().reshape(*t.shape, 3) / (2 * _STEP_S)
        return out

    def velocity_m_s(self, times_s: ArrayLike) -> Floats:
        """Velocity (..., 3) of the recording camera in its own axes."""
        return self.recording(times_s).inverse.directions(self.course.at(times_s).velocity_m_s)


def airframe_from_recording(tilt_deg: float, shape: tuple[int, ...] = ()) -> Pose:
    """The recording camera at its tilt on the airframe, once or for each of many moments."""
    turn = np.broadcast_to(rotation_from_aim(tilt_deg=tilt_deg), (*shape, 3, 3))
    return Pose(a="airframe", b="recording", rotation=turn, translation_m=np.zeros((*shape, 3)))
