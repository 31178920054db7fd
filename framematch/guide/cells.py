"""The guide on a character grid: the best rows and columns, and the error they cost."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from framematch.geometry.camera import Rect
from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_rectangle, least_worst_errors, worst_error


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Columns and rows to draw a guide with characters, counted from 1 at the top left.

    A character's line runs through the middle of its cell.
    """

    grid: tuple[int, int]
    left_column: int
    top_row: int
    right_column: int
    bottom_row: int
    rectangle: Rect
    worst_error_percent: float


def best_cells(pairing: Pairing, *, near: Rect | None = None) -> Cells | None:
    """The character rows and columns with the smallest worst error; None without a grid, or where none has an error or a side is nowhere.

    Args:
        near: the best rectangle, which is worked out if not given.
    """
    if pairing.text_cells is None:
        return None
    columns, rows = pairing.text_cells
    wide, high = pairing.display.raster_px[0] / columns, pairing.display.raster_px[1] / rows
    best = best_rectangle(pairing) if near is None else near
    if not np.isfinite(best.as_tuple()).all():
        return None
    choices = [
        _neighbours(best.left / wide, columns),
        _neighbours(best.top / high, rows),
        _neighbours(best.right / wide, columns),
        _neighbours(best.bottom / high, rows),
    ]

    def rectangle(cell: tuple[int, ...]) -> Rect:
        left, top, right, bottom = cell
        return Rect(left=(left - 0.5) * wide, top=(top - 0.5) * high, right=(right - 0.5) * wide, bottom=(bottom - 0.5) * high)

    cells = [c for c in itertools.product(*choices) if c[0] < c[2] and c[1] < c[3]]
    rectangles = [rectangle(c) for c in cells]
    if not cells:
        return None
    least = least_worst_errors(pairing, rectangles)
    found, lowest = None, math.inf
    for i in np.argsort(least, kind="stable"):
        if least[i] >= lowest:  # so are all that follow
            break
        error = worst_error(pairing, rectangles[i])
        if error < lowest:
            found, lowest = i, error
    if found is None:
        return None
    left, top, right, bottom = cells[found]
    return Cells(
        grid=(columns, rows),
        left_column=left,
        top_row=top,
        right_column=right,
        bottom_row=bottom,
        rectangle=rectangles[found],
        worst_error_percent=lowest,
    )


def _neighbours(place: float, count: int) -> list[int]:
    """The three cells whose middles lie nearest to a place, inside the grid."""
    nearest = math.floor(place) + 1
    return sorted({min(max(cell, 1), count) for cell in (nearest - 1, nearest, nearest + 1)})
