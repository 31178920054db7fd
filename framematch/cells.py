"""The guide on a character grid: the best rows and columns, and the error they cost."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from framematch.camera import Rect
from framematch.guide import best_rectangle, worst_error
from framematch.pairing import Pairing


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


def best_cells(pairing: Pairing) -> Cells | None:
    """The character rows and columns with the smallest worst error; None without a grid."""
    if pairing.text_cells is None:
        return None
    columns, rows = pairing.text_cells
    wide, high = pairing.display.raster_px[0] / columns, pairing.display.raster_px[1] / rows
    best = best_rectangle(pairing)
    choices = [
        _neighbours(best.left / wide, columns),
        _neighbours(best.top / high, rows),
        _neighbours(best.right / wide, columns),
        _neighbours(best.bottom / high, rows),
    ]

    def rectangle(cell: tuple[int, ...]) -> Rect:
        left, top, right, bottom = cell
        return Rect(left=(left - 0.5) * wide, top=(top - 0.5) * high, right=(right - 0.5) * wide, bottom=(bottom - 0.5) * high)

    def cost(cell: tuple[int, ...]) -> float:
        if cell[0] >= cell[2] or cell[1] >= cell[3]:
            return math.inf
        error = worst_error(pairing, rectangle(cell))
        return math.inf if math.isnan(error) else error

    found = min(itertools.product(*choices), key=cost)
    return Cells(
        grid=(columns, rows),
        left_column=found[0],
        top_row=found[1],
        right_column=found[2],
        bottom_row=found[3],
        rectangle=rectangle(found),
        worst_error_percent=cost(found),
    )


def _neighbours(place: float, count: int) -> list[int]:
    """The three cells whose middles lie nearest to a place, inside the grid."""
    nearest = math.floor(place) + 1
    return sorted({min(max(cell, 1), count) for cell in (nearest - 1, nearest, nearest + 1)})
