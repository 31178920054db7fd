"""The ray caster: embreex, a ray per pixel straight through the lens, more where the picture needs them.

It shares the lens, the light and the meaning of colours with the rasteriser and nothing else, and
serves where there is no GL. Pixels at the edges of what is seen are sampled again on a grid in each; a
texture is read at the size that fits the pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.camera import Camera
from framematch.render.keep import Kept
from framematch.render.picture import Picture
from framematch.render.pixels import pixel_rays
from framematch.render.shade import lit_corners, sky
from framematch.scene.model import Light, Scene, Surface

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Ints = NDArray[np.int32]
Mask = NDArray[np.bool_]

_BLOCK = 65_536  # rays at a time, so that what is worked on stays small
_GRID = 3  # samples per pixel each way where one is not enough
_CONTRAST = 5 / 255
_JUMP = 0.03  # relative step in depth between neighbours that is an edge


@dataclass(frozen=True, kw_only=True, eq=False)
class _Caster:
    """A scene ready for rays: embree's tree, colours in their light, and the texture at halving sizes."""

    surface: Surface  # held so that its id, the key, is not used again
    tree: Any
    origin: Floats
    corners: Floats32
    even: Mask
    uv: Floats32 | None
    texels_per_m: Floats32 | None
    levels: tuple[Floats32, ...]

    @property
    def nbytes(self) -> int:
        # Embree's own tree is about as large again as a hundred bytes a triangle.
        return 200 * len(self.corners) + sum(level.nbytes for level in self.levels)


_kept: Kept[_Caster] = Kept(limit_bytes=700_000_000, size=lambda caster: caster.nbytes)


def render(scene: Scene, camera: Camera, scene_from_camera: Floats) -> Picture:
    """A picture through any lens; safe to call from many threads at once."""
    caster = _caster(scene)
    rays, ok = pixel_rays(camera)
    height, width = ok.shape
    turn = scene_from_camera[:3, :3].astype(np.float32)
    eye = (scene_from_camera[:3, 3] - caster.origin).astype(np.float32)
    colour = np.zeros((height, width, 3), dtype=np.float32)
    distance = np.full((height, width), np.nan, dtype=np.float32)
    face = np.full((height, width), -2, dtype=np.int32)
    spread = _pixel_angle(rays)
    flat_rays, flat_ok = rays.reshape(-1, 3), np.flatnonzero(ok)
    for start in range(0, len(flat_ok), _BLOCK):
        part = flat_ok[start : start + _BLOCK]
        shade = _sample(caster, scene.light, eye, flat_rays[part] @ turn.T, spread.reshape(-1)[part])
        colour.reshape(-1, 3)[part], distance.reshape(-1)[part], face.reshape(-1)[part] = shade
    _refine(caster, scene.light, eye, turn, rays, ok, spread, colour, distance, face)
    return Picture(colour=np.clip(colour * 255 + 0.5, 0, 255).astype(np.uint8), distance_m=distance, renderer="rays")


def first_hits(scene: Scene, origin_m: Floats, directions: Floats) -> Floats:
    """Distances (N,) from one place along unit directions (N, 3), scene axes; infinite where nothing is met."""
    caster = _caster(scene)
    eye = np.ascontiguousarray(np.broadcast_to((origin_m - caster.origin).astype(np.float32), (len(directions), 3)))
    found = caster.tree.run(eye, np.ascontiguousarray(directions, dtype=np.float32), query="DISTANCE")
    return np.where(found < 1e36, found, np.inf).astype(np.float64)


def _caster(scene: Scene) -> _Caster:
    return _kept.get((id(scene.surface), scene.light), lambda: _build(scene.surface, scene.light))


