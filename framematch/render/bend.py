"""One resampling bends a sheet of perspective faces into the picture of a lens."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.render.faces import Plan
from framematch.render.picture import Picture
from framematch.render.pixels import pixel_rays
from framematch.render.shade import sky
from framematch.scene.model import Light

Floats = NDArray[np.float64]

_STEP = 0.02  # neighbours whose depths differ by more are not one surface


def bend(
    sheet: NDArray[np.uint8],
    depth: NDArray[np.float32],
    near_m: float,
    faces: Plan,
    camera: Camera,
    light: Light,
    scene_from_camera: Floats,
) -> Picture:
    """The picture of a sheet.

    Args:
        sheet: (h, w, 4) uint8 colour times coverage, and coverage.
        depth: (h, w) float32, ``near_m`` over depth along each face's axis; 0 where nothing was drawn.
            This is straight across a flat surface, so averaging it keeps flat surfaces flat.
        near_m: the near plane.
        faces: the plan that the sheet was drawn to.
        camera: the picture's.
        light: for the sky behind.
        scene_from_camera: (4, 4).
    """
    import cv2

    rays, ok = pixel_rays(camera)
    # Means of 2 x 2 face pixels, then the mean of the nearest four of those: about one picture pixel wide.
    soft = cv2.boxFilter(sheet, -1, (2, 2), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)
    mixed = cv2.remap(soft, faces.x - np.float32(0.5), faces.y - np.float32(0.5), cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    colour = mixed[..., :3]
    open_sky = ok & (mixed[..., 3] < 255)
    if open_sky.any():
        rise = rays[open_sky] @ scene_from_camera[1, :3].astype(np.float32)
        share = 1 - mixed[open_sky][:, 3:] / np.float32(255)
        colour[open_sky] = np.clip(colour[open_sky] + 255 * share * sky(light, rise) + 0.5, 0, 255).astype(np.uint8)
    smooth = cv2.remap(depth, faces.x, faces.y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    nearest = cv2.remap(depth, faces.x, faces.y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    with np.errstate(divide="ignore"):
        share = np.where(np.abs(smooth - nearest) <= _STEP * nearest, smooth, nearest)
        distance = np.float32(near_m) / (share * faces.forward)
    distance[~ok] = np.nan
    return Picture(colour=np.ascontiguousarray(colour), distance_m=distance, renderer="gl")
