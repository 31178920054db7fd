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

from framematch.geometry.camera import Camera
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
# Where in a pixel it is sampled if once is not enough: each in a row and a column of its own.
_SPOTS = ((-0.125, -0.375), (0.375, -0.125), (-0.375, 0.125), (0.125, 0.375))
_CONTRAST = 5 / 255
_SHARPER = np.float32(0.6)  # the texture size read, against the pixel's: matches how sharp the rasteriser's pictures are
_JUMP = 0.03  # relative step in depth between neighbours that is an edge


@dataclass(frozen=True, kw_only=True, eq=False)
class _Texture:
    """A texture at halving sizes in one row of texels, and how it lies on each face.

    Args:
        texels: (K, 4) uint8, every size after the last, each row by row; the fourth is unused.
        start, width, height: (L,) of each size in ``texels``.
        corner, along, across: (M, 2) place of each face's first corner, and the ways to the second and third.
        density: (M,) texels per metre.
    """

    texels: NDArray[np.uint8]
    start: NDArray[np.int64]
    width: NDArray[np.int64]
    height: NDArray[np.int64]
    corner: Floats32
    along: Floats32
    across: Floats32
    density: Floats32


@dataclass(frozen=True, kw_only=True, eq=False)
class _Caster:
    """A scene ready for rays: embree's tree, colours in their light, the texture."""

    surface: Surface  # held so that its id, the key, is not used again
    tree: Any
    origin: Floats
    corners: Floats32
    first: Floats32
    uneven: Mask
    normals: Floats32
    texture: _Texture | None

    @property
    def nbytes(self) -> int:
        # Embree's own tree takes about a hundred bytes a triangle.
        return 250 * len(self.corners) + (self.texture.texels.nbytes if self.texture else 0)


# One large scan may take more, as long as nothing else is drawn: building its tree takes seconds.
_kept: Kept[_Caster] = Kept(limit_bytes=250_000_000, alone_bytes=700_000_000, size=lambda caster: caster.nbytes)


def render(scene: Scene, camera: Camera, scene_from_camera: Floats, *, quick: bool = False) -> Picture:
    """A picture through any lens; safe to call from many threads at once.

    Args:
        quick: one ray per pixel, edges left jagged.
    """
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
        shade = _sample(caster, scene.light, eye, flat_rays.take(part, axis=0) @ turn.T, spread.reshape(-1).take(part))
        colour.reshape(-1, 3)[part], distance.reshape(-1)[part], face.reshape(-1)[part] = shade
    if not quick:
        _refine(caster, scene.light, eye, turn, rays, ok, spread, colour, distance, face)
    return Picture(colour=np.clip(colour * 255 + 0.5, 0, 255).astype(np.uint8), distance_m=distance, renderer="rays")


def first_hits(scene: Scene, origin_m: Floats, directions: Floats) -> Floats:
    """Distances (N,) from one place (3,), or one for each (N, 3), along unit directions (N, 3), scene axes; infinite where nothing is met."""
    caster = _caster(scene)
    eye = np.ascontiguousarray(np.broadcast_to((np.asarray(origin_m) - caster.origin).astype(np.float32), (len(directions), 3)))
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
    normals = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    doubled = np.linalg.norm(normals, axis=1)
    return _Caster(
        surface=surface,
        tree=tree,
        origin=origin,
        corners=corners,
        first=np.ascontiguousarray(corners[:, 0]),
        uneven=(corners != corners[:, :1]).any(axis=(1, 2)),
        normals=(normals / np.maximum(doubled, 1e-30)[:, None]).astype(np.float32),
        texture=_texture_of(surface, doubled) if surface.texture is not None else None,
    )


