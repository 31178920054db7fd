"""A hidden cut: the run ends in a quick pan, the second camera begins in one, and both are alike where they meet.

Alike are the horizontal angle (by the second lens), the blur (by the speed of its pan), and the horizon's height
and slope (by its tilt and roll). The second camera is taken to stand where the run is at the cut, at its height: what hides
or shows the cut is then the pan alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.compare.second import match_second, pan_rad_s
from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.shot.horizon import horizon_in
from framematch.shot.lean import attitude_deg
from framematch.shot.place import standing
from framematch.shot.shot import Shot
from framematch.shot.values import Second
from framematch.shot.way import Way

Floats = NDArray[np.float64]

BLUR_PERCENT = 20.0  # of the frame's width at the cut: enough to hide one (practice)
PAN_S, HOLD_S = 0.4, 1.0  # the pan before and after the cut, and the hold after it


@dataclass(frozen=True, kw_only=True, eq=False)
class Cut:
    """Two cameras' ways that meet.

    Args:
        time_s: of the cut, on the run's own clock.
        second, second_camera: its frame and exposure, and the camera with the lens that matches.
        pan_deg_s, second_pan_deg_s: each camera's pan at the cut, to the right.
        tilt_deg, roll_deg: of the second camera.
    """

    way: Way
    time_s: float
    second: Second
    second_camera: Camera
    pan_deg_s: float
    second_pan_deg_s: float
    tilt_deg: float
    roll_deg: float

    @property
    def duration_s(self) -> float:
        """Of the whole film."""
        return self.time_s + PAN_S + HOLD_S

    def before(self, time_s: float) -> Pose:
        """``scene_from_recording`` of the run with its pan, up to the cut (and, for the blur, a little past it)."""
        share = max((time_s - self.time_s + PAN_S) / PAN_S, 0.0)
        return _turned(self.way.pose(time_s), self.pan_deg_s * PAN_S * share**4 / 4)

    def after(self, time_s: float) -> Pose:
        """``scene_from_recording`` of the second camera from the cut on."""
        at = self.before(self.time_s)
        share = min(max((time_s - self.time_s) / PAN_S, -1.0), 1.0)
        gone = self.second_pan_deg_s * PAN_S * (1 - (1 - share) ** 4) / 4
        heading, _, _ = attitude_deg(at)
        return standing(tuple(at.translation_m), heading_deg=float(heading) + gone, pitch_deg=self.tilt_deg, bank_deg=self.roll_deg)


def cut_of(shot: Shot, pairing: Pairing, way: Way, *, blur_percent: float = BLUR_PERCENT) -> Cut:
    """The cut where the run is ``second.at_m`` before the opening, or at its end.

    Raises:
        InputError: no second camera, no lens of it has the angle, or the horizon can't be matched.
    """
    if shot.second is None:
        raise InputError("there is no second camera to cut to", field="second", fix="add [second] with sensor_mm or format")
    second = shot.second
    time = _time_of(shot, way, second.at_m)
    matched = match_second(
        pairing.recording,
        pairing.frame,
        shot.opening,
        shot.run,
        second=second.camera,
        second_frame=second.frame,
        second_shutter_s=second.shutter_s,
        at_m=second.at_m,
    )
    camera = replace(second.camera, lens=replace(second.camera.lens, focal_mm=matched.focal_mm))
    pan = pan_rad_s(pairing.recording, pairing.frame, blur_share=blur_percent / 100, shutter_s=shot.run.shutter_s)
    second_pan = pan_rad_s(camera, second.frame, blur_share=blur_percent / 100, shutter_s=second.shutter_s)
    there = way.pose(time)
    height, _ = horizon_in(pairing.recording, pairing.frame, there)
    _, _, roll = attitude_deg(there)
    tilt = _tilt_for(camera, second.frame, float(height), float(roll))
    return Cut(
        way=way,
        time_s=time,
        second=second,
        second_camera=camera,
        pan_deg_s=math.degrees(pan),
        second_pan_deg_s=math.degrees(second_pan),
        tilt_deg=tilt,
        roll_deg=float(roll),
    )


def _tilt_for(camera: Camera, frame: Rect, height_percent: float, roll_deg: float) -> float:
    """Tilt of a camera rolled by so much that puts the horizon at a height of its frame."""
    from scipy.optimize import brentq

    def off(tilt_deg: float) -> float:
        return float(horizon_in(camera, frame, standing((0, 0, 0), pitch_deg=tilt_deg, bank_deg=roll_deg))[0]) - height_percent

    grid = np.linspace(-80, 80, 65)
    values = np.array([off(t) for t in grid])
    falls = np.flatnonzero((values[:-1] >= 0) & (values[1:] < 0))
    if not len(falls):
        raise InputError("the horizon is nowhere near the frame at the cut", field="second.at_m", fix="cut where the run shows it")
    return float(brentq(off, grid[falls[0]], grid[falls[0] + 1], xtol=1e-9))


def _time_of(shot: Shot, way: Way, at_m: float) -> float:
    times = np.linspace(0, way.duration_s, 2001)
    before = np.array([-(shot.opening.scene_from_opening.inverse @ way.pose(float(t))).translation_m[2] for t in times])
    passed = np.flatnonzero((before[:-1] > at_m) & (before[1:] <= at_m))
    return float(times[passed[0] + 1]) if len(passed) else way.duration_s


def _turned(pose: Pose, right_deg: float) -> Pose:
    """A pose turned to the right about the scene's upright through its own place."""
    c, s = math.cos(math.radians(right_deg)), math.sin(math.radians(right_deg))
    turn = np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]])
    return replace(pose, rotation=turn @ pose.rotation)
