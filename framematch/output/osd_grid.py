"""The guide on the OSD's character grid, drawn cell by cell so that a pilot can copy it."""

from __future__ import annotations

from framematch.guide.cells import Cells
from framematch.output.pdf import BLACK, GREY, PALE, PT_PER_MM, Page

_CORNER_MM = 5.0  # room for the row numbers


def draw_osd_grid(page: Page, cells: Cells, *, x: float, top: float, width: float, height: float) -> None:
    """Every character as a cell, those to be set dark, with the numbers of their columns and rows, counted from 1."""
    columns, rows = cells.grid
    line = page.smallest_pt / PT_PER_MM
    page.text(x, top + line * 0.8, f"OSD characters, {columns} x {rows}", size_pt=page.smallest_pt, bold=True, room_mm=width)
    left, upper = x + _CORNER_MM, top + 2.2 * line
    side = min((width - _CORNER_MM) / columns, (height - 2.2 * line) / rows)
    for column in range(columns + 1):
        page.line(left + column * side, upper, left + column * side, upper + rows * side, width_mm=0.08, colour=PALE)
    for row in range(rows + 1):
        page.line(left, upper + row * side, left + columns * side, upper + row * side, width_mm=0.08, colour=PALE)
    page.rectangle(left, upper, columns * side, rows * side, width_mm=0.15, colour=GREY)
    for column, row in on_the_border(cells):
        page.rectangle(left + (column - 1) * side, upper + (row - 1) * side, side, side, colour=None, fill=BLACK)
    for column in (cells.left_column, cells.right_column):
        page.text(left + (column - 0.5) * side, upper - 0.6, str(column), size_pt=page.smallest_pt, align="centre")
    for row in (cells.top_row, cells.bottom_row):
        page.text(left - 0.8, upper + (row - 0.5) * side + 0.35 * line, str(row), size_pt=page.smallest_pt, align="right")


def on_the_border(cells: Cells) -> list[tuple[int, int]]:
    """Column and row, from 1, of every character that is set."""
    across = range(cells.left_column, cells.right_column + 1)
    down = range(cells.top_row, cells.bottom_row + 1)
    ring = {(column, row) for column in across for row in (cells.top_row, cells.bottom_row)}
    ring |= {(column, row) for row in down for column in (cells.left_column, cells.right_column)}
    columns, rows = cells.grid
    return sorted((column, row) for column, row in ring if 1 <= column <= columns and 1 <= row <= rows)
