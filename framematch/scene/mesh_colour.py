"""The colours and textures of a mesh file brought into a surface: one atlas, sRGB numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from framematch.scene.build import pack
from framematch.scene.model import Bytes, Floats, Ints, Surface
from framematch.scene.parts import cut

GREY = (200, 200, 200)
MOST_ATLAS_PX = 4096  # a side, before margins
MOST_REPEATS = 48  # of a texture across a piece, each way
MOST_CUT_FACES = 500_000  # that repeats may add


@dataclass(frozen=True, kw_only=True, eq=False)
class Piece:
    """Triangles with one texture at most; fields as in :class:`framematch.scene.model.Surface`."""

    vertices: Floats
    faces: Ints
    colours: Bytes
    uv: Floats | None = None
    texture: Bytes | None = None

    def replaced(self, *, vertices: Floats, faces: Ints) -> Piece:
        return replace(self, vertices=vertices, faces=faces)


def srgb_from_linear(share: ArrayLike) -> Floats:
    """sRGB shares of linear shares 0..1 (IEC 61966-2-1)."""
    x = np.clip(np.asarray(share, dtype=np.float64), 0, 1)
    out: Floats = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return out


def linear_from_srgb(share: ArrayLike) -> Floats:
    """Linear shares of sRGB shares 0..1 (IEC 61966-2-1)."""
    x = np.clip(np.asarray(share, dtype=np.float64), 0, 1)
    out: Floats = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    return out


def piece_from(geometry: Any, transform: Floats, *, linear: bool, opened: dict[int, Bytes | None]) -> Piece:
    """A piece from a trimesh mesh and where it stands.

    Args:
        geometry: ``trimesh.Trimesh``.
        transform: (4, 4) of its node.
        linear: whether its colour factors and vertex colours are linear shares, as glTF has them.
        opened: textures by their picture's identity, so that one that many pieces share is opened once.
    """
    vertices = np.asarray(geometry.vertices, dtype=np.float64)
    vertices = vertices @ transform[:3, :3].T + transform[:3, 3]
    faces = np.asarray(geometry.faces, dtype=np.int64)
    if np.linalg.det(transform[:3, :3]) < 0:
        faces = faces[:, ::-1]
    visual = geometry.visual
    n = len(vertices)
    if visual.kind == "texture":
        colours = np.broadcast_to(_factor(visual.material, linear=linear), (n, 3))
        own = visual.vertex_attributes.get("color") if linear else None
        if own is not None and np.shape(own)[0] == n:
            colours = _bytes(colours / 255 * srgb_from_linear(_shares(np.asarray(own)[:, :3])))
        texture = _texture(visual.material, opened)
        uv = None if visual.uv is None or texture is None else np.asarray(visual.uv, dtype=np.float64)
        if uv is None or uv.shape != (n, 2) or not np.isfinite(uv).all():
            return Piece(vertices=vertices, faces=faces, colours=np.array(colours, dtype=np.uint8))
        return _in_one_tile(Piece(vertices=vertices, faces=faces, colours=np.array(colours, dtype=np.uint8), uv=uv, texture=texture))
    if visual.kind == "face" and len(visual.face_colors) == len(faces):
        each = np.asarray(visual.face_colors)[:, :3]
        corner = faces.reshape(-1)
        return Piece(vertices=vertices[corner], faces=np.arange(len(corner)).reshape(-1, 3), colours=np.repeat(each, 3, axis=0).astype(np.uint8))
    if visual.kind == "vertex" and len(visual.vertex_colors) == n:
        colours = np.asarray(visual.vertex_colors)[:, :3].astype(np.uint8)
        return Piece(vertices=vertices, faces=faces, colours=_bytes(srgb_from_linear(colours / 255)) if linear else colours)
    return Piece(vertices=vertices, faces=faces, colours=np.broadcast_to(np.array(GREY, dtype=np.uint8), (n, 3)))


def _bytes(share: Floats) -> Bytes:
    return np.round(np.clip(share, 0, 1) * 255).astype(np.uint8)


def _shares(values: Any) -> Floats:
    top = np.iinfo(values.dtype).max if values.dtype.kind in "ui" else 1.0
    out: Floats = np.asarray(values, dtype=np.float64) / top
    return out


def _factor(material: Any, *, linear: bool) -> Bytes:
    """The colour (3,) that a material multiplies its texture with."""
    value = getattr(material, "baseColorFactor", None) if hasattr(material, "baseColorFactor") else getattr(material, "diffuse", None)
    if value is None:
        return np.array((255, 255, 255) if _texture_of(material) is not None else GREY if not linear else (255, 255, 255), dtype=np.uint8)
    share = _shares(np.asarray(value).reshape(-1)[:3])
    if not linear and _texture_of(material) is not None:
        return np.array((255, 255, 255), dtype=np.uint8)  # an OBJ's Kd stands in where there is no map
    if not linear and getattr(material, "image", None) is not None:
        return np.array(GREY, dtype=np.uint8)
    return _bytes(srgb_from_linear(share) if linear else share)


def _texture_of(material: Any) -> Any:
    found = getattr(material, "baseColorTexture", None)
    found = found if found is not None else getattr(material, "image", None)
    # Where a texture is missing the reader puts four pixels of one dark grey.
    return None if found is not None and found.size == (2, 2) and len(found.getcolors(5) or ()) == 1 else found


def _texture(material: Any, opened: dict[int, Bytes | None]) -> Bytes | None:
    picture = _texture_of(material)
    if picture is None:
        return None
    if id(picture) not in opened:
        try:
            if max(picture.size) > MOST_ATLAS_PX:
                picture.thumbnail((MOST_ATLAS_PX, MOST_ATLAS_PX))
            opened[id(picture)] = np.asarray(picture.convert("RGB"))
        except (OSError, ValueError, SyntaxError):
            opened[id(picture)] = None  # a broken picture leaves the mesh its plain colour
    return opened[id(picture)]


def _in_one_tile(piece: Piece) -> Piece:
    """The piece with its uv within 0..1, cut where its texture repeats."""
    uv = piece.uv
    assert uv is not None and piece.texture is not None
    used = uv[np.unique(piece.faces)]
    low, high = used.min(axis=0), used.max(axis=0)
    if (low >= -1e-4).all() and (high <= 1 + 1e-4).all():
        return replace(piece, uv=np.clip(uv, 0, 1))
    spans = np.ceil(np.ptp(uv[piece.faces], axis=1)) + 1
    if (high - low).max() > MOST_REPEATS or spans.prod(axis=1).sum() > MOST_CUT_FACES + len(piece.faces) * 4:
        # too fine to be seen as a pattern: its mean colour
        mean = piece.texture.reshape(-1, 3).mean(axis=0) / 255
        return Piece(vertices=piece.vertices, faces=piece.faces, colours=_bytes(piece.colours / 255 * mean))
    values = np.column_stack([piece.vertices, uv, piece.colours])
    faces = piece.faces
    for axis in (3, 4):
        places = np.arange(np.floor(low[axis - 3]) + 1, np.ceil(high[axis - 3]))
        values, faces, _ = cut(values, faces, np.eye(8)[axis], places)
    corner = faces.reshape(-1)
    inside = values[faces, 3:5]
    inside = np.clip(inside - np.floor(inside.mean(axis=1, keepdims=True)), 0, 1)
    return replace(
        piece,
        vertices=values[corner, :3],
        faces=np.arange(len(corner)).reshape(-1, 3),
        colours=np.round(values[corner, 5:]).astype(np.uint8),
        uv=inside.reshape(-1, 2),
    )


def joined(pieces: Sequence[Piece]) -> Surface:
    """One surface of all the pieces, their textures in one atlas."""
    counts = np.cumsum([0, *(len(piece.vertices) for piece in pieces)])
    vertices = np.concatenate([piece.vertices for piece in pieces])
    faces = np.concatenate([piece.faces + start for piece, start in zip(pieces, counts, strict=False)])
    colours = np.concatenate([piece.colours for piece in pieces])
    pictures: dict[int, Bytes] = {id(piece.texture): piece.texture for piece in pieces if piece.texture is not None}
    if not pictures:
        return Surface(vertices=vertices, faces=faces, colours=colours)
    if len(pictures) == 1 and all(piece.texture is not None for piece in pieces):
        (texture,) = pictures.values()
        return Surface(vertices=vertices, faces=faces, colours=colours, uv=np.concatenate([_uv(piece) for piece in pieces]), texture=texture)
    white = np.full((4, 4, 3), 255, dtype=np.uint8)
    tiles = [white, *_fitted(list(pictures.values()))]
    places, atlas = pack([(tile, False) for tile in tiles])
    where = dict(zip([0, *pictures], places, strict=True))
    height, width = atlas.shape[:2]
    uvs = []
    for piece in pieces:
        left, top, w, h = where[0 if piece.texture is None else id(piece.texture)]
        uv = np.full((len(piece.vertices), 2), 0.5) if piece.uv is None else piece.uv
        uvs.append(np.column_stack([(left + uv[:, 0] * w) / width, 1 - (top + (1 - uv[:, 1]) * h) / height]))
    return Surface(vertices=vertices, faces=faces, colours=colours, uv=np.concatenate(uvs), texture=atlas)


def _uv(piece: Piece) -> Floats:
    assert piece.uv is not None
    return piece.uv


def _fitted(tiles: list[Bytes]) -> list[Bytes]:
    """Textures made smaller together until their areas fit the atlas."""
    from PIL import Image

    area = sum(tile.shape[0] * tile.shape[1] for tile in tiles)
    share = (0.8 * MOST_ATLAS_PX**2 / area) ** 0.5
    if share >= 1:
        return tiles
    return [np.asarray(Image.fromarray(tile).resize((max(1, int(tile.shape[1] * share)), max(1, int(tile.shape[0] * share))))) for tile in tiles]
