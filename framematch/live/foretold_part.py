"""The recorded frame foretold, for the browser: where the corners of a grid over the frames lie on the display, for each stop of a slider."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from framematch.geometry.camera import Rect
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import inverse_m, to_display
from framematch.live.parts import packed

CELLS = (64, 36)


def foretold_part(pairing: Pairing, stops_m: Sequence[float]) -> bytes:
    """The part: one grid over all frames of the recorded picture together.

    ``places`` is (stops, rows + 1, columns + 1, 3) float32: share of the display's width and height, and 1 where both
    lenses image the corner, else 0. A cell with such a corner counts as not seen, so that nothing is made up there.

    Args:
        stops_m: distances, metres, each above the rig's own reach; may be infinite.
    """
    frames = pairing.frames
    sides = np.array([each.area.as_tuple() for each in frames])
    whole = Rect(left=sides[:, 0].min(), top=sides[:, 1].min(), right=sides[:, 2].max(), bottom=sides[:, 3].max())
    across, down = np.linspace(whole.left, whole.right, CELLS[0] + 1), np.linspace(whole.top, whole.bottom, CELLS[1] + 1)
    corners = np.stack(np.meshgrid(across, down), axis=-1)
    places = np.empty((len(stops_m), *corners.shape[:2], 3), dtype=np.float32)
    for i, distance in enumerate(stops_m):
        at, ok = to_display(pairing, corners, inverse_m(distance))
        places[i, ..., :2] = np.where(ok[..., None], at / pairing.display.raster_px, 0.5)
        places[i, ..., 2] = ok
    shown, (width, height) = pairing.display.shown, pairing.display.raster_px
    head = {
        "cells": list(CELLS),
        "frames": [
            {
                "name": each.name,
                "aspect": pairing.aspect_of(each.area),
                "part": [
                    (each.area.left - whole.left) / whole.width,
                    (each.area.top - whole.top) / whole.height,
                    (each.area.right - whole.left) / whole.width,
                    (each.area.bottom - whole.top) / whole.height,
                ],
            }
            for each in frames
        ],
        "shown": [shown.left / width, shown.top / height, shown.right / width, shown.bottom / height],
    }
    return packed("foretold", head, {"places": places})
