"""Where the chart has been in the picture, and where it should be held next."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera

Floats = NDArray[np.float64]
_ACROSS = ("left", "middle", "right")
_DOWN = ("top", "middle", "bottom")


def corner_counts(pixels: Floats, raster_px: tuple[int, int]) -> NDArray[np.int64]:
    """(3, 3): how many corners (N, 2) fell in each ninth of the picture, top row first."""
    counts = np.zeros((3, 3), dtype=np.int64)
    cell = np.clip((pixels / np.array(raster_px) * 3).astype(int), 0, 2)
    np.add.at(counts, (cell[:, 1], cell[:, 0]), 1)
    return counts


def reach_percent(pixels: Floats, camera: Camera) -> float:
    """How far out corners were seen, in percent of the way from the lens centre to the farthest picture corner."""
    centre = np.array(camera.centre_px)
    width, height = camera.raster_px
    ends = np.array([(0, 0), (width, 0), (0, height), (width, height)], dtype=np.float64)
    radius = np.hypot(*(pixels - centre).T)
    return float(100 * np.percentile(radius, 99) / np.hypot(*(ends - centre).T).max())


def advice(pixels: Floats, camera: Camera, turns: Floats, stills: int) -> list[str]:
    """What to photograph next, most wanted first; empty if nothing is missing.

    Args:
        pixels: (N, 2) corners used.
        camera: as measured.
        turns: (V, 3, 3) chart to camera.
        stills: how many were used.

    The limits (8 stills, 8 corners in a ninth, three tilted positions, 85 % of the way out) are practice,
    no source; tests/test_measure_lens.py shows what leaving them unmet costs.
    """
    out = []
    counts = corner_counts(pixels, camera.raster_px)
    empty = [(row, column) for row in range(3) for column in range(3) if counts[row, column] < 8]
    if empty:
        out.append(f"hold the chart in the {_list([_place(row, column) for row, column in empty])} of the picture")
    tilt = np.degrees(np.arccos(np.clip(np.abs(turns[:, 2, 2]), 0, 1)))
    if (tilt > 20).sum() < 3:
        out.append("tilt the chart by 30 to 45 degrees in at least three stills, to different sides")
    elif _one_sided(turns[tilt > 20]):
        out.append("tilt the chart to the other side and also up and down: all tilts so far are about one axis")
    if not empty and reach_percent(pixels, camera) < 85:
        out.append("bring the chart right into the picture's corners: they are where the lens bends most")
    if stills < 8:
        out.append(f"take more stills: {stills} used, 12 to 20 serve well")
    return out


def _one_sided(turns: Floats) -> bool:
    """Whether all tilts are about one axis, within 25 degrees."""
    normal = turns[:, :2, 2] * np.sign(turns[:, 2, 2])[:, None]
    doubled = 2 * np.arctan2(normal[:, 1], normal[:, 0])
    mean = abs(np.exp(1j * doubled).mean())
    return bool(mean > math.cos(2 * math.radians(25)) ** 0.5)


def _place(row: int, column: int) -> str:
    if row == column == 1:
        return "middle"
    if row == 1:
        return _ACROSS[column]
    return _DOWN[row] if column == 1 else f"{_DOWN[row]} {_ACROSS[column]}"


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
