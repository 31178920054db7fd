"""The guide as shapes: the one place that decides how a guide looks."""

from __future__ import annotations

import numpy as np

from framematch.errors import InputError
from framematch.geometry.camera import Rect
from framematch.guide.report import Report, metres
from framematch.output.drawing import Area, Drawing, Floats, Label, Line, Shape

# Told apart by lightness and by line style as well as by hue, so that neither colour-blind eyes nor
# glare lose them; hues after Okabe and Ito's colour-blind-safe set (2008).
RECTANGLE, OUTLINE, ALWAYS, EVER, CENTRE = "#ffe033", "#8fdcff", "#1fc795", "#ff9c50", "#ffffff"

PARTS = ("always", "ever", "outline", "rectangle", "cells", "centre", "label")
USUAL_PARTS = ("outline", "rectangle", "centre", "label")
THINNEST_PX, WIDEST_PX = 0.25, 100.0  # of a line


def guide_drawing(report: Report, *, parts: tuple[str, ...] = USUAL_PARTS, line_px: float | None = None) -> Drawing:
    """The guide on a transparent ground of the display's size.

    Args:
        parts: what to draw, of ``PARTS``.
        line_px: width of the rectangle's line; a 240th of the display's height if not given.

    Raises:
        InputError: a part that there isn't, or no line width.
    """
    unknown = [part for part in parts if part not in PARTS]
    if unknown:
        raise InputError(f"{unknown[0]!r} can't be drawn", field="draw", fix=f"choose from {', '.join(PARTS)}")
    width, height = report.pairing.display.raster_px
    line = min(max(height / 240, THINNEST_PX), WIDEST_PX) if line_px is None else line_px
    if not THINNEST_PX <= line <= WIDEST_PX:
        raise InputError(f"{line:g} is no line width", field="line-px", fix=f"give {THINNEST_PX:g} to {WIDEST_PX:g} pixels")
    shapes: list[Shape] = []
    for part in PARTS:
        if part in parts:
            shapes += _label(report, line, beside=shapes) if part == "label" else _SHAPES[part](report, line)
    return Drawing(size=(width, height), shapes=shapes, title=report.pairing.title)


def _rectangle_line(rectangle: Rect, *, colour: str, width: float, dash: tuple[float, float] | None = None) -> Line:
    corners = rectangle.border([0, 1, 2, 3])
    return Line(points=corners, colour=colour, width=width, edge=width * 0.5, closed=True, dash=dash)


def _rectangle(report: Report, line: float) -> list[Shape]:
    return [_rectangle_line(report.guide.rectangle, colour=RECTANGLE, width=line)]


def _outline(report: Report, line: float) -> list[Shape]:
    return [Line(points=piece, colour=OUTLINE, width=line * 0.7, edge=line * 0.4) for piece in report.guide.outline.pieces]


def _always(report: Report, line: float) -> list[Shape]:
    rings = report.areas.always
    edge: list[Shape] = [Line(points=r, colour=ALWAYS, width=line * 0.6, edge=line * 0.3) for r in rings]
    return [Area(rings=rings, colour=ALWAYS, opacity=0.22), *edge] if rings else []


def _ever(report: Report, line: float) -> list[Shape]:
    return [Line(points=r, colour=EVER, width=line * 0.6, edge=line * 0.4, dash=(line * 6, line * 4)) for r in report.areas.ever]


def _cells(report: Report, line: float) -> list[Shape]:
    if report.cells is None:
        return []
    return [_rectangle_line(report.cells.rectangle, colour=CENTRE, width=line * 0.6, dash=(line * 2, line * 3))]


def _centre(report: Report, line: float) -> list[Shape]:
    """A small cross where the guide's own middle lies."""
    r = report.guide.rectangle
    x, y, arm = (r.left + r.right) / 2, (r.top + r.bottom) / 2, line * 5

    def bar(a: tuple[float, float], b: tuple[float, float]) -> Line:
        points: Floats = np.array([a, b])
        return Line(points=points, colour=CENTRE, width=line * 0.6, edge=line * 0.5)

    return [bar((x - arm, y), (x + arm, y)), bar((x, y - arm), (x, y + arm))]


def guide_label(report: Report) -> str:
    """What a guide says of itself: its range, where it is true, how far it is off."""
    p, g = report.pairing, report.guide
    if p.near_m == p.far_m:
        return f"at {metres(p.near_m)}  |  off by up to {g.rectangle_worst_error_percent:.1f} %"
    return f"{metres(p.near_m)} to {metres(p.far_m)}  |  true at {metres(g.set_distance_m)}  |  off by up to {g.rectangle_worst_error_percent:.1f} %"


def _label(report: Report, line: float, *, beside: list[Shape]) -> list[Shape]:
    """What the guide says of itself, below all that is drawn or, without room there, above it."""
    width, height = report.pairing.display.raster_px
    r, size = report.guide.rectangle, height / 36
    x = min(max(r.left, 0.02 * width), 0.5 * width)
    levels = np.concatenate([[r.top, r.bottom], *(shape.points[:, 1] for shape in beside if isinstance(shape, Line))])
    below, above = levels.max() + line * 2 + size * 0.9, levels.min() - line * 2 - size * 0.9
    y = below if below < height - size else above if above > size else height - 1.5 * size
    return [Label(text=guide_label(report), x=x, y=y, size=size, colour=RECTANGLE, edge=size / 14)]


_SHAPES = {
    "always": _always,
    "ever": _ever,
    "outline": _outline,
    "rectangle": _rectangle,
    "cells": _cells,
    "centre": _centre,
}
