"""A flight as it was logged: times, places and what the log has of the attitude; what it lacks is worked out.

Places are smoothed by least squares (a spline of degree 5, one knot each 0.2 s or three lines) since a log's
places scatter, and twice differentiated scatter would swamp the lean. Angles the log has are taken as they
are; missing ones come from the heading along the path and from the lean. Between lines the attitude is
SciPy's ``RotationSpline``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.shot.lean import Flying, attitude_deg, scene_from_airframe, specific_thrust_m_s2
from framematch.shot.path import FASTEST_M_S, LONGEST_S, Motion

Floats = NDArray[np.float64]

ANGLES = ("roll_deg", "pitch_deg", "yaw_deg")
FEWEST_LINES, MOST_LINES = 8, 200_000
KNOT_S = 0.2
_LONGEST_GAP_S = 0.5
_STANDING_M_S = 0.3  # slower than this a log's direction of motion is scatter


@dataclass(frozen=True, kw_only=True, eq=False)
class Log:
    """One logged flight.

    Args:
        times_s: (N,), rising.
        points_m: (N, 3) of the recording camera, scene axes.
        angles_deg: any of roll (+ right side down), pitch (+ nose up) and yaw (right of -Z) of the airframe, (N,)
            each; turned first, then pitched, then rolled.

    Raises:
        InputError: times that run back, gaps, too few lines, or figures that are no flight.
    """

    times_s: Floats
    points_m: Floats
    angles_deg: Mapping[str, Floats] = field(default_factory=dict)

    def __post_init__(self) -> None:
        times, points = np.asarray(self.times_s, dtype=np.float64), np.asarray(self.points_m, dtype=np.float64)
        if not FEWEST_LINES <= len(times) <= MOST_LINES:
            raise InputError(f"{len(times)} lines are not a flight log", field="time_s", fix=f"give {FEWEST_LINES} to {MOST_LINES:,}")
        if points.shape != (len(times), 3) or any(a.shape != times.shape for a in self.angles_deg.values()):
            raise InputError("columns are of different lengths", fix="give every line a figure for every column")
        if not all(np.isfinite(a).all() for a in (times, points, *self.angles_deg.values())) or np.abs(points).max() > 1e5:
            raise InputError("holds figures that are not finite, or places farther than 100 km", fix="clean the log")
        if unknown := set(self.angles_deg) - set(ANGLES):
            raise InputError(f"{sorted(unknown)[0]} is not an angle here", fix=f"use {', '.join(ANGLES)}")
        steps = np.diff(times)
        if (steps <= 0).any():
            i = int((steps <= 0).argmax())
            raise InputError(
                f"time runs back, from {times[i]:g} s to {times[i + 1]:g} s in line {i + 2} of the figures",
                field="time_s",
                fix="put the lines in order, each time once",
            )
        most = max(_LONGEST_GAP_S, 5 * float(np.median(steps)))
        if steps.max() > most:
            i = int(steps.argmax())
            raise InputError(f"has a gap of {steps[i]:.2g} s after {times[i]:g} s", field="time_s", fix="cut the log there and take one part")
        if times[-1] - times[0] > LONGEST_S:
            raise InputError(f"lasts {times[-1] - times[0]:.0f} s", field="time_s", fix=f"cut out at most {LONGEST_S:.0f} s")
        speeds = np.linalg.norm(np.diff(points, axis=0), axis=1) / steps
        if np.percentile(speeds, 90) > FASTEST_M_S:
            raise InputError(f"moves at {np.percentile(speeds, 90):.0f} m/s", field="x_m, y_m, z_m", fix="check the columns' units")
        object.__setattr__(self, "times_s", times - times[0])
        object.__setattr__(self, "points_m", points)

    @property
    def duration_s(self) -> float:
        return float(self.times_s[-1])

    @property
    def length_m(self) -> float:
        """Of the smoothed way."""
        return float(np.linalg.norm(np.diff(self.at(np.linspace(0, self.duration_s, 2001)).position_m, axis=0), axis=1).sum())

    @property
    def scatter_m(self) -> float:
        """Root of the mean square distance of the logged places from the smoothed way."""
        return float(np.sqrt(((self.at(self.times_s).position_m - self.points_m) ** 2).sum(axis=1).mean()))

    def at(self, times_s: ArrayLike) -> Motion:
        """Smoothed position and its derivatives at times (...); outside the log those of its ends."""
        t = np.clip(np.asarray(times_s, dtype=np.float64), 0.0, self.duration_s)
        return Motion(**{name: curve(t) for name, curve in zip(Motion.__dataclass_fields__, self._curves, strict=True)})

    def heading_rad(self, times_s: ArrayLike) -> Floats:
        """Logged yaw, or else the direction of level motion (held where it stands), at times (...)."""
        t = np.clip(np.asarray(times_s, dtype=np.float64), 0.0, self.duration_s)
        return np.interp(t, self.times_s, self._yaw_rad)

    def rotation(self, times_s: ArrayLike, flying: Flying) -> Floats:
        """The airframe's axes in scene axes (..., 3, 3) at times (...)."""
        t = np.clip(np.asarray(times_s, dtype=np.float64), 0.0, self.duration_s)
        if set(self.angles_deg) >= {"roll_deg", "pitch_deg"}:  # nothing left to work out but the heading
            angles = {"yaw": np.degrees(self._yaw_rad), "pitch": self.angles_deg["pitch_deg"], "roll": self.angles_deg["roll_deg"]}
        else:
            motion = self.at(self.times_s)
            yaw, pitch, roll = attitude_deg(scene_from_airframe(motion.position_m, specific_thrust_m_s2(motion, flying), self._yaw_rad))
            angles = {"yaw": yaw, "pitch": self.angles_deg.get("pitch_deg", pitch), "roll": self.angles_deg.get("roll_deg", roll)}
        out: Floats = _spline(self.times_s, angles["yaw"], angles["pitch"], angles["roll"])(t.ravel()).as_matrix().reshape(*t.shape, 3, 3)
        # SciPy's axes here are the level airframe's (+x right, +y down, +z ahead): the scene's turned half round x.
        return np.asarray(np.diag([1.0, -1.0, -1.0]) @ out)

    @cached_property
    def _yaw_rad(self) -> Floats:
        if "yaw_deg" in self.angles_deg:
            return np.asarray(np.unwrap(np.radians(self.angles_deg["yaw_deg"])))
        velocity = self.at(self.times_s).velocity_m_s
        moving = np.hypot(velocity[:, 0], velocity[:, 2]) > _STANDING_M_S
        if not moving.any():
            return np.zeros(len(velocity))
        along = np.unwrap(np.arctan2(velocity[moving, 0], -velocity[moving, 2]))
        return np.asarray(np.interp(self.times_s, self.times_s[moving], along))

    @cached_property
    def _curves(self) -> tuple[Any, ...]:
        from scipy.interpolate import make_lsq_spline

        step = max(KNOT_S, 3 * float(np.diff(self.times_s).max()))
        inner = np.linspace(0, self.duration_s, max(2, int(self.duration_s / step) + 1))[1:-1]
        knots = np.concatenate([np.zeros(6), inner, np.full(6, self.duration_s)])
        try:
            whole = make_lsq_spline(self.times_s, self.points_m, knots, k=5)
        except (ValueError, np.linalg.LinAlgError):
            raise InputError("has too few lines to be smoothed", field="time_s", fix="take a longer part of the log") from None
        return tuple(whole.derivative(n) if n else whole for n in range(5))


def _spline(times: Floats, yaw: Floats, pitch: Floats, roll: Floats) -> Any:
    from scipy.spatial.transform import Rotation, RotationSpline

    return RotationSpline(times, Rotation.from_euler("YXZ", np.stack([yaw, pitch, roll], axis=-1), degrees=True))
