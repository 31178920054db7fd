"""The ray of every pixel of a camera, and cameras that stand for a whole picture as it is looked at."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.render.keep import Kept

Floats32 = NDArray[np.float32]
Mask = NDArray[np.bool_]

WIDEST = 8.0  # times its height

_kept: Kept[tuple[Floats32, Mask]] = Kept(limit_bytes=150_000_000, size=lambda v: v[0].nbytes + v[1].nbytes)


def pixel_rays(camera: Camera) -> tuple[Floats32, Mask]:
    """Unit rays (H, W, 3) of all pixel centres in camera axes, and whether each pixel has one (H, W).

    float32 holds a direction to 6e-8 rad, a two-thousandth of a pixel of an 8K picture. The arrays are
    shared between callers and read-only.
    """
    return _kept.get(camera, lambda: _pixel_rays(camera))


def _pixel_rays(camera: Camera) -> tuple[Floats32, Mask]:
    width, height = camera.raster_px
    rays, ok = np.empty((height, width, 3), dtype=np.float32), np.empty((height, width), dtype=bool)
    across = np.arange(width) + 0.5
    rows = max(1, 131_072 // width)
    for top in range(0, height, rows):
        down = np.arange(top, min(top + rows, height)) + 0.5
        points = np.stack(np.broadcast_arrays(across[None, :], down[:, None]), axis=-1)
        rays[top : top + rows], ok[top : top + rows] = camera.unproject(points)
    rays.flags.writeable = ok.flags.writeable = False
    return rays, ok


def frame_camera(pairing: Pairing, *, height_px: int) -> Camera:
    """The recording camera seeing the frame alone, de-squeezed, at a height of its own; see :func:`width_for`."""
    return pairing.recording.cropped(pairing.frame, (width_for(pairing.frame_aspect, height_px), height_px))


def width_for(aspect: float, height_px: int) -> int:
    """Pixels across a picture of a height: square ones, but in a picture wider than ``WIDEST`` wider ones."""
    # A frame a few pixels high would else be a thousand times as wide as high, and fill the memory.
    return max(1, round(height_px * min(aspect, WIDEST)))
