"""Props and parts of the airframe in the recorded frame, and the tilts that keep them out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from framematch.compare.seen import area_in, cone_rad, project_held
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.mount import rotation_from_aim
from framematch.shot.aircraft import Aircraft, Part, Prop

Floats = NDArray[np.float64]

TILTS_DEG = (-90.0, 90.0)
_STEPS = 8


@dataclass(frozen=True, kw_only=True)
class InShot:
    """A prop or part in the frame.

    Args:
        area_percent: of the frame that it covers.
        reach_percent: how far from the frame's border it comes in, of the frame's height.
        sides: borders that it crosses.
    """

    name: str
    area_percent: float
    reach_percent: float
    sides: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PropsReport:
    """What of the airframe is in the frame.

    Args:
        in_shot: each that is.
        total_percent: of the frame covered by all of them together.
        clear_tilts_deg: camera tilts against the airframe (low, high) with nothing in the frame.
    """

    in_shot: tuple[InShot, ...]
    total_percent: float
    clear_tilts_deg: tuple[tuple[float, float], ...]


def silhouette(points: ArrayLike) -> Floats:
    """Outline as rays (m, 3) of the convex hull of points (n, 3), seen from the origin outside it."""
    from scipy.spatial import ConvexHull

    rays = np.asarray(points, dtype=np.float64)
    rays = rays / np.linalg.norm(rays, axis=1, keepdims=True)
    towards = rays.mean(axis=0)
    for _ in range(10_000):  # a direction with all of it ahead: there is one, the body being convex
        ahead = rays @ towards
        if ahead.min() > 1e-6 * np.linalg.norm(towards):
            break
        towards = towards / np.linalg.norm(towards) + 0.2 * rays[ahead.argmin()]
    towards /= np.linalg.norm(towards)
    side = np.cross(towards, np.eye(3)[np.abs(towards).argmin()])
    side /= np.linalg.norm(side)
    flat = np.stack([rays @ side, rays @ np.cross(towards, side)], axis=1) / (rays @ towards)[:, None]
    corner = rays[ConvexHull(flat).vertices]
    # Straight chords between directions would cut corners once a lens bends them.
    shares = np.arange(_STEPS)[:, None] / _STEPS
    after = np.roll(corner, -1, axis=0)
    out: Floats = (corner[:, None] * (1 - shares) + after[:, None] * shares).reshape(-1, 3)
    return out


def props_in_frame(camera: Camera, frame: Rect, aircraft: Aircraft) -> PropsReport:
    """Which props and parts show in the frame with the camera at its tilt, and at which tilts none does."""
    bodies: tuple[Prop | Part, ...] = (*aircraft.props, *aircraft.parts)
    if not bodies:
        return PropsReport(in_shot=(), total_percent=0.0, clear_tilts_deg=(TILTS_DEG,))
    outlines = [silhouette(b.points_mm) for b in bodies]
    cone = cone_rad(camera, frame)
    turn = rotation_from_aim(tilt_deg=aircraft.camera_tilt_deg)
    whole = shapely.box(*frame.as_tuple())
    found, covered = [], []
    for body, outline in zip(bodies, outlines, strict=True):
        shape = shapely.intersection(shapely.make_valid(shapely.Polygon(project_held(camera, outline @ turn, cone))), whole)
        if shape.area <= 1e-8 * whole.area:
            continue
        covered.append(shape)
        found.append(_in_shot(camera, frame, body.name, shape))
    total = shapely.union_all(covered).area if covered else 0.0
    return PropsReport(
        in_shot=tuple(found),
        total_percent=100 * float(total) / (frame.width * frame.height),
        clear_tilts_deg=_clear_tilts(camera, frame, outlines, cone),
    )


def _in_shot(camera: Camera, frame: Rect, name: str, shape: shapely.Geometry) -> InShot:
    points = shapely.get_coordinates(shape)
    per_mm = camera.pixels_per_mm / (camera.lens.squeeze, 1.0)
    inset = np.stack(
        [
            (points[:, 0] - frame.left) / per_mm[0],
            (points[:, 1] - frame.top) / per_mm[1],
            (frame.right - points[:, 0]) / per_mm[0],
            (frame.bottom - points[:, 1]) / per_mm[1],
        ],
        axis=1,
    )
    touched = np.asarray((inset < 1e-9 * frame.width).any(axis=0))
    return InShot(
        name=name,
        area_percent=100 * float(shape.area) / (frame.width * frame.height),
        reach_percent=100 * float(inset.min(axis=1).max()) / (frame.height / float(per_mm[1])),
        sides=tuple(side for side, is_touched in zip(("left", "top", "right", "bottom"), touched, strict=True) if is_touched),
    )


def _clear_tilts(camera: Camera, frame: Rect, outlines: list[Floats], cone: float) -> tuple[tuple[float, float], ...]:
    least = 1e-8 * frame.width * frame.height  # below it an area is rounding

    def clear(tilt_deg: float) -> bool:
        turn = rotation_from_aim(tilt_deg=tilt_deg)
        return all(float(area_in(project_held(camera, o @ turn, cone), frame)) <= least for o in outlines)

    grid = np.linspace(*TILTS_DEG, 181)
    good = [clear(t) for t in grid]

    def border(out: float, inside: float) -> float:
        while abs(out - inside) > 1e-4:
            middle = (out + inside) / 2
            out, inside = (out, middle) if clear(middle) else (middle, inside)
        return inside

    ranges, start = [], None
    for i, is_good in enumerate(good):
        if is_good and start is None:
            start = float(grid[0]) if i == 0 else border(float(grid[i - 1]), float(grid[i]))
        if start is not None and (not is_good or i == len(grid) - 1):
            stop = float(grid[-1]) if is_good else border(float(grid[i]), float(grid[i - 1]))
            ranges.append((start, stop))
            start = None
    return tuple(ranges)