def _texture_of(surface: Surface, doubled_area: Floats) -> _Texture:
    assert surface.uv is not None and surface.texture is not None
    sizes = _halved(surface.texture)
    counts = [level.shape[0] * level.shape[1] for level in sizes]
    texels = np.zeros((sum(counts), 4), dtype=np.uint8)
    texels[:, :3] = np.concatenate([np.round(level).astype(np.uint8).reshape(-1, 3) for level in sizes])
    uv = surface.uv[surface.faces].astype(np.float64)
    along, across = uv[:, 1] - uv[:, 0], uv[:, 2] - uv[:, 0]
    height, width = surface.texture.shape[:2]
    covered = np.abs(along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]) * width * height
    return _Texture(
        texels=texels,
        start=np.concatenate([[0], np.cumsum(counts)[:-1]]),
        width=np.array([level.shape[1] for level in sizes]),
        height=np.array([level.shape[0] for level in sizes]),
        corner=uv[:, 0].astype(np.float32),
        along=along.astype(np.float32),
        across=across.astype(np.float32),
        density=np.sqrt(covered / np.maximum(doubled_area, 1e-12)).astype(np.float32),
    )


def _halved(texture: NDArray[np.uint8]) -> list[Floats32]:
    level = np.asarray(texture, dtype=np.float32)
    out = [level]
    while max(level.shape[:2]) > 1:
        for axis in (0, 1):
            size = level.shape[axis]
            if size > 1:
                even = np.take(level, np.arange(0, size - 1, 2), axis=axis)
                level = (even + np.take(level, np.arange(1, size, 2), axis=axis)) * np.float32(0.5)
        out.append(level)
    return out


def _pixel_angle(rays: Floats32) -> Floats32:
    """Angle in radians from each pixel to its neighbour across; 1e-3 where there is none."""
    step = np.full(rays.shape[:2], 1e-3, dtype=np.float32)
    if rays.shape[1] > 1:
        with np.errstate(invalid="ignore"):
            move = rays[:, 1:] - rays[:, :-1]
            step[:, :-1] = np.sqrt(np.einsum("ijk,ijk->ij", move, move))
        step[:, -1] = step[:, -2]
    return np.nan_to_num(step, nan=1e-3)


def _sample(caster: _Caster, light: Light, eye: Floats32, ways: Floats32, spread: Floats32) -> tuple[Floats32, Floats32, Ints]:
    """Colour (N, 3), distance (N,) and face (N,) met by rays (N, 3) in scene axes."""
    ways = np.ascontiguousarray(ways)
    hit = caster.tree.run(np.ascontiguousarray(np.broadcast_to(eye, ways.shape)), ways, output=True)
    face: Ints = hit["primID"]
    met = face >= 0
    distance = np.where(met, hit["tfar"], np.float32(np.inf))
    if met.all():
        return _lit(caster, face, hit["u"], hit["v"], ways, distance * spread), distance, face
    colour = np.empty((len(ways), 3), dtype=np.float32)
    away, mine = np.flatnonzero(~met), np.flatnonzero(met)
    colour[away] = sky(light, ways[away, 1])
    if len(mine):
        size = distance.take(mine) * spread.take(mine)
        colour[mine] = _lit(caster, face.take(mine), hit["u"].take(mine), hit["v"].take(mine), ways.take(mine, axis=0), size)
    return colour, distance, face


def _lit(caster: _Caster, face: Ints, u: Floats32, v: Floats32, ways: Floats32, size_m: Floats32) -> Floats32:
    """Colours (N, 3) at places u, v on faces, seen by rays whose neighbours are ``size_m`` apart there."""
    out = caster.first.take(face, axis=0)
    mixed = np.flatnonzero(caster.uneven.take(face))
    if len(mixed):
        c, um, vm = caster.corners.take(face.take(mixed), axis=0), u.take(mixed)[:, None], v.take(mixed)[:, None]
        out[mixed] = c[:, 0] * (1 - um - vm) + c[:, 1] * um + c[:, 2] * vm
    t = caster.texture
    if t is not None:
        slant = np.abs(np.einsum("ij,ij->i", caster.normals.take(face, axis=0), ways))
        texels = t.density.take(face) * size_m / np.maximum(slant, np.float32(0.02))
        corner, along, across = (way.take(face, axis=0) for way in (t.corner, t.along, t.across))
        x = corner[:, 0] + along[:, 0] * u + across[:, 0] * v
        y = corner[:, 1] + along[:, 1] * u + across[:, 1] * v
        out *= _texture_at(t, x, y, np.log2(np.maximum(_SHARPER * texels, np.float32(1e-6))))
    return out


