"""Stills of what the goggles showed or recorded, brought back into the monitoring camera's own raster."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from framematch.geometry.pairing import Pairing
from framematch.measure.stills import Still

_SAME_SHAPE = 0.005


def undone(still: Still, pairing: Pairing) -> Still:
    """A still of the display's shape with bars, crop and stretch undone; any other as it is.

    What the display lost at its edges is not made up: the last row or column stands for it, which has no detail to be found. A display of
    the camera's own shape shows the whole raster, so there is nothing to undo.
    """
    display, (width, height) = pairing.display, still.size_px
    if not of_goggles(still, pairing):
        return still
    import cv2

    scale = np.array([width, height]) / np.array(display.raster_px)
    # Pixels here have their centres at + 0.5, OpenCV's on whole numbers.
    corner, step = display.from_source((0.5, 0.5)) * scale - 0.5, display.scale * scale
    matrix = np.array([[step[0], 0, corner[0]], [0, step[1], corner[1]]], dtype=np.float64)
    flags = cv2.WARP_INVERSE_MAP | (cv2.INTER_AREA if step.min() > 1.5 else cv2.INTER_CUBIC)
    pixels = cv2.warpAffine(still.pixels, matrix, display.source_px, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return Still(name=still.name, pixels=np.asarray(pixels, dtype=np.uint8))


def of_goggles(still: Still, pairing: Pairing) -> bool:
    """Whether a still has the display's shape and not the camera's own."""
    return not _alike(still.size_px, pairing.display.source_px) and _alike(still.size_px, pairing.display.raster_px)


def places_undone(places_px: Sequence[tuple[float, float] | None], still: Still, pairing: Pairing) -> list[tuple[float, float] | None]:
    """Places in a still as :func:`undone` has it; None stays None."""
    if not of_goggles(still, pairing):
        return list(places_px)
    scale = np.array(pairing.display.raster_px) / np.array(still.size_px)
    found = [None if place is None else pairing.display.to_source(np.array(place) * scale).tolist() for place in places_px]
    return [None if place is None else (place[0], place[1]) for place in found]


def _alike(one: tuple[int, int], other: tuple[int, int]) -> bool:
    return abs(one[0] / one[1] / (other[0] / other[1]) - 1) <= _SAME_SHAPE
