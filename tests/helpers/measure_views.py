"""Rendered scenes for the check: textured walls, floor and boxes seen by two cameras, one ray to a pixel part."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from measure_scenes import Spoil, even_rays, spoiled
from scipy.spatial.transform import Rotation

from framematch.geometry.camera import Camera
from framematch.geometry.mount import Mount

NAMES = ("brick", "gravel", "grass", "coffee", "chelsea", "rocket", "hubble_deep_field", "immunohistochemistry", "astronaut", "cat")


@lru_cache(maxsize=16)
def texture(name: str) -> np.ndarray:
    """One of scikit-image's own pictures (those inside its wheel), grey."""
    import cv2
    import skimage.data

    picture = getattr(skimage.data, name)()
    return picture if picture.ndim == 2 else cv2.cvtColor(np.ascontiguousarray(picture[..., :3]), cv2.COLOR_RGB2GRAY)


@dataclass(frozen=True, kw_only=True, eq=False)
class Quad:
    """A textured rectangle: corner and the two sides from it, in recording axes, metres."""

    corner: np.ndarray
    across: np.ndarray
    down: np.ndarray
    picture: np.ndarray


def view(camera: Camera, mount: Mount | None, quads: list[Quad], rng: np.random.Generator, spoil: Spoil = Spoil(), fine: int = 2, gain: float = 1.0):  # noqa: B008
    """The still (height, width) of a scene, from the recording camera (no mount) or the monitoring camera."""
    import cv2

    width, height = camera.raster_px
    turn = np.eye(3) if mount is None else mount.recording_from_monitoring
    origin = np.zeros(3) if mount is None else mount.translation_m
    rays = even_rays(camera, *((np.arange(n * fine) + 0.5) / fine for n in (width, height)), turn.T)
    seen = np.isfinite(rays[..., 0])
    rays = np.where(seen[..., None], rays, 0).astype(np.float32)
    nearest = np.full(seen.shape, np.inf, dtype=np.float32)
    picture = np.full(seen.shape, 60, dtype=np.uint8)
    for quad in quads:
        away = quad.corner - origin
        normal = np.cross(quad.across, quad.down)
        to_u, to_v = (side / (side @ side) for side in (quad.across, quad.down))
        with np.errstate(all="ignore"):
            far = np.float32(away @ normal) / (rays @ normal.astype(np.float32))
            u = far * (rays @ to_u.astype(np.float32)) - np.float32(away @ to_u)
            v = far * (rays @ to_v.astype(np.float32)) - np.float32(away @ to_v)
            hit = seen & (far > 0) & (far < nearest) & (u >= 0) & (u <= 1) & (v >= 0) & (v <= 1)
        tall, wide = quad.picture.shape
        row, column = np.flatnonzero(hit.any(axis=1)), np.flatnonzero(hit.any(axis=0))
        if not len(row):
            continue
        part = slice(row[0], row[-1] + 1), slice(column[0], column[-1] + 1)
        sharp = cv2.remap(quad.picture, u[part] * wide - 0.5, v[part] * tall - 0.5, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        np.copyto(picture[part], sharp, where=hit[part])
        np.copyto(nearest, far, where=hit)
    small = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32)
    return spoiled(gain * small, camera, rng, spoil)


@lru_cache(maxsize=16)
def _tile(name: str) -> np.ndarray:
    import cv2

    return cv2.resize(texture(name), (420, 420), interpolation=cv2.INTER_AREA)


def tiled(rng: np.random.Generator, across: int, down: int) -> np.ndarray:
    """Several pictures side by side, each turned at random, so that a wall is never the same twice."""
    rows = []
    for _ in range(down):
        row = []
        for _ in range(across):
            row.append(np.rot90(_tile(str(rng.choice(NAMES))), rng.integers(4)))
        rows.append(np.hstack(row))
    return np.vstack(rows)


def room(rng: np.random.Generator) -> list[Quad]:
    """A back wall, a floor, two side walls and a few boxes' faces at random places."""
    back, half, floor, top = rng.uniform(4, 12), rng.uniform(2, 5), rng.uniform(1.0, 1.8), rng.uniform(1.5, 3.5)
    quads = [
        _quad((-half, -top, back), (2 * half, 0, 0), (0, top + floor, 0), tiled(rng, 5, 3)),
        _quad((-half, floor, 0.3), (2 * half, 0, 0), (0, 0, back), tiled(rng, 4, 5)),
        _quad((-half, -top, 0.3), (0, 0, back), (0, top + floor, 0), tiled(rng, 5, 3)),
        _quad((half, -top, 0.3), (0, 0, back), (0, top + floor, 0), tiled(rng, 5, 3)),
        _quad((-half, -top, 0.3), (2 * half, 0, 0), (0, 0, back), tiled(rng, 4, 5)),
    ]
    for _ in range(rng.integers(2, 6)):
        away = rng.uniform(1.6, back - 0.5)
        size = rng.uniform(0.3, 0.9, size=2)
        spin = Rotation.from_euler("y", rng.uniform(-40, 40), degrees=True)
        corner = np.array([rng.uniform(-0.6, 0.6) * away, rng.uniform(-0.2, 0.6) * floor - 0.2, away])
        quads.append(_quad(corner, spin.apply([size[0], 0, 0]), (0, size[1], 0), tiled(rng, 2, 2)))
    return quads


def _quad(corner, across, down, picture) -> Quad:
    return Quad(corner=np.asarray(corner, float), across=np.asarray(across, float), down=np.asarray(down, float), picture=picture)
