"""Which perspective faces a lens needs, at which resolution, and where each pixel lies on them.

A rasteriser draws straight-line perspective only. A picture through any other lens is taken from one
perspective face, or from those faces of a cube around the camera that the lens sees, each no larger
than the part that is seen; all of them lie on one sheet, so a single resampling bends them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.camera import Camera
from framematch.render.keep import Kept
from framematch.render.pixels import pixel_rays

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

TEXELS, QUICK_TEXELS = 2.0, 1.0  # face pixels per picture pixel each way where they are fewest
_RUNG = math.sqrt(2)
_MARGIN = 3  # face pixels around what is seen, for the resampling's neighbours
_WIDEST_SINGLE = math.cos(math.radians(72))
_LARGEST_SHEET = 48_000_000
_LONGEST_SIDE = 16_000

# Rows are the face's right, down and out in camera axes.
_FRONT = np.eye(3)
_CUBE = (
    _FRONT,
    np.array([[0.0, 0, -1], [0, 1, 0], [1, 0, 0]]),  # right
    np.array([[0.0, 0, 1], [0, 1, 0], [-1, 0, 0]]),  # left
    np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]),  # down
    np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]),  # up
    np.array([[-1.0, 0, 0], [0, 1, 0], [0, 0, -1]]),  # back
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Face:
    """One perspective tile of the sheet.

    Args:
        face_from_camera: (3, 3).
        focal_px: pixels per unit of x/z.
        left_px, top_px: the tile's corner from the face's axis.
        column, row, width, height: the tile on the sheet.
    """

    face_from_camera: Floats
    focal_px: float
    left_px: float
    top_px: float
    width: int
    height: int
    column: int = 0
    row: int = 0

    @property
    def key(self) -> tuple[object, ...]:
        """Equal where the same is drawn at the same place."""
        return self.face_from_camera.tobytes(), self.focal_px, self.left_px, self.top_px, self.width, self.height, self.column, self.row


@dataclass(frozen=True, kw_only=True, eq=False)
class Plan:
    """Faces on a sheet and the place of each picture pixel there.

    Args:
        faces: tiles.
        sheet_px: width and height.
        x, y: (H, W) float32, the sheet's pixel centres on whole numbers (OpenCV's rule), far outside
            where the picture has no ray.
        forward: (H, W) float32, cosine between each ray and its face's axis.
    """

    faces: tuple[Face, ...]
    sheet_px: tuple[int, int]
    x: Floats32
    y: Floats32
    forward: Floats32

    @property
    def nbytes(self) -> int:
        return self.x.nbytes + self.y.nbytes + self.forward.nbytes


_kept: Kept[Plan] = Kept(limit_bytes=150_000_000, size=lambda plan: plan.nbytes)


def plan(camera: Camera, *, quick: bool = False) -> Plan:
    """The cheaper of one face and the cube's faces for a camera.

    Args:
        quick: fewer face pixels, and a single face on a ladder of fields and resolutions, so that a lens
            little longer or shorter takes the same face.
    """
    return _kept.get((camera, quick), lambda: _cheapest(camera, quick))


def _cheapest(camera: Camera, quick: bool) -> Plan:
    rays, ok = pixel_rays(camera)
    layouts: list[tuple[Floats, ...]] = [_CUBE]
    if ok.any() and rays[ok][:, 2].min() > _WIDEST_SINGLE:
        beside = np.maximum(np.abs(rays[..., 0]), np.abs(rays[..., 1]))[ok].max() > rays[ok][:, 2].min()
        layouts = [(_FRONT,), _CUBE] if beside else [(_FRONT,)]  # all on the cube's front face: that is the single face
    drafts = [_draft(rays, ok, layout, quick) for layout in layouts]
    return min(drafts, key=lambda p: p.sheet_px[0] * p.sheet_px[1])


def _draft(rays: Floats32, ok: NDArray[np.bool_], layout: tuple[Floats, ...], quick: bool) -> Plan:
    x, y = (np.full(ok.shape, -1e6, dtype=np.float32) for _ in range(2))
    axes = np.array([face[2] for face in layout], dtype=np.float32)
    along = rays @ axes.T
    which = np.where(ok, np.nan_to_num(along, nan=-2.0).argmax(axis=-1), -1)
    forward = np.nan_to_num(np.take_along_axis(along, np.maximum(which, 0)[..., None], axis=-1)[..., 0], nan=1.0)
    tiles: list[tuple[Face, NDArray[np.bool_]]] = []
    for index, face in enumerate(layout):
        mine = which == index
        if not mine.any():
            continue
        rows, columns = np.flatnonzero(mine.any(axis=1)), np.flatnonzero(mine.any(axis=0))
        box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        part, inside = rays[box], mine[box]
        with np.errstate(all="ignore"):
            flat = part @ face[:2].T.astype(np.float32) / (part @ face[2].astype(np.float32))[..., None]
        focal = (QUICK_TEXELS if quick else TEXELS) / _smallest_step(flat, inside)
        low, high = flat[inside].min(axis=0), flat[inside].max(axis=0)
        if quick and len(layout) == 1:
            focal, low, high = float(_rung(focal, up=True)), _rung(low, up=low < 0), _rung(high, up=high > 0)
        focal = min(focal, math.sqrt(_LARGEST_SHEET / len(layout) / float(np.prod(np.maximum(high - low, 1e-9)))))
        focal = min(focal, (_LONGEST_SIDE / 2 - 8) / float((high - low).max()))
        left, top = np.floor(low * focal) - _MARGIN
        width, height = (np.ceil(high * focal) + _MARGIN - (left, top)).astype(int)
        x[box] = np.where(inside, flat[..., 0] * focal - left, x[box])
        y[box] = np.where(inside, flat[..., 1] * focal - top, y[box])
        tile = Face(face_from_camera=face, focal_px=focal, left_px=left, top_px=top, width=int(width), height=int(height))
        tiles.append((tile, mine))
    return _packed(tiles, x, y, forward)


def _rung(value: ArrayLike, *, up: ArrayLike) -> Floats:
    """The next rung of a ladder away from 0 (up) or towards it."""
    size = np.log(np.maximum(np.abs(value), 1e-9)) / math.log(_RUNG)
    out: Floats = np.sign(value) * _RUNG ** np.where(up, np.ceil(size), np.floor(size))
    return out


def _smallest_step(flat: Floats32, inside: NDArray[np.bool_]) -> float:
    """How far apart on the unit plane neighbouring pixels are where they are closest (to one in twenty)."""
    steps = []
    for axis in (0, 1):
        both = inside & np.roll(inside, -1, axis)
        both[(-1, slice(None)) if axis == 0 else (slice(None), -1)] = False
        step = np.linalg.norm(np.roll(flat, -1, axis) - flat, axis=-1)[both]
        if step.size:
            steps.append(float(np.quantile(step, 0.05)))
    return max(min(steps, default=1.0), 1e-9)


def _packed(tiles: list[tuple[Face, NDArray[np.bool_]]], x: Floats32, y: Floats32, forward: Floats32) -> Plan:
    """Tiles on shelves, tallest first, moved to their places."""
    tiles = sorted(tiles, key=lambda tile: -tile[0].height)
    area = sum(t.width * t.height for t, _ in tiles)
    across = max([t.width for t, _ in tiles] + [math.isqrt(int(area * 1.5))])
    placed, column, row, shelf = [], 0, 0, 0
    for tile, mine in tiles:
        if column and column + tile.width > across:
            column, row, shelf = 0, row + shelf, 0
        placed.append(Face(**{**tile.__dict__, "column": column, "row": row}))
        x[mine] += column - 0.5
        y[mine] += row - 0.5
        column, shelf = column + tile.width, max(shelf, tile.height)
    width = max((f.column + f.width for f in placed), default=1)
    height = max((f.row + f.height for f in placed), default=1)
    for array in (x, y, forward):
        array.flags.writeable = False
    return Plan(faces=tuple(placed), sheet_px=(width, height), x=x, y=y, forward=forward)
