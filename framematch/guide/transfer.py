"""Carrying points from the recorded picture to the display and back, over a plane at a distance.

Distance is depth along the recording camera's axis. Everything takes its inverse, in 1/m: 0 is
infinity, and what parallax does is close to proportional to it.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.camera import Camera, Rect
from framematch.geometry.pairing import Pairing

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

EDGES = ("left", "top", "right", "bottom")
_FEW = 1000  # places


def inverse_m(distance_m: float) -> float:
    """1/distance; 0 for infinity."""
    return 0.0 if math.isinf(distance_m) else 1.0 / distance_m


def distance_from(inverse: float) -> float:
    """Distance in m of an inverse distance; infinite for 0."""
    return math.inf if inverse == 0 else 1.0 / inverse


def to_display(pairing: Pairing, recorded_px: ArrayLike, inverse: ArrayLike, *, beyond: bool = False) -> tuple[Floats, Mask]:
    """Where points of the recorded picture lie on the display.

    Args:
        recorded_px: (..., 2).
        inverse: inverse distance in 1/m, broadcast against the points (...).
        beyond: continue the map past the end of the monitoring lens, monotonically, instead of NaN.
            Such places are no picture of anything; they keep an area's border closed until it is cut.

    Returns:
        Display pixels (..., 2), on or off the display, and whether both lenses image the point.
    """
    rays, ok = _rays(pairing.recording, np.asarray(recorded_px, dtype=np.float64))
    depth = rays[..., 2]
    mount = pairing.mount
    shift = np.multiply(np.asarray(inverse, dtype=np.float64), np.maximum(depth, 0.0))[..., None] * mount.translation_m
    seen = (rays - shift) @ mount.recording_from_monitoring
    pixels, imaged = _project_beyond(pairing.monitoring, seen) if beyond else pairing.monitoring.project(seen)
    ok = ok & (depth > 0) & imaged
    if not beyond:
        pixels = np.where(ok[..., None], pixels, np.nan)
    return pairing.display.from_source(pixels), ok


def _rays(camera: Camera, px: Floats) -> tuple[Floats, Mask]:
    """The rays of places in a picture. Those of a few are kept: the same border is asked for at other distances and mounts."""
    return camera.unproject(px) if px.size > 2 * _FEW else _kept_rays(camera, px.shape, px.tobytes())


@lru_cache(maxsize=128)  # 3 MB
def _kept_rays(camera: Camera, shape: tuple[int, ...], px: bytes) -> tuple[Floats, Mask]:
    rays, ok = camera.unproject(np.frombuffer(px).reshape(shape))
    for kept in (rays, ok):
        kept.flags.writeable = False
    return rays, ok


def to_recorded(pairing: Pairing, display_px: ArrayLike, inverse: ArrayLike) -> tuple[Floats, Mask]:
    """Where points of the display lie in the recorded picture: the inverse of :func:`to_display`.

    Returns:
        Recorded pixels (..., 2), inside or outside the picture, and whether there is such a point:
        both lenses image it and it lies in front of the recording camera.
    """
    rays, ok = pairing.monitoring.unproject(pairing.display.to_source(display_px))
    toward = rays @ pairing.mount.recording_from_monitoring.T
    t = pairing.mount.translation_m
    inverse = np.asarray(inverse, dtype=np.float64)
    with np.errstate(all="ignore"):
        flat = toward[..., :2] / toward[..., 2:]
        on_plane = flat * (1 - inverse * t[2])[..., None] + inverse[..., None] * t[:2]
    pixels, imaged = pairing.recording.project(np.concatenate([on_plane, np.ones((*on_plane.shape[:-1], 1))], axis=-1))
    ok = ok & (toward[..., 2] > 0) & imaged
    return np.where(ok[..., None], pixels, np.nan), ok


def edge_error(frame: Rect, recorded_px: ArrayLike, edge: str) -> Floats:
    """Percent of the frame by which points (..., 2) lie outside one of its edges; - is inside."""
    p = np.asarray(recorded_px, dtype=np.float64)
    if edge == "left":
        return 100 * (frame.left - p[..., 0]) / frame.width
    if edge == "right":
        return 100 * (p[..., 0] - frame.right) / frame.width
    if edge == "top":
        return 100 * (frame.top - p[..., 1]) / frame.height
    return 100 * (p[..., 1] - frame.bottom) / frame.height


def _project_beyond(camera: Camera, rays: Floats) -> tuple[Floats, Mask]:
    end = min(camera.lens.end_rad * (1 - 1e-9), math.radians(89.0) if math.isinf(camera.lens.end_mm) and camera.lens.end_rad < 1.6 else math.pi)
    end = min(end, math.radians(179.0)) if math.isinf(camera.lens.end_mm) else end
    across = np.hypot(rays[..., 0], rays[..., 1])
    theta = np.arctan2(across, rays[..., 2])
    inside = theta <= end
    safe = np.maximum(across, 1e-300)
    at_end = np.stack([np.sin(end) * rays[..., 0] / safe, np.sin(end) * rays[..., 1] / safe, np.full_like(theta, np.cos(end))], axis=-1)
    pixels, _ = camera.project(np.where(inside[..., None], rays, at_end))
    stretch = np.where(inside, 1.0, theta / end)
    pixels = camera.centre_px + (pixels - camera.centre_px) * stretch[..., None]
    return pixels, camera.project(rays)[1]
