"""Where the horizon lies in the frame of a camera that leans."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera, Rect
from framematch.geometry.lens_local import camera_jacobian
from framematch.geometry.pose import Pose

Floats = NDArray[np.float64]

_ROUNDS = 40


def horizon_in(camera: Camera, frame: Rect, scene_from_camera: Pose) -> tuple[Floats, Floats]:
    """Height and roll of the horizon at the frame's middle column, for poses (...).

    The horizon is the plane through the camera that is level; the curvature of the earth is left out.

    Returns:
        Height in percent of the frame, 0 at its bottom edge and 100 at its top edge, outside that where it is off the
        frame; and its slope in degrees in the de-squeezed picture, + where its right end is lower (a camera
        banked right sees it -). NaN where the lens does not image it there.
    """
    turn = scene_from_camera.rotation
    ahead = turn[..., :, 2] * (1.0, 0.0, 1.0)
    size = np.linalg.norm(ahead, axis=-1, keepdims=True)
    with np.errstate(all="ignore"):
        ahead = np.where(size > 1e-9, ahead / size, np.nan)
    right = np.stack([-ahead[..., 2], np.zeros(ahead.shape[:-1]), ahead[..., 0]], axis=-1)
    f, r = (np.einsum("...ji,...j->...i", turn, way) for way in (ahead, right))
    middle = (frame.left + frame.right) / 2
    across = np.zeros(f.shape[:-1])
    for _ in range(_ROUNDS):
        ray = f + across[..., None] * r
        pixel, ok = camera.project(ray)
        slope = np.einsum("...ij,...j->...i", camera_jacobian(camera, ray)[0], r)
        with np.errstate(all="ignore"):
            step = np.where(ok, (middle - pixel[..., 0]) / slope[..., 0], 0.0)
        across = across + np.clip(np.nan_to_num(step), -1.0, 1.0)
        if np.abs(step[np.isfinite(step)]).max(initial=0.0) < 1e-12:
            break
    found = ok & (np.abs(pixel[..., 0] - middle) < 1e-3)
    per_mm = camera.pixels_per_mm
    down = per_mm[0] / (per_mm[1] * camera.lens.squeeze)
    height = 100 * (frame.bottom - pixel[..., 1]) / frame.height
    tilt = np.degrees(np.arctan2(slope[..., 1] * down, slope[..., 0]))
    return np.where(found, height, np.nan), np.where(found, tilt, np.nan)
