"""Parts to one surface: their materials packed into one atlas with seamless margins."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

import numpy as np

from framematch.scene.material import PLAIN, picture
from framematch.scene.model import Bytes, Floats, Surface
from framematch.scene.parts import Part

MARGIN_PX = 32  # what lies round a tile repeats it, so that smaller versions of the picture don't bleed
LABEL = "label:"


def surface_from(parts: Iterable[Part]) -> Surface:
    """One surface of all the parts."""
    listed = [part for part in parts if len(part.faces)]
    names = sorted({part.material for part in listed} | {PLAIN})
    places, atlas = pack([_tile(name) for name in names])
    where = dict(zip(names, places, strict=True))
    height, width = atlas.shape[:2]
    vertices, faces, uvs, colours = [], [], [], []
    count = 0
    for part in listed:
        left, top, tile_w, tile_h = where[part.material]
        inside = part.uv - np.floor(part.uv.mean(axis=1, keepdims=True)) if part.material else np.full(part.uv.shape, 0.5)
        x = (left + inside[..., 0] * tile_w) / width
        y = 1 - (top + (1 - inside[..., 1]) * tile_h) / height
        corner = np.column_stack([part.faces.ravel(), np.round(np.stack([x, y], axis=-1).reshape(-1, 2) * 1e7)]).astype(np.int64)
        keys, index = np.unique(corner, axis=0, return_inverse=True)
        vertices.append(part.vertices[keys[:, 0]])
        uvs.append(keys[:, 1:] / 1e7)
        colours.append(np.broadcast_to(np.round(np.array(part.tint) * 255).astype(np.uint8), (len(keys), 3)))
        faces.append(index.reshape(-1, 3) + count)
        count += len(keys)
    return Surface(vertices=np.concatenate(vertices), faces=np.concatenate(faces), colours=np.concatenate(colours), uv=np.concatenate(uvs), texture=atlas)


def pack(tiles: Sequence[tuple[Bytes, bool]]) -> tuple[list[tuple[float, float, float, float]], Bytes]:
    """Put pictures side by side in one, each with a margin.

    Args:
        tiles: each picture (H, W, 3) and whether its margin repeats it (else it draws out its edge).

    Returns:
        left, top, width, height of each in pixels, and the atlas (H, W, 3).
    """
    order = sorted(range(len(tiles)), key=lambda i: (-tiles[i][0].shape[0], -tiles[i][0].shape[1], i))
    room = sum((t.shape[0] + 2 * MARGIN_PX) * (t.shape[1] + 2 * MARGIN_PX) for t, _ in tiles)
    widest = max(t.shape[1] + 2 * MARGIN_PX for t, _ in tiles)
    width = _even(max(widest, int(1.1 * room**0.5)))
    places: list[tuple[float, float, float, float]] = [(0.0, 0.0, 0.0, 0.0)] * len(tiles)
    x = y = shelf = 0
    for i in order:
        h, w = (side + 2 * MARGIN_PX for side in tiles[i][0].shape[:2])
        if x + w > width:
            x, y, shelf = 0, y + shelf, 0
        places[i] = (x + MARGIN_PX, y + MARGIN_PX, w - 2 * MARGIN_PX, h - 2 * MARGIN_PX)
        x, shelf = x + w, max(shelf, h)
    atlas = np.zeros((_even(y + shelf), width, 3), dtype=np.uint8)
    for (tile, repeats), (left, top, w, h) in zip(tiles, places, strict=True):
        m = MARGIN_PX
        wide = np.pad(tile, ((m, m), (m, m), (0, 0)), mode="wrap" if repeats else "edge")
        atlas[int(top) - m : int(top + h) + m, int(left) - m : int(left + w) + m] = wide
    return places, atlas


def _even(side: int) -> int:
    return -(-side // 64) * 64


def _tile(name: str) -> tuple[Bytes, bool]:
    if name == PLAIN:
        return np.full((4, 4, 3), 255, dtype=np.uint8), True
    if name.startswith(LABEL):
        return label(name.removeprefix(LABEL)), False
    return picture(name), True


@lru_cache(maxsize=128)
def label(text: str) -> Bytes:
    """A board with a text, (96, W, 3): dark letters on yellow, a dark border."""
    from PIL import Image, ImageDraw, ImageFont

    font = ImageFont.load_default(size=76)
    left, top, right, bottom = font.getbbox(text)
    size = (max(128, round(right - left) + 44), 112)
    board = Image.new("RGB", size, (34, 34, 30))
    pen = ImageDraw.Draw(board)
    pen.rectangle((4, 4, size[0] - 5, size[1] - 5), fill=(250, 208, 60))
    pen.text(((size[0] - right - left) / 2, (size[1] - bottom - top) / 2), text, font=font, fill=(20, 20, 18), stroke_width=2, stroke_fill=(20, 20, 18))
    return np.asarray(board)


def label_aspect(text: str) -> float:
    """Width over height of a label's board."""
    height, width = label(text).shape[:2]
    return float(width / height)


def bounds(parts: Iterable[Part]) -> Floats:
    """Lowest and highest corner (2, 3) of the parts in metres."""
    every = np.concatenate([part.vertices for part in parts])
    return np.array([every.min(axis=0), every.max(axis=0)])
