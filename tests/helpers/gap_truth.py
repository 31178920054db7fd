"""A second way to every figure of a gap: rays cast at meshes with Embree, through the lens's inverse."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import trimesh
from trimesh.ray.ray_pyembree import RayMeshIntersector

from framematch.compare import Opening, Run
from framematch.geometry.camera import Camera, Display, Rect, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing

RASTER = (5760, 3036)
SENSOR_MM = (24.89, 13.12)
REACH_M = 400.0
LENSES = {
    "straight": Lens(projection="rectilinear", focal_mm=18),
    "distorted": Lens(projection="brown-conrady", focal_mm=16, k=(-0.08, 0.012), p=(0.001, -0.0015)),
    "fisheye": Lens(projection="equisolid", focal_mm=9),
    "kannala": Lens(projection="kannala-brandt", focal_mm=11, k=(-0.03, 0.004)),
}


def camera_of(lens: Lens, raster_px: tuple[int, int] = RASTER) -> Camera:
    return Camera(lens=lens, sensor_mm=SENSOR_MM, raster_px=raster_px)


def frame_of(raster_px: tuple[int, int] = RASTER) -> Rect:
    return frame_in(raster_px, aspect=2.39, keep_percent=92)


def pairing_of(lens: Lens, **changes: object) -> Pairing:
    """The glasshouse pairing with another recording lens."""
    values: dict[str, object] = {
        "title": "Glasshouse pane",
        "recording": camera_of(lens),
        "frame": frame_of(),
        "monitoring": Camera(lens=Lens(projection="equidistant", focal_mm=2.8647), sensor_mm=(5.9, 4.425), raster_px=(1440, 1080)),
        "display": Display(raster_px=(1280, 720), source_px=(1440, 1080)),
        "near_m": 1.5,
        "far_m": 30.0,
        "f_number": 8.0,
        "keep_percent": 92.0,
    }
    return Pairing(**{**values, **changes})  # type: ignore[arg-type]


_KEPT: dict[int, tuple[trimesh.Trimesh, RayMeshIntersector]] = {}


def _intersector(mesh: trimesh.Trimesh) -> RayMeshIntersector:
    """Kept with its mesh, so that no other mesh gets the same id."""
    if id(mesh) not in _KEPT:
        _KEPT[id(mesh)] = (mesh, RayMeshIntersector(mesh))
    return _KEPT[id(mesh)][1]


def hits(mesh: trimesh.Trimesh, origin: np.ndarray, rays: np.ndarray) -> np.ndarray:
    """Nearest hit point (n, 3) of each ray, NaN where it misses."""
    out = np.full((len(rays), 3), np.nan)
    where, index, _ = _intersector(mesh).intersects_location(np.broadcast_to(origin, rays.shape), rays, multiple_hits=False)
    out[index] = where
    return out


@lru_cache(maxsize=8)
def wall_of(gap: Opening, reach_m: float = REACH_M) -> trimesh.Trimesh:
    """A thin wall in the plane of the gap with a rectangular hole, as four plates, in gap axes."""
    w, h = gap.width_m / 2, gap.height_m / 2
    plates = [
        (-reach_m, -reach_m, -w, reach_m),
        (w, -reach_m, reach_m, reach_m),
        (-w, -reach_m, w, -h),
        (-w, h, w, reach_m),
    ]
    corners, faces = [], []
    for i, (x0, y0, x1, y1) in enumerate(plates):
        corners += [(x0, y0, 0), (x1, y0, 0), (x1, y1, 0), (x0, y1, 0)]
        faces += [(4 * i, 4 * i + 1, 4 * i + 2), (4 * i, 4 * i + 2, 4 * i + 3)]
    return trimesh.Trimesh(corners, faces, process=False)


def seen_wall(camera: Camera, gap: Opening, run: Run, pixels: np.ndarray, distance_m: float) -> np.ndarray:
    """Where the rays of pixels (n, 2) hit the wall, in gap axes; NaN through the hole.

    Rays that pass beyond the ends of the mesh count as meeting the wall far out.
    """
    rays, ok = camera.unproject(pixels)
    found = np.full((len(pixels), 3), 1e9)
    at, ahead = run.camera_m(distance_m), rays[ok] @ run.opening_from_camera.T
    found[ok] = hits(wall_of(gap), at, ahead)
    with np.errstate(all="ignore"):
        along = -at[2] / ahead[:, 2]
        past = ~(along > 0) | ~(np.abs(at[:2] + along[:, None] * ahead[:, :2]).max(axis=1) < REACH_M)
    found[np.flatnonzero(ok)[past]] = 1e9
    return found


def pixel_grid(part: Rect, columns: int, rows: int) -> np.ndarray:
    """A place in each cell of a grid, at random so that straight edges do not fall in step with the rows."""
    rng = np.random.default_rng(7)
    x = part.left + part.width * (np.arange(columns) + rng.random((rows, columns))) / columns
    y = part.top + part.height * (np.arange(rows)[:, None] + rng.random((rows, columns))) / rows
    return np.stack([x, y], axis=-1).reshape(-1, 2)


def border_band(frame: Rect, reach_px: int = 4) -> np.ndarray:
    """Centres of all pixels up to ``reach_px`` either side of a frame's border, whole pixels from its edges."""
    across = np.arange(-reach_px, round(frame.width) + reach_px) + 0.5
    down = np.arange(-reach_px, round(frame.height) + reach_px) + 0.5
    near = np.concatenate([np.arange(-reach_px, reach_px) + 0.5])
    parts = [
        np.stack(np.meshgrid(frame.left + near, frame.top + down), axis=-1),
        np.stack(np.meshgrid(frame.right + near, frame.top + down), axis=-1),
        np.stack(np.meshgrid(frame.left + across, frame.top + near), axis=-1),
        np.stack(np.meshgrid(frame.left + across, frame.bottom + near), axis=-1),
    ]
    return np.concatenate([p.reshape(-1, 2) for p in parts])