def _build(surface: Surface, light: Light) -> _Caster:
    from embreex.mesh_construction import TriangleMesh
    from embreex.rtcore_scene import EmbreeScene

    vertices = np.asarray(surface.vertices)
    origin = vertices.mean(axis=0) if len(vertices) else np.zeros(3)
    triangles = vertices[surface.faces] - origin
    tree = EmbreeScene()
    TriangleMesh(tree, triangles.astype(np.float32))
    tree.run(np.zeros((1, 3), np.float32), np.array([[0, 0, 1]], np.float32))  # builds the tree before threads share it
    corners = lit_corners(surface, light)
    uv = density = None
    levels: tuple[Floats32, ...] = ()
    if surface.uv is not None and surface.texture is not None:
        uv = surface.uv[surface.faces].astype(np.float32)
        levels = _halved(surface.texture)
        height, width = surface.texture.shape[:2]
        a, b = ((uv[:, i] - uv[:, 0]) * np.array([width, height], dtype=np.float32) for i in (1, 2))
        texels = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
        area = np.linalg.norm(np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1)
        density = np.sqrt(texels / np.maximum(area, 1e-12)).astype(np.float32)
    even = (corners == corners[:, :1]).all(axis=(1, 2))
    return _Caster(surface=surface, tree=tree, origin=origin, corners=corners, even=even, uv=uv, texels_per_m=density, levels=levels)


def _halved(texture: NDArray[np.uint8]) -> tuple[Floats32, ...]:
    level: Floats32 = texture.astype(np.float32) / np.float32(255)
    out = [level]
    while max(level.shape[:2]) > 1:
        for axis in (0, 1):
            size = level.shape[axis]
            if size > 1:
                even = np.take(level, np.arange(0, size - 1, 2), axis=axis)
                level = (even + np.take(level, np.arange(1, size, 2), axis=axis)) * np.float32(0.5)
        out.append(level)
    return tuple(out)


def _pixel_angle(rays: Floats32) -> Floats32:
    """Angle in radians from each pixel to its neighbour across; 1e-3 where there is none."""
    step = np.full(rays.shape[:2], 1e-3, dtype=np.float32)
    if rays.shape[1] > 1:
        with np.errstate(invalid="ignore"):
            step[:, :-1] = np.linalg.norm(rays[:, 1:] - rays[:, :-1], axis=-1)
        step[:, -1] = step[:, -2]
    return np.nan_to_num(step, nan=1e-3)


def _sample(caster: _Caster, light: Light, eye: Floats32, ways: Floats32, spread: Floats32) -> tuple[Floats32, Floats32, Ints]:
    """Colour (N, 3), distance (N,) and face (N,) met by rays (N, 3) in scene axes."""
    ways = np.ascontiguousarray(ways)
    origins = np.ascontiguousarray(np.broadcast_to(eye, ways.shape))
    hit = caster.tree.run(origins, ways, output=True)
    face = hit["primID"].astype(np.int32)
    met = face >= 0
    distance = np.where(met, hit["tfar"], np.float32(np.inf))
    colour = np.empty((len(ways), 3), dtype=np.float32)
    colour[~met] = sky(light, ways[~met, 1])
    mine, f = np.flatnonzero(met), face[met]
    if len(mine):
        u, v = hit["u"][mine, None], hit["v"][mine, None]
        lit = caster.corners[f, 0]
        mixed = np.flatnonzero(~caster.even[f])
        if len(mixed):
            c, um, vm = caster.corners[f[mixed]], u[mixed], v[mixed]
            lit[mixed] = c[:, 0] * (1 - um - vm) + c[:, 1] * um + c[:, 2] * vm
        if caster.uv is not None and caster.texels_per_m is not None:
            normal = hit["Ng"][mine]
            slant = np.abs((normal * ways[mine]).sum(axis=1)) / np.maximum(np.linalg.norm(normal, axis=1), 1e-30)
            texels = caster.texels_per_m[f] * distance[mine] * spread[mine] / np.maximum(slant, 0.02)
            t = caster.uv[f]
            lit *= _texture(caster.levels, t[:, 0] * (1 - u - v) + t[:, 1] * u + t[:, 2] * v, np.log2(np.maximum(texels, 1e-6)))
        colour[mine] = lit
    return colour, distance, face


def _texture(levels: tuple[Floats32, ...], uv: Floats32, level: Floats32) -> Floats32:
    """Texture colours (N, 3) at places (N, 2), blended between the two nearest sizes."""
    level = np.clip(level, 0, len(levels) - 1)
    low = np.minimum(level.astype(np.int32), max(len(levels) - 2, 0))
    share = (level - low)[:, None]
    out = np.empty((len(uv), 3), dtype=np.float32)
    for index in np.unique(low):
        mine = np.flatnonzero(low == index)
        finer = _bilinear(levels[index], uv[mine])
        coarser = _bilinear(levels[min(index + 1, len(levels) - 1)], uv[mine])
        out[mine] = finer + (coarser - finer) * share[mine]
    return out


