"""Motion blur of a camera that moves while the shutter is open.

The light of many moments is summed. Drawing each anew costs most, so only a few moments are drawn, and each stands
for its share of the exposure: its picture is moved along the way that each of its pixels goes in that
share, which follows from the pixel's distance and the camera's motion (dX/dt = -v - w x X, and the lens's own
derivative). How far that may be wrong (where something near uncovers something far) grows with the
way moved, so pixels go at most ``OWN_PX`` from a drawn picture nearly everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.lens_local import camera_jacobian
from framematch.geometry.pose import Pose
from framematch.render.keep import Kept
from framematch.render.picture import Picture
from framematch.render.pixels import pixel_rays
from framematch.render.shade import GAMMA

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bytes = NDArray[np.uint8]

OWN_PX = 10.0
STEP_PX = 2.0  # between the copies that one drawn picture is moved to
MOST_DRAWN = 48
_NEAREST_M = 0.05
_LINEAR = ((np.arange(256) / 255) ** GAMMA).astype(np.float32)
_SHADES = 65_536  # of light, so that the darkest steps of a picture stay apart
_SEEN = np.round(255 * (np.arange(_SHADES) / (_SHADES - 1)) ** (1 / GAMMA)).astype(np.uint8)


def _slopes(camera: Camera) -> tuple[Floats32, Floats32]:
    """Of each pixel's place (3, 2 x H x W) by the camera's velocity over the distance, and by its turn."""
    rays, ok = pixel_rays(camera)
    slope, imaged = camera_jacobian(camera, rays.astype(np.float64))
    slope = np.where((ok & imaged)[..., None, None], slope, 0.0)
    slope = np.where(np.isfinite(slope), slope, 0.0)
    x, y, z = np.moveaxis(np.nan_to_num(rays.astype(np.float64)), -1, 0)
    none = np.zeros_like(x)
    cross = np.stack([np.stack([none, -z, y], -1), np.stack([z, none, -x], -1), np.stack([-y, x, none], -1)], -2)  # of [ray] x
    by_velocity, by_turn = (np.ascontiguousarray(np.moveaxis(s, (-1, -2), (0, 1)), dtype=np.float32).reshape(3, -1) for s in (-slope, slope @ cross))
    return by_velocity, by_turn


_kept: Kept[tuple[Floats32, Floats32]] = Kept(limit_bytes=150_000_000, size=lambda v: v[0].nbytes + v[1].nbytes)


def ways_px(camera: Camera, distance_m: Floats32, before: Pose, after: Pose) -> Floats32:
    """How far across and down (2, H, W) each pixel of a picture goes between two poses of its camera, drawn half way between them."""
    by_velocity, by_turn = _kept.get(camera, lambda: _slopes(camera))
    step = before.inverse @ after  # the camera's motion in its own axes
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_matrix(step.rotation).as_rotvec()
    half = Rotation.from_rotvec(-turn / 2).as_matrix()  # the motion as seen from half way
    move = (half @ step.translation_m).astype(np.float32)
    # Not by matmul: its threads get in the way of other processes that draw.
    out: Floats32 = np.einsum("i,ij->j", move, by_velocity).reshape(2, *distance_m.shape)
    out *= _near(distance_m)
    out += np.einsum("i,ij->j", turn.astype(np.float32), by_turn).reshape(out.shape)
    return out


def _near(distance_m: Floats32) -> Floats32:
    """One over the distance; 0 for the sky and where the lens sees nothing."""
    out: Floats32 = np.nan_to_num(1 / np.maximum(distance_m, np.float32(_NEAREST_M)), nan=0.0, copy=False)
    return out


def drawn_moments(camera: Camera, distance_m: Floats32, before: Pose, after: Pose) -> int:
    """How many moments of an exposure are to be drawn: an odd number, so that its middle is one of them."""
    count = min(max(1, math.ceil(_far(ways_px(camera, distance_m, before, after)) / (2 * OWN_PX))), MOST_DRAWN)
    return count + 1 - count % 2


def _far(way_px: Floats32) -> float:
    """The length that nearly all ways keep within: all but what passes the lens closest."""
    return float(np.percentile(np.hypot(*way_px[:, 2::4, 2::4]), 99.7))


def _over_edges(way_px: Floats32, distance_m: Floats32) -> Floats32:
    """Ways in which what is nearer also reaches over its own edge: pixels beside it that are farther take its way."""
    import cv2

    reach = np.ones((2 * round(OWN_PX) + 1,) * 2, dtype=np.uint8)
    near = _near(distance_m)
    beside = cv2.dilate(near, reach) > 1.2 * near + 1e-3
    out = way_px.copy()
    for axis in (0, 1):
        most, least = cv2.dilate(way_px[axis], reach), cv2.erode(way_px[axis], reach)
        np.copyto(out[axis], np.where(most >= -least, np.maximum(most, 0), np.minimum(least, 0)), where=beside)
    return out


def exposed(
    camera: Camera,
    middle: Picture,
    pose_at: Callable[[float], Pose],
    draw: Callable[[Pose], Picture],
    *,
    exposure_s: float,
    time_s: float,
    moments: int | None = None,
) -> Bytes:
    """The picture (H, W, 3) of an exposure, summed in linear light.

    Args:
        middle: drawn at the middle of the exposure.
        pose_at: of this camera at a time.
        draw: a picture at a pose.
        moments: drawn, an odd number; None takes as many as the motion asks for.
    """
    import cv2

    if moments is None:
        moments = drawn_moments(camera, middle.distance_m, *(pose_at(time_s + side * exposure_s / 2) for side in (-1, 1)))
    height, width = middle.colour.shape[:2]
    share = exposure_s / moments
    total = np.zeros((height, width, 3), dtype=np.float32)
    for i in range(moments):
        at = time_s + (i - moments // 2) * share
        picture = middle if i == moments // 2 else draw(pose_at(at))
        way = _over_edges(ways_px(camera, picture.distance_m, pose_at(at - share / 2), pose_at(at + share / 2)), picture.distance_m)
        light: Any = cv2.LUT(picture.colour, _LINEAR)
        _add_moved(total, light, way, share=1 / moments)
    out: Bytes = _SEEN[np.minimum(total * (_SHADES - 1) + 0.5, _SHADES - 1).astype(np.uint16)]
    return out


def _add_moved(total: Floats32, light: Floats32, way_px: Floats32, *, share: float) -> None:
    """Add a picture, spread evenly along the way that each of its pixels goes."""
    import cv2

    copies = max(1, math.ceil(_far(way_px) / STEP_PX))
    light *= share / copies
    if copies == 1:
        total += light
        return
    step = way_px / np.float32(copies)
    down, across = np.indices(total.shape[:2], dtype=np.float32)
    across += step[0] * np.float32((copies - 1) / 2)
    down += step[1] * np.float32((copies - 1) / 2)
    for _ in range(copies):
        total += cv2.remap(light, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        across -= step[0]
        down -= step[1]
