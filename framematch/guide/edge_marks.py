"""Where each side of the frame lies at given distances: places for small ticks beside a guide's lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import EDGES, inverse_m, to_display

Floats = NDArray[np.float64]
MOST_MARKS = 8
_ALONG = {"left": (0, 1), "top": (1, 0), "right": (0, 1), "bottom": (1, 0)}


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeMark:
    """One side of the true frame at one distance, about one place: a point (2,) and the side's direction (2,) there, display pixels."""

    edge: str
    distance_m: float
    at_px: Floats
    along: Floats


def edge_marks(pairing: Pairing, distances_m: Sequence[float], *, apart_px: tuple[float, float]) -> tuple[EdgeMark, ...]:
    """A mark for each side and distance that the display shows, one beside the other about the middle of its side.

    Args:
        distances_m: in any order, at most ``MOST_MARKS``, may be infinite.
        apart_px: how far neighbours stand apart on the display, across (top, bottom) and down (left, right), if there is room.

    Raises:
        InputError: too many distances, or one that is not in front of both lenses.
    """
    if len(distances_m) > MOST_MARKS:
        raise InputError(f"{len(distances_m)} distances to mark", field="marks", fix=f"give at most {MOST_MARKS}")
    nearest = max(0.0, pairing.mount.forward_mm / 1000)
    for distance in distances_m:
        if not distance > nearest:
            raise InputError(f"{distance:g} m can't be marked", field="marks", fix=f"give metres beyond both lenses, more than {nearest:g}")
    found = []
    for edge in EDGES:
        for i, distance in enumerate(sorted(set(distances_m))):
            mark = _mark(pairing, edge, distance, place=i - (len(set(distances_m)) - 1) / 2, apart_px=apart_px, count=len(set(distances_m)))
            if mark is not None:
                found.append(mark)
    return tuple(found)


def _mark(pairing: Pairing, edge: str, distance_m: float, *, place: float, apart_px: tuple[float, float], count: int) -> EdgeMark | None:
    f, along = pairing.frame, np.array(_ALONG[edge], dtype=np.float64)
    corner = np.array([f.right if edge == "right" else f.left, f.bottom if edge == "bottom" else f.top])
    side = along * (f.width, f.height)
    ends, _ = to_display(pairing, corner + side * np.array([[0.45], [0.55]]), inverse_m(distance_m))
    length = 10 * float(np.hypot(*(ends[1] - ends[0])))
    if not length > 0:
        return None
    step = min(apart_px[0 if along[0] else 1] / length, 0.8 / count)
    points, ok = to_display(pairing, corner + side * (0.5 + place * step + np.array([[-1e-3], [0.0], [1e-3]])), inverse_m(distance_m))
    if not (ok.all() and pairing.display.shown.contains(points[1])):
        return None
    way = points[2] - points[0]
    return EdgeMark(edge=edge, distance_m=distance_m, at_px=points[1], along=way / np.hypot(*way))