def _texture_at(texture: _Texture, x: Floats32, y: Floats32, level: Floats32) -> Floats32:
    """Texture colours (N, 3), shares of full, blended between the two nearest sizes; x and y run from the bottom left."""
    last = len(texture.start) - 1
    level = np.clip(level, 0, last)
    low = np.minimum(level.astype(np.int64), max(last - 1, 0))
    share = level - low
    out = _bilinear(texture, low, x, y, 1 - share)
    blended = np.flatnonzero(share > 0)
    out[blended] += _bilinear(texture, np.minimum(low.take(blended) + 1, last), x.take(blended), y.take(blended), share.take(blended))
    return out


def _bilinear(texture: _Texture, level: NDArray[np.int64], x: Floats32, y: Floats32, weight: Floats32) -> Floats32:
    start, width, height = (which.take(level) for which in (texture.start, texture.width, texture.height))
    px, py = x * width - 0.5, (1 - y) * height - 0.5
    left, top = np.floor(px), np.floor(py)
    fx, fy = (px - left).astype(np.float32), (py - top).astype(np.float32)
    x0, y0 = left.astype(np.int64) % width, top.astype(np.int64) % height
    x1, y1 = x0 + 1, y0 + 1
    x1[x1 == width] = 0
    y1[y1 == height] = 0
    upper, lower = start + y0 * width, start + y1 * width
    packed = texture.texels.view(np.uint32)[:, 0]
    weight = weight.astype(np.float32) / np.float32(255)
    out = np.zeros((len(x), 4), dtype=np.float32)
    for place, part in ((upper + x0, (1 - fx) * (1 - fy)), (upper + x1, fx * (1 - fy)), (lower + x0, (1 - fx) * fy), (lower + x1, fx * fy)):
        out += packed.take(place)[:, None].view(np.uint8) * (part * weight)[:, None]
    return out[:, :3]


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
    """Sample pixels at edges again, at several places in each, and put the mean colour in place."""
    rows, columns = np.nonzero(_edges(colour, distance, face, ok))
    if not len(rows):
        return
    right, down = _neighbour_steps(rays, ok, rows, columns)
    for start in range(0, len(rows), _BLOCK):
        part = slice(start, start + _BLOCK)
        r, c = rows[part], columns[part]
        middle, across, along = rays[r, c], right[part], down[part]
        fine = spread[r, c] * np.float32(0.5)
        total = np.zeros((len(r), 3), dtype=np.float32)
        for x, y in _SPOTS:
            ways = middle + np.float32(x) * across + np.float32(y) * along
            ways /= np.sqrt(np.einsum("ij,ij->i", ways, ways))[:, None]
            total += _sample(caster, light, eye, ways @ turn.T, fine)[0]
        colour[r, c] = total / np.float32(len(_SPOTS))


def _edges(colour: Floats32, distance: Floats32, face: Ints, ok: Mask) -> Mask:
    """Pixels beside another face that differ from it. Within a face the texture is smooth already."""
    out = np.zeros(ok.shape, dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        close = 1 / distance  # straight across a flat surface, 0 for the sky
    for axis in (0, 1):
        first = (slice(None, -1), slice(None)) if axis == 0 else (slice(None), slice(None, -1))
        second = (slice(1, None), slice(None)) if axis == 0 else (slice(None), slice(1, None))
        gap = np.abs(colour[first] - colour[second])
        differs = np.maximum(np.maximum(gap[..., 0], gap[..., 1]), gap[..., 2]) > _CONTRAST
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
