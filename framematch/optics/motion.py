"""How it moves: image speed, blur and skew along a flight, and what a stabiliser can take out.

Points and velocities are in camera axes (+x right, +y down, +z out through the lens), metres and
seconds. A point that stands still moves in camera axes by minus the camera's velocity, and by minus
its rotation: dX/dt = -v - w x X.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.lens_local import camera_jacobian

Floats = NDArray[np.float64]


def image_velocity_px_s(camera: Camera, points_m: ArrayLike, *, velocity_m_s: ArrayLike, turn_rad_s: ArrayLike = (0.0, 0.0, 0.0)) -> Floats:
    """Velocity on the recorded raster of points that stand still, for a camera that moves.

    Args:
        points_m: (..., 3) in camera axes.
        velocity_m_s: (..., 3) of the camera, in its own axes.
        turn_rad_s: (..., 3) turn of the camera about its own axes (right-handed: +y pans right).

    Returns:
        (..., 2) pixels per second; NaN outside the lens's domain.
    """
    points = np.asarray(points_m, dtype=np.float64)
    motion, turn = -np.asarray(velocity_m_s, dtype=np.float64), np.asarray(turn_rad_s, dtype=np.float64)
    if turn.any():
        motion = motion - np.cross(turn, points)
    jacobian, _ = camera_jacobian(camera, points)
    out: Floats = np.einsum("...ij,...j->...i", jacobian, motion)
    return out


def in_frame_widths(camera: Camera, frame: Rect, vectors_px: ArrayLike) -> Floats:
    """Lengths (...) of vectors (..., 2) on the raster, in widths of the frame as shown (de-squeezed)."""
    vectors = np.asarray(vectors_px, dtype=np.float64)
    per_mm = camera.pixels_per_mm
    down = per_mm[0] / (per_mm[1] * camera.lens.squeeze)  # a row's height in columns, once de-squeezed
    out: Floats = np.hypot(vectors[..., 0], vectors[..., 1] * down) / frame.width
    return out


def angular_speed_rad_s(*, speed_m_s: ArrayLike, range_m: ArrayLike, angle_rad: ArrayLike) -> Floats:
    """Angular speed of a point at a range and an angle off the flight line: v sin(angle) / range."""
    out: Floats = np.asarray(speed_m_s, dtype=np.float64) * np.sin(angle_rad) / np.asarray(range_m)
    return out


def shutter_s(*, shutter_deg: float, rate_fps: float) -> float:
    """Exposure time of a shutter angle at a frame rate: angle / (360 rate)."""
    if not 0 < shutter_deg <= 360:
        raise InputError(f"{shutter_deg} degrees is not a shutter angle", field="shutter_deg", fix="give above 0 to 360")
    if not (math.isfinite(rate_fps) and rate_fps > 0):
        raise InputError(f"{rate_fps} is not a frame rate", field="rate_fps", fix="give frames per second above 0")
    return shutter_deg / (360 * rate_fps)


def lean_deg(camera: Camera, *, across_px_s: ArrayLike, readout_s: float) -> Floats:
    """How far an upright line leans when it crosses the picture while the rows are read one by one.

    Args:
        across_px_s: its speed to the right, in pixels per second, any shape.
        readout_s: time from the first row to the last of the raster.

    Returns:
        Degrees in the de-squeezed picture, + when the foot of the line is ahead to the right.
    """
    columns_mm = np.asarray(across_px_s, dtype=np.float64) * readout_s / camera.pixels_per_mm[0] * camera.lens.squeeze
    out: Floats = np.degrees(np.arctan(columns_mm / camera.sensor_mm[1]))
    return out


@dataclass(frozen=True, kw_only=True)
class Margin:
    """How far the camera may turn, each by itself, before the kept part runs out of picture.

    Degrees either way. Turns that come together leave less; roll is also the bank from which the
    horizon can be levelled. 180 of roll: any.
    """

    pan_deg: float
    tilt_deg: float
    roll_deg: float


def stabiliser_margin(camera: Camera, kept: Rect) -> Margin:
    """Margin of a kept rectangle on the camera's raster.

    Pan and tilt are the angles between the edges of the raster and of the kept part, on the middle
    row and column, on the tighter side; roll is that of :func:`roll_margin_deg` for the de-squeezed
    picture turned about its middle.
    """
    whole = camera.picture
    x, y = (kept.left + kept.right) / 2, (kept.top + kept.bottom) / 2
    outer = [(whole.left, y), (whole.right, y), (x, whole.top), (x, whole.bottom)]
    inner = [(kept.left, y), (kept.right, y), (x, kept.top), (x, kept.bottom)]
    (a, ok_a), (b, ok_b) = camera.unproject(outer), camera.unproject(inner)
    angle = np.degrees(2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1)))
    angle = np.where(ok_a & ok_b, angle, np.nan)
    per_mm = camera.pixels_per_mm / (camera.lens.squeeze, 1.0)
    room = 2 * np.minimum([x - whole.left, y - whole.top], [whole.right - x, whole.bottom - y]) / per_mm
    roll = roll_margin_deg(kept_size=(kept.width / per_mm[0], kept.height / per_mm[1]), whole_size=(room[0], room[1]))
    return Margin(pan_deg=float(angle[:2].min()), tilt_deg=float(angle[2:].min()), roll_deg=roll)


def roll_margin_deg(*, kept_size: tuple[float, float], whole_size: tuple[float, float]) -> float:
    """Largest turn of a rectangle about its middle that keeps it inside another with the same middle.

    The largest phi up to which w cos phi + h sin phi <= W and w sin phi + h cos phi <= H hold
    without a break; 180 if they always do, 0 if the kept size does not even fit straight.
    """
    (w, h), (whole_w, whole_h) = kept_size, whole_size
    if w > whole_w * (1 + 1e-12) or h > whole_h * (1 + 1e-12):
        return 0.0
    diagonal, lean = math.hypot(w, h), math.atan2(h, w)
    across = lean - math.acos(min(whole_w / diagonal, 1.0)) if whole_w < diagonal else math.pi
    down = math.asin(min(whole_h / diagonal, 1.0)) - lean if whole_h < diagonal else math.pi
    return math.degrees(max(min(across, down), 0.0))
