"""Pieces of a scene: triangles with a material, a tint and places in the material's tile.

Texture atlases can't repeat, so every piece is cut where its tile repeats: each triangle lies in one
tile. The cuts are whole planes through the piece, so that neighbours share their points and a closed
body stays closed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from framematch.geometry.mount import rotation_from_aim
from framematch.scene.material import MATERIALS, PLAIN
from framematch.scene.model import Colour, Floats, Ints
from framematch.shot.place import LEVEL

if TYPE_CHECKING:
    import shapely

WHITE: Colour = (1.0, 1.0, 1.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Part:
    """One piece in metres, scene axes.

    Args:
        vertices: (N, 3).
        faces: (M, 3), anticlockwise seen from outside.
        uv: (M, 3, 2) each face's corners in tiles of the material, across and up; zeros if plain.
        material: name in :data:`framematch.scene.material.MATERIALS`, ``label:`` and a text, or plain.
        tint: share of red, green and blue that the material is multiplied with.
    """

    vertices: Floats
    faces: Ints
    uv: Floats
    material: str = PLAIN
    tint: Colour = WHITE

    def moved(self, x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Part:
        return replace(self, vertices=self.vertices + np.array((x, y, z)))

    def scaled(self, x: float = 1.0, y: float = 1.0, z: float = 1.0) -> Part:
        """Stretched about the origin by positive factors."""
        return replace(self, vertices=self.vertices * (x, y, z))

    def turned(self, *, heading_deg: float = 0.0, pitch_deg: float = 0.0, bank_deg: float = 0.0) -> Part:
        """Turned about the origin as a rig that looked along -Z would be (see :func:`framematch.shot.place.standing`)."""
        turn = LEVEL @ rotation_from_aim(pan_deg=heading_deg, tilt_deg=pitch_deg, roll_deg=bank_deg) @ LEVEL
        return replace(self, vertices=self.vertices @ turn.T)

    def tinted(self, tint: Colour) -> Part:
        return replace(self, tint=tint)


def moved(parts: Iterable[Part], x: float = 0.0, y: float = 0.0, z: float = 0.0) -> list[Part]:
    """All of the parts, moved together."""
    return [part.moved(x, y, z) for part in parts]


def cut(vertices: Floats, faces: Ints, along: Floats, places: Iterable[float]) -> tuple[Floats, Ints, Ints]:
    """Cut triangles where a value along their corners passes given places.

    Args:
        vertices: (N, K) any values that blend linearly over a face.
        faces: (M, 3).
        along: (K,) the value is ``vertices @ along``.
        places: values to cut at.

    Returns:
        vertices, faces, and for each face which of the given faces it came from.
    """
    origin = np.arange(len(faces))
    for place in places:
        height = vertices @ along - place
        side = np.sign(np.where(np.abs(height) < 1e-9, 0.0, height)).astype(np.int8)
        corner = side[faces]
        crossing = (corner.max(axis=1) > 0) & (corner.min(axis=1) < 0)
        if not crossing.any():
            continue
        cut_faces, s, came = faces[crossing], corner[crossing], origin[crossing]
        # Turn each face until its first corner is the one that is alone on its side, or the one on
        # the plane when the other two lie on either side.
        through = (s == 0).any(axis=1)
        alone = np.where(through, np.argmax(s == 0, axis=1), np.argmax(s == -np.sign(s.sum(axis=1))[:, None], axis=1))
        order = (alone[:, None] + np.arange(3)) % 3
        a, b, c = np.take_along_axis(cut_faces, order, axis=1).T
        edges = np.concatenate([np.stack([b, c], 1)[through], np.stack([a, b], 1)[~through], np.stack([a, c], 1)[~through]])
        # one number for each edge: NumPy finds unique rows by comparing bytes, four times as slowly
        unique, index = np.unique(edges.min(axis=1) * len(vertices) + edges.max(axis=1), return_inverse=True)
        first, second = np.divmod(unique, len(vertices))
        h0, h1 = height[first], height[second]
        share = (h0 / (h0 - h1))[:, None]
        new = vertices[first] * (1 - share) + vertices[second] * share
        index = index + len(vertices)
        n_through, n_alone = int(through.sum()), int((~through).sum())
        m, p, q = index[:n_through], index[n_through : n_through + n_alone], index[n_through + n_alone :]
        at, bt, ct = a[through], b[through], c[through]
        aa, ba, ca = a[~through], b[~through], c[~through]
        pieces = [np.stack(k, 1) for k in ((at, bt, m), (at, m, ct), (aa, p, q), (p, ba, ca), (p, ca, q))]
        vertices = np.concatenate([vertices, new])
        faces = np.concatenate([faces[~crossing], *pieces])
        origin = np.concatenate([origin[~crossing], *[came[through]] * 2, *[came[~through]] * 3])
    return vertices, faces, origin


def body(vertices: ArrayLike, faces: ArrayLike, material: str = PLAIN, tint: Colour = WHITE) -> Part:
    """A part from bare triangles, its material laid on each face along the nearest axis."""
    v, f = np.asarray(vertices, dtype=np.float64), np.asarray(faces, dtype=np.int64)
    if material == PLAIN:
        return Part(vertices=v, faces=f, uv=np.zeros((len(f), 3, 2)), tint=tint)
    tile = MATERIALS[material].tile_m
    # Up in the picture is up in the scene on walls and away (-Z) on floors; across is X, or Z on walls that face X.
    for axis, size in ((0, tile[0]), (1, tile[1]), (2, tile[0]), (2, tile[1])):
        low, high = v[:, axis].min(), v[:, axis].max()
        places = np.arange(math.floor(low / size) + 1, math.ceil(high / size)) * size
        v, f, _ = cut(v, f, np.eye(3)[axis], places)
    corners = v[f]
    normal = np.abs(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    facing = np.argmax(normal + np.array([0, 0, 1e-12]), axis=1)
    across = np.where((facing == 0)[:, None], corners[..., 2], corners[..., 0]) / tile[0]
    up = np.where((facing == 1)[:, None], -corners[..., 2], corners[..., 1]) / tile[1]
    return Part(vertices=v, faces=f, uv=np.stack([across, up], axis=-1), material=material, tint=tint)


def box(size: tuple[float, float, float], *, foot: tuple[float, float, float] = (0.0, 0.0, 0.0), material: str = PLAIN, tint: Colour = WHITE) -> Part:
    """A box by its size and the middle of its lower face."""
    import trimesh

    mesh = trimesh.creation.box(extents=size)
    return body(mesh.vertices + np.array(foot) + (0, size[1] / 2, 0), mesh.faces, material, tint)


def span(low: tuple[float, float, float], high: tuple[float, float, float], *, material: str = PLAIN, tint: Colour = WHITE) -> Part:
    """A box from its lowest to its highest corner."""
    size = (high[0] - low[0], high[1] - low[1], high[2] - low[2])
    return box(size, foot=((low[0] + high[0]) / 2, low[1], (low[2] + high[2]) / 2), material=material, tint=tint)


def slab(outline: shapely.Geometry, *, thickness_m: float, material: str = PLAIN, tint: Colour = WHITE) -> Part:
    """A shapely polygon in x and y, drawn out along z from -thickness/2 to +thickness/2: a wall with its openings."""
    import shapely

    pieces = shapely.get_parts(shapely.constrained_delaunay_triangles(outline))
    corners = shapely.get_coordinates(pieces).reshape(-1, 4, 2)[:, :3].reshape(-1, 2).round(9)
    unique, index = np.unique(corners @ (1, 1j), return_inverse=True)
    flat, faces = np.column_stack([unique.real, unique.imag]), index.reshape(-1, 3)
    x, y = flat[faces].transpose(2, 0, 1)
    area = (x[:, 1] - x[:, 0]) * (y[:, 2] - y[:, 0]) - (x[:, 2] - x[:, 0]) * (y[:, 1] - y[:, 0])
    faces = np.where(area[:, None] > 0, faces, faces[:, ::-1])[np.abs(area) > 1e-14]
    n = len(flat)
    front, back = (np.column_stack([flat, np.full(n, z)]) for z in (thickness_m / 2, -thickness_m / 2))
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    inner = {tuple(edge) for edge in edges[:, ::-1].tolist()}
    rim = np.array([edge for edge in edges.tolist() if tuple(edge) not in inner])
    a, b = rim.T
    sides = np.concatenate([np.stack([a, a + n, b + n], 1), np.stack([a, b + n, b], 1)])
    return body(np.concatenate([front, back]), np.concatenate([faces, faces[:, ::-1] + n, sides]), material, tint)


def tube(
    path_m: ArrayLike, radii_m: ArrayLike, *, sides: int = 14, material: str = PLAIN, tint: Colour = WHITE, flatten: tuple[float, float] = (1.0, 1.0)
) -> Part:
    """A round body along a line of points, closed at both ends (or into a ring).

    Args:
        path_m: (N, 3); a ring if the last is the first.
        radii_m: one, or one for each point.
        flatten: factors on the section's first and second direction; the first lies as near to +X as
            the line allows.
    """
    path = np.asarray(path_m, dtype=np.float64)
    radii = np.broadcast_to(np.asarray(radii_m, dtype=np.float64), (len(path),))
    tile = MATERIALS[material].tile_m if material else (1.0, 1e6)
    path, radii, length = _rows(path, radii, tile[1])
    ring = len(path) > 3 and bool(np.allclose(path[0], path[-1]))
    ahead = np.gradient(path, axis=0)
    if ring:
        ahead[0] = ahead[-1] = path[1] - path[-2]
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    first = np.zeros_like(path)
    along = np.array([1.0, 0.0, 0.0]) if abs(ahead[0, 0]) < 0.9 else np.array([0.0, 0.0, 1.0])
    for i, direction in enumerate(ahead):  # carried along without twist
        along = along - direction * (along @ direction)
        along /= np.linalg.norm(along)
        first[i] = along
    second = np.cross(ahead, first)
    mean = float(radii.mean())
    around = max(1, round(2 * math.pi * mean / tile[0]))
    sides = -(-sides // around) * around  # so that the tile repeats at a corner of the section
    angle = np.linspace(0, 2 * np.pi, sides + 1)
    section = flatten[0] * np.cos(angle)[:, None] * first[:, None] + flatten[1] * np.sin(angle)[:, None] * second[:, None]
    grid = path[:, None] + radii[:, None, None] * section
    grid[:, -1] = grid[:, 0]
    places = np.stack(np.broadcast_arrays(angle / (2 * np.pi) * around, length[:, None]), axis=-1)
    flat = np.concatenate([grid, places], axis=2).reshape(-1, 5)
    rows, columns = np.meshgrid(np.arange(len(path) - 1), np.arange(sides), indexing="ij")
    i00 = (rows * (sides + 1) + columns).ravel()
    i01, i10, i11 = i00 + 1, i00 + sides + 1, i00 + sides + 2
    faces = np.concatenate([np.stack([i00, i01, i11], 1), np.stack([i00, i11, i10], 1)])
    uv = flat[faces][..., 3:]
    if not ring:
        disc = 0.5 + np.column_stack([np.cos(angle), np.sin(angle)]) * np.minimum(0.49, mean / np.array(tile))
        for row, order in ((0, 1), (len(path) - 1, -1)):
            hub, k = len(flat), np.arange(sides)
            flat = np.concatenate([flat, [[*path[row], 0.0, 0.0]]])
            rim = row * (sides + 1) + k
            faces = np.concatenate([faces, np.stack([rim + 1, rim, np.full(sides, hub)], 1)[:, ::order]])
            uv = np.concatenate([uv, np.stack([disc[k + 1], disc[k], np.full((sides, 2), 0.5)], 1)[:, ::order]])
    return Part(vertices=flat[:, :3].copy(), faces=faces, uv=uv if material else np.zeros_like(uv), material=material, tint=tint)


def _rows(path: Floats, radii: Floats, tile_m: float) -> tuple[Floats, Floats, Floats]:
    """Points and radii with more between them where the tile repeats, and how many tiles it is to each."""
    length = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))]) / tile_m
    whole = np.round(length)
    length = np.where((np.abs(length - whole) < 1e-3) & (whole > 0), whole, length)
    stops = np.union1d(length, np.arange(1, math.ceil(length[-1])))
    return np.column_stack([np.interp(stops, length, path[:, i]) for i in range(3)]), np.interp(stops, length, radii), stops


def cylinder(
    *, radius_m: float, height_m: float, foot: tuple[float, float, float] = (0.0, 0.0, 0.0), sides: int = 18, material: str = PLAIN, tint: Colour = WHITE
) -> Part:
    """An upright cylinder by the middle of its foot."""
    x, y, z = foot
    return tube([(x, y, z), (x, y + height_m, z)], radius_m, sides=sides, material=material, tint=tint)


def ball(radii_m: tuple[float, float, float], *, centre: tuple[float, float, float], material: str = PLAIN, tint: Colour = WHITE, finer: int = 2) -> Part:
    """An ellipsoid."""
    vertices, faces = _unit_ball(finer)
    tile = MATERIALS[material].tile_m if material else (1.0, 1.0)
    middle = np.array([tile[0] / 2, tile[1] / 2, tile[0] / 2])  # of a tile, where a small ball needs no cut
    x, y, z = np.array(centre) - middle
    return body(vertices * np.array(radii_m) + middle, faces, material, tint).moved(x, y, z)


@lru_cache(maxsize=4)
def _unit_ball(finer: int) -> tuple[Floats, Ints]:
    import trimesh

    mesh = trimesh.creation.icosphere(subdivisions=finer)
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
    for each in (vertices, faces):
        each.flags.writeable = False
    return vertices, faces


def sheet(corners: Sequence[tuple[float, float, float]], *, material: str, tint: Colour = WHITE) -> Part:
    """A four-cornered sheet that carries its material's tile once; corners anticlockwise from the picture's bottom left."""
    uv = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    faces = np.array([(0, 1, 2), (0, 2, 3)])
    return Part(vertices=np.array(corners, dtype=np.float64), faces=faces, uv=uv[faces], material=material, tint=tint)
