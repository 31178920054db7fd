"""What is really recorded of the wide picture: the truth that a guide is judged by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.mount import Mount
from framematch.render.picture import Picture
from framematch.render.pixels import pixel_rays

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BEHIND = 0.01  # relative depth behind what the recording camera sees from which a point counts as hidden
_BLOCK = 65_536


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorded:
    """Per pixel of the wide picture (H, W): whether it lies in the frame, and whether something hides it there."""

    in_frame: Mask
    hidden: Mask

    @property
    def area(self) -> Mask:
        """What is really recorded."""
        return self.in_frame & ~self.hidden


def recorded(*, mount: Mount, wide_camera: Camera, wide: Picture, frame_camera: Camera, frame: Picture, shown: Mask) -> Recorded:
    """Which pixels of the wide picture are recorded.

    Each pixel with its depth is a point X in the scene (a direction, where it is sky); that point has
    a place in the recorded frame or none, and a distance from the recording camera that is compared
    with the frame's depth. The frame's depth is taken as the farthest of the 3 x 3 pixels around the
    place, so that a slanting surface does not hide itself; a hidden margin of a pixel is therefore
    missed, and so is what hides a thing from closer than a hundredth of its distance.

    Args:
        mount: between the two cameras.
        wide_camera, wide: the monitoring camera as its picture is shown, and that picture.
        frame_camera, frame: the recording camera seeing the frame alone, and that picture.
        shown: (H, W), the pixels of the wide picture that carry picture at all (no bars).
    """
    rays, ok = pixel_rays(wide_camera)
    height, width = ok.shape
    in_frame, hidden = np.zeros(ok.size, dtype=bool), np.zeros(ok.size, dtype=bool)
    turn, shift = mount.recording_from_monitoring.astype(np.float32), mount.translation_m.astype(np.float32)
    farthest = _farthest(frame.distance_m)
    columns, rows = frame_camera.raster_px
    usable = np.flatnonzero(ok & shown)
    flat_rays, flat_distance = rays.reshape(-1, 3), wide.distance_m.reshape(-1)
    for start in range(0, len(usable), _BLOCK):
        part = usable[start : start + _BLOCK]
        far = flat_distance.take(part)
        sky = np.isinf(far)
        points = flat_rays.take(part, axis=0) @ turn.T
        if sky.any():
            far = np.where(sky, np.float32(1), far)
            points *= far[:, None]
            points += np.where(sky[:, None], np.float32(0), shift)
        else:
            points *= far[:, None]
            points += shift
        px, imaged = frame_camera.project(points)
        inside = imaged & frame_camera.picture.contains(px)
        in_frame[part] = inside
        there = np.flatnonzero(inside)
        column = np.minimum(px[there, 0].astype(int), columns - 1)
        row = np.minimum(px[there, 1].astype(int), rows - 1)
        place = points.take(there, axis=0)
        reach = np.where(sky[there], np.float32(np.inf), np.sqrt(np.einsum("ij,ij->i", place, place)))
        hidden[part[there]] = reach > farthest[row, column] * (1 + _BEHIND)
    return Recorded(in_frame=in_frame.reshape(height, width), hidden=hidden.reshape(height, width))


def _farthest(distance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Largest of each pixel and its neighbours; where there is no ray nothing is hidden."""
    out = np.pad(np.nan_to_num(distance, nan=np.inf, posinf=np.inf), 1, mode="edge")
    out = np.maximum(np.maximum(out[:-2], out[1:-1]), out[2:])
    return np.maximum(np.maximum(out[:, :-2], out[:, 1:-1]), out[:, 2:])


def agreement(a: Mask, b: Mask) -> float:
    """Area in both over area in either; 1 if there is neither."""
    either = int(np.count_nonzero(a | b))
    return int(np.count_nonzero(a & b)) / either if either else 1.0


def filled(rings: Sequence[ArrayLike], raster_px: tuple[int, int]) -> Mask:
    """Pixels (H, W) whose centres lie inside closed rings (n, 2), by the even-odd rule."""
    width, height = raster_px
    edges = [np.concatenate([ring, np.roll(ring, -1, axis=0)], axis=1) for ring in (np.asarray(r, dtype=np.float64) for r in rings)]
    if not edges:
        return np.zeros((height, width), dtype=bool)
    crossings = np.zeros((height, width + 1), dtype=np.int32)
    for x0, y0, x1, y1 in np.concatenate(edges):
        low, high = sorted((y0, y1))
        first, last = max(int(np.ceil(low - 0.5)), 0), min(int(np.ceil(high - 0.5)), height)
        row = np.arange(first, last)
        if len(row):
            x = x0 + (x1 - x0) * (row + 0.5 - y0) / (y1 - y0)
            # The pixels right of the crossing change sides.
            np.add.at(crossings, (row, np.clip(np.ceil(x - 0.5), 0, width).astype(int)), 1)
    inside: Mask = np.cumsum(crossings[:, :-1], axis=1) % 2 == 1
    return inside