def _bilinear(image: Floats32, uv: Floats32) -> Floats32:
    height, width = image.shape[:2]
    x, y = uv[:, 0] * width - 0.5, (1 - uv[:, 1]) * height - 0.5
    left, top = np.floor(x), np.floor(y)
    fx, fy = (x - left)[:, None], (y - top)[:, None]
    x0, y0 = left.astype(np.int64) % width, top.astype(np.int64) % height
    x1, y1 = (x0 + 1) % width, (y0 + 1) % height
    flat = image.reshape(-1, 3)
    upper = flat[y0 * width + x0] * (1 - fx) + flat[y0 * width + x1] * fx
    lower = flat[y1 * width + x0] * (1 - fx) + flat[y1 * width + x1] * fx
    out: Floats32 = upper * (1 - fy) + lower * fy
    return out


def _refine(
    caster: _Caster,
    light: Light,
    eye: Floats32,
    turn: Floats32,
    rays: Floats32,
    ok: Mask,
    spread: Floats32,
    colour: Floats32,
    distance: Floats32,
    face: Ints,
) -> None:
    """Sample pixels at edges again, on a grid in each, and put the mean colour in place."""
    rows, columns = np.nonzero(_edges(colour, distance, face, ok))
    if not len(rows):
        return
    right, down = _neighbour_steps(rays, ok, rows, columns)
    offsets = (np.arange(_GRID) + 0.5) / _GRID - 0.5
    places = [(a, b) for b in offsets for a in offsets]
    block = max(1, _BLOCK // len(places))
    for start in range(0, len(rows), block):
        r, c = rows[start : start + block], columns[start : start + block]
        across, along = right[start : start + block, None], down[start : start + block, None]
        move = np.array(places, dtype=np.float32)[None, :, :, None]
        ways = rays[r, c][:, None] + move[:, :, 0] * across + move[:, :, 1] * along
        ways /= np.linalg.norm(ways, axis=-1, keepdims=True)
        fine = np.repeat(spread[r, c] / np.float32(_GRID), len(places))
        samples, _, _ = _sample(caster, light, eye, ways.reshape(-1, 3) @ turn.T, fine)
        colour[r, c] = samples.reshape(len(r), len(places), 3).mean(axis=1)


def _edges(colour: Floats32, distance: Floats32, face: Ints, ok: Mask) -> Mask:
    """Pixels beside another face that differ from it. Within a face the texture is smooth already."""
    out = np.zeros(ok.shape, dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        close = 1 / distance  # straight across a flat surface, 0 for the sky
    for axis in (0, 1):
        first = (slice(None, -1), slice(None)) if axis == 0 else (slice(None), slice(None, -1))
        second = (slice(1, None), slice(None)) if axis == 0 else (slice(None), slice(1, None))
        differs = np.abs(colour[first] - colour[second]).max(axis=-1) > _CONTRAST
        with np.errstate(invalid="ignore"):
            differs |= np.abs(close[first] - close[second]) > _JUMP * np.maximum(close[first], close[second])
        differs &= face[first] != face[second]
        out[first] |= differs
        out[second] |= differs
    return out & ok


def _neighbour_steps(rays: Floats32, ok: Mask, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> tuple[Floats32, Floats32]:
    """Change of the ray per pixel to the right and down at some pixels, from the neighbours that have rays."""
    out = []
    for axis, size in ((1, ok.shape[1]), (0, ok.shape[0])):
        at = columns if axis == 1 else rows
        total, count = np.zeros((len(rows), 3), dtype=np.float32), np.zeros((len(rows), 1), dtype=np.float32)
        for side in (-1, 1):
            near = at + side
            inside = (near >= 0) & (near < size)
            near = np.clip(near, 0, size - 1)
            r, c = (rows, near) if axis == 1 else (near, columns)
            inside &= ok[r, c]
            step = np.where(inside[:, None], (rays[r, c] - rays[rows, columns]) * side, 0)
            total += np.nan_to_num(step)
            count += inside[:, None]
        out.append((total / np.maximum(count, 1)).astype(np.float32))
    return out[0], out[1]
