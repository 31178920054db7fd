"""A lens as tables: rays at even places of a picture, and places in the picture for even directions.

The browser knows no lens. It draws a grid whose corners carry these rays, and finds where a direction
lies in a picture from a table over the stereographic plane, (x, y) / (|ray| + z), where every lens is
smooth. Places are shares of the picture: (0, 0) its top left corner, (1, 1) its bottom right one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera, Rect

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

WIDE_CELLS = (128, 72)
FRAME_CELLS = (80, 48)
TABLE_CELLS = 64
_MARGIN = 0.08  # of the table beyond the picture
_FARTHEST = 8.0  # times a point's distance from the axis, as far as the end of the domain is looked for
_WIDEST_PLANE = 8.0  # of the stereographic plane: 166 degrees off the axis


@dataclass(frozen=True, kw_only=True, eq=False)
class Lensed:
    """A camera's picture as tables.

    Args:
        rays: (rows + 1, columns + 1, 4) float32, camera axes; past the end of the lens's domain they go on
            turning evenly. The fourth is by how much farther from the axis the domain ends, below 0 past it.
        table: (n + 1, n + 1, 2) float32, shares of the picture over ``low`` to ``high`` of the plane.
        end_cos: cosine of the largest angle off the axis that the lens images.
        centre: share of the picture where the axis meets it; a longer lens spreads places from there.
        focal_mm: that the tables are of.
    """

    rays: Floats32
    table: Floats32
    low: Floats
    high: Floats
    end_cos: float
    centre: Floats
    focal_mm: float


def lensed(camera: Camera, part: Rect, cells: tuple[int, int]) -> Lensed:
    """Tables of a part of a camera's raster."""
    across, down = np.linspace(part.left, part.right, cells[0] + 1), np.linspace(part.top, part.bottom, cells[1] + 1)
    rays, room = _rays(camera, np.stack(np.meshgrid(across, down), axis=-1))
    seen = rays[room >= 0] if (room >= 0).any() else rays.reshape(-1, 3)
    plane = _plane(seen)
    low, high = plane.min(axis=0), plane.max(axis=0)
    spare = np.maximum(high - low, 1e-6) * _MARGIN
    low, high = np.maximum(low - spare, -_WIDEST_PLANE), np.minimum(high + spare, _WIDEST_PLANE)
    x, y = (np.linspace(low[i], high[i], TABLE_CELLS + 1) for i in range(2))
    size = np.array([part.width, part.height])
    corner = np.array([part.left, part.top])
    table = (_places(camera, _directions(np.stack(np.meshgrid(x, y), axis=-1))) - corner) / size
    return Lensed(
        rays=np.concatenate([rays, room[..., None]], axis=-1).astype(np.float32),
        table=table.astype(np.float32),
        low=low,
        high=high,
        end_cos=math.cos(min(camera.lens.end_rad, math.pi)),
        centre=(np.array(camera.centre_px) - corner) / size,
        focal_mm=camera.lens.focal_mm,
    )


def ladder(camera: Camera, part: Rect, focals_mm: list[float]) -> list[Lensed]:
    """Tables of a part for some focal lengths of the same lens."""
    return [lensed(replace(camera, lens=replace(camera.lens, focal_mm=f)), part, FRAME_CELLS) for f in focals_mm]


def _plane(rays: Floats) -> Floats:
    out: Floats = rays[..., :2] / np.maximum(np.linalg.norm(rays, axis=-1) + rays[..., 2], 1e-6)[..., None]
    return out


def _directions(plane: Floats) -> Floats:
    """Unit rays (..., 3) of places (..., 2) on the stereographic plane."""
    square = np.square(plane).sum(axis=-1)
    return np.asarray(np.concatenate([2 * plane, (1 - square)[..., None]], axis=-1) / (1 + square)[..., None])


def _turned_out(rays: Floats, angle: Floats) -> Floats:
    """Rays with their side of the axis at other angles off it."""
    side = rays[..., :2] / np.maximum(np.hypot(rays[..., 0], rays[..., 1]), 1e-12)[..., None]
    return np.concatenate([np.sin(angle)[..., None] * side, np.cos(angle)[..., None]], axis=-1)


def _rays(camera: Camera, points: Floats) -> tuple[Floats, Floats]:
    """Rays of points, those past the lens's domain at an angle that grows evenly with the radius, and the room to its end."""
    rays, ok = camera.unproject(points)
    if ok.all():
        return rays, np.ones(ok.shape)
    away = points - camera.centre_px
    inside, outside = np.zeros(ok.shape), np.full(ok.shape, _FARTHEST)
    for _ in range(40):
        middle = (inside + outside) / 2
        good = camera.unproject(camera.centre_px + away * middle[..., None])[1]
        inside, outside = np.where(good, middle, inside), np.where(good, outside, middle)
    edge, _ = camera.unproject(camera.centre_px + away[~ok] * inside[~ok][:, None])
    end = camera.lens.end_rad
    angle = np.clip(end / np.maximum(inside[~ok], 1e-6), end, max(end, math.pi - 1e-3))
    rays[~ok] = _turned_out(np.nan_to_num(edge), np.minimum(angle, math.pi - 1e-3))
    return rays, inside - 1


def _places(camera: Camera, rays: Floats) -> Floats:
    """Pixels of rays, those past the lens's domain at a radius that grows evenly with the angle."""
    points, ok = camera.project(rays)
    if ok.all():
        return points
    angle = np.arctan2(np.hypot(rays[..., 0], rays[..., 1]), rays[..., 2])[~ok]
    end = camera.lens.end_rad * (1 - 1e-6)
    end = min(end, math.radians(89)) if math.isinf(camera.lens.end_mm) and camera.lens.end_rad <= math.pi / 2 else min(end, math.radians(175))
    at_end, _ = camera.project(_turned_out(rays[~ok], np.full(angle.shape, end)))
    points[~ok] = camera.centre_px + (at_end - camera.centre_px) * (angle / end)[:, None]
    return points
