"""A scene for the browser: triangles in their light, the texture as a picture file, the sky."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.live.parts import packed
from framematch.render.shade import lit_corners
from framematch.scene.model import Scene

QUALITY = 94  # of the texture's JPEG, colour at full size: off by 1/255 in the middle


def scene_part(scene: Scene) -> bytes:
    """The scene's part.

    Corners are (3 M, 3) metres from ``origin``, which keeps float32 fine wherever a scan lies; light is
    in their colours (uint8), as :mod:`framematch.render.shade` has it.
    """
    surface = scene.surface
    vertices = np.asarray(surface.vertices)
    origin = (vertices.min(axis=0) + vertices.max(axis=0)) / 2 if len(vertices) else np.zeros(3)
    colours = np.full((len(surface.faces) * 3, 4), 255, dtype=np.uint8)
    colours[:, :3] = np.round(lit_corners(surface, scene.light).reshape(-1, 3) * 255)
    arrays: dict[str, NDArray[Any] | bytes] = {"places": (vertices[surface.faces].reshape(-1, 3) - origin).astype(np.float32), "colours": colours}
    if surface.texture is not None and surface.uv is not None:
        arrays["uv"] = surface.uv[surface.faces].reshape(-1, 2).astype(np.float32)
        arrays["texture"] = np.frombuffer(_jpeg(surface.texture), dtype=np.uint8)
    head = {
        "name": scene.name,
        "origin": origin.tolist(),
        "bounds": (np.array([vertices.min(axis=0), vertices.max(axis=0)]) if len(vertices) else np.zeros((2, 3))).tolist(),
        "ground": scene.ground_m,
        "zenith": scene.light.sky_zenith,
        "horizon": scene.light.sky_horizon,
    }
    return packed("scene", head, arrays)


def _jpeg(texture: np.ndarray[tuple[int, ...], np.dtype[np.uint8]]) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(texture).save(out, "JPEG", quality=QUALITY, subsampling=0)
    return out.getvalue()
