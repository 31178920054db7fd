"""The guide as shapes: the one place that decides how a guide looks.

Frames are told apart by dashes, sets of lines by weight and by their number on the line: neither needs a colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from framematch.errors import InputError
from framematch.geometry.camera import Rect
from framematch.guide.edge_marks import EdgeMark, edge_marks
from framematch.guide.report import Report
from framematch.guide.shown import metres
from framematch.output.drawing import EDGE_COLOUR, Area, Drawing, Floats, Label, Line, Shape

# Told apart by lightness and by line style as well as by hue, so that neither colour-blind eyes nor
# glare lose them. The rectangle is of a pair, light dashes with dark ones between: one of the two stands out from whatever lies behind.
RECTANGLE, BETWEEN = "#8ff5ff", "#06414d"
OUTLINE, ALWAYS, EVER, CENTRE = "#ffe09a", "#1db884", "#ff8a5c", "#ffffff"

PARTS = ("always", "ever", "outline", "rectangle", "cells", "centre", "label")
USUAL_PARTS = ("outline", "rectangle", "centre", "label")
THINNEST_PX, WIDEST_PX = 0.25, 100.0  # of a line
Dash = tuple[float, float] | None


@dataclass(frozen=True, kw_only=True)
class Look:
    """How the lines of one frame look: their colour, dashes in widths of the main line, and what colour stands between those."""

    colour: str
    dash: Dash
    weight: float
    between: str = ""


#: Of the main frame and of each further one.
FRAME_LOOKS = (
    Look(colour=RECTANGLE, dash=(12.0, 8.0), weight=1.0, between=BETWEEN),
    Look(colour="#ffffff", dash=(9.0, 4.5), weight=0.9),
    Look(colour="#ffb3e0", dash=(3.5, 3.5), weight=0.9),
    Look(colour="#ffc46b", dash=(1.2, 3.0), weight=1.1),
    Look(colour="#b8f28a", dash=(16.0, 5.0), weight=0.7),
    Look(colour="#d9c2ff", dash=(6.0, 7.0), weight=0.7),
)
#: Of each set of lines by how many there are, the nearest first.
SET_WEIGHTS = {1: (1.0,), 2: (1.5, 0.7), 3: (1.7, 1.05, 0.6), 4: (1.9, 1.3, 0.85, 0.5)}


@dataclass(frozen=True, kw_only=True, eq=False)
class _Lines:
    """The guide of one frame in one set of lines, and how it looks in this drawing."""

    report: Report
    name: str
    frame: int
    number: int
    look: Look
    weight: float


def guide_drawing(
    report: Report,
    *,
    parts: tuple[str, ...] = USUAL_PARTS,
    line_px: float | None = None,
    frames: Sequence[int] | None = None,
    marks_m: Sequence[float] = (),
) -> Drawing:
    """The guide on a transparent ground of the display's size; with several sets of lines, all of them.

    Args:
        parts: what to draw, of ``PARTS``.
        line_px: width of the rectangle's line; a 240th of the display's height if not given.
        frames: which frames, 0 for the main one; all if not given.
        marks_m: distances at which small ticks show where each side of the first frame drawn lies.

    Raises:
        InputError: a part that there isn't, no line width, no such frame, or a distance that can't be marked.
    """
    unknown = [part for part in parts if part not in PARTS]
    if unknown:
        raise InputError(f"{unknown[0]!r} can't be drawn", field="draw", fix=f"choose from {', '.join(PARTS)}")
    width, height = report.pairing.display.raster_px
    line = min(max(height / 240, THINNEST_PX), WIDEST_PX) if line_px is None else line_px
    if not THINNEST_PX <= line <= WIDEST_PX:
        raise InputError(f"{line:g} is not a line width", field="line-px", fix=f"give {THINNEST_PX:g} to {WIDEST_PX:g} pixels")
    lines = _lines(report, frames)
    shapes: list[Shape] = []
    for part in PARTS:
        if part not in parts or (part == "outline" and report.sets and "rectangle" in parts):
            continue  # with several sets each one's own drawing has its outline: together they would be a thicket
        if part == "label":
            shapes += _marks(lines, marks_m, line, height / 45)
            shapes += [*_tags(lines, line, height), *_label(report, lines, line, beside=shapes)]
        elif part in ("always", "ever"):
            shapes += _areas(report, lines, line, part)
        else:
            shapes += [shape for each in lines for shape in _SHAPES[part](each, line)]
    if "label" not in parts:
        shapes += _marks(lines, marks_m, line, height / 45)
    return Drawing(size=(width, height), shapes=shapes, title=report.pairing.title)


def _lines(report: Report, frames: Sequence[int] | None) -> list[_Lines]:
    """Every guide that is drawn: thin ones last, so that they stay whole where lines cross."""
    sets = report.each_set
    names = [frame.name for frame in report.pairing.frames]
    shown = range(len(names)) if frames is None else frames
    if not all(0 <= i < len(names) for i in shown):
        raise InputError("no such frame", field="frames", fix=f"choose from {', '.join(names)}")
    return [
        _Lines(
            report=each.each_frame[i],
            name=names[i] if len(names) > 1 else "",
            frame=i,
            number=number if len(sets) > 1 else 0,
            look=FRAME_LOOKS[i],
            weight=SET_WEIGHTS[len(sets)][number - 1] * FRAME_LOOKS[i].weight,
        )
        for number, each in enumerate(sets, 1)
        for i in shown
    ]


def _dash(look: Look, line: float, *, scale: float = 1.0) -> Dash:
    return None if look.dash is None else (look.dash[0] * line * scale, look.dash[1] * line * scale)


def _rectangle_line(rectangle: Rect, *, colour: str, width: float, dash: Dash = None, between: str = "") -> Line:
    corners = rectangle.border([0, 1, 2, 3])
    return Line(points=corners, colour=colour, width=width, edge=max(width * 0.5, 0.5), closed=True, dash=dash, between=between)


def _rectangle(each: _Lines, line: float) -> list[Shape]:
    look, width = each.look, line * each.weight
    return [_rectangle_line(each.report.guide.rectangle, colour=look.colour, width=width, dash=_dash(look, line), between=look.between)]


def _outline(each: _Lines, line: float) -> list[Shape]:
    width, dash = line * 0.7 * each.weight, None if each.look.between else _dash(each.look, line, scale=0.7)
    return [Line(points=piece, colour=OUTLINE, width=width, edge=line * 0.4, dash=dash) for piece in each.report.guide.outline.pieces]


def _areas(report: Report, lines: list[_Lines], line: float, kind: str) -> list[Shape]:
    """What is always in shot in every frame, or may be in shot in any; of the one frame that is drawn, its own."""
    several = report.shared is not None and len({each.frame for each in lines}) > 1
    own = report.each_frame[lines[0].frame].areas if lines else report.areas
    always, ever = (report.shared.both, report.shared.either) if several and report.shared is not None else (own.always, own.ever)
    if kind == "ever":
        return [Line(points=r, colour=EVER, width=line * 0.6, edge=line * 0.4, dash=(line * 6, line * 4)) for r in ever]
    edge: list[Shape] = [Line(points=r, colour=ALWAYS, width=line * 0.6, edge=line * 0.3) for r in always]
    return [Area(rings=always, colour=ALWAYS, opacity=0.22), *edge] if always else []


def _cells(each: _Lines, line: float) -> list[Shape]:
    if each.report.cells is None:
        return []
    return [_rectangle_line(each.report.cells.rectangle, colour=CENTRE, width=line * 0.6, dash=(line * 2, line * 3))]


def _centre(each: _Lines, line: float) -> list[Shape]:
    """A small cross where the guide's own middle lies; of several frames, the main one's."""
    if each.frame > 0 or each.number > 1:
        return []
    r = each.report.guide.rectangle
    x, y, arm = (r.left + r.right) / 2, (r.top + r.bottom) / 2, line * 5

    def bar(a: tuple[float, float], b: tuple[float, float]) -> Line:
        points: Floats = np.array([a, b])
        return Line(points=points, colour=CENTRE, width=line * 0.6, edge=line * 0.5)

    return [bar((x - arm, y), (x + arm, y)), bar((x, y - arm), (x, y + arm))]


def _tags(lines: list[_Lines], line: float, height: int) -> list[Shape]:
    """Names of frames and numbers of sets on the lines themselves, each in a dark box that nothing shines through."""
    size = height / 36
    count = max((each.number for each in lines), default=0)
    shapes: list[Shape] = []
    for each in lines:
        r = each.report.guide.rectangle
        if each.name and each.number <= 1:
            shapes += _tag(each.name, r.left + (0.31 * len(each.name) + 0.75) * size, r.top, size, each.look.colour)
        if each.number:
            # Each set has its own place along the sides, so that numbers of near lines never cover each other.
            share = 0.08 + 0.4 * each.number / count
            for x in (r.left + r.width * share * 0.85, r.right - r.width * share * 0.85):
                shapes += _tag(str(each.number), x, r.bottom, size, each.look.colour)
            for x in (r.left, r.right):
                shapes += _tag(str(each.number), x, r.top + r.height * share, size, each.look.colour)
    return shapes


def _tag(text: str, x: float, y: float, size: float, colour: str) -> list[Shape]:
    wide, high = (0.62 * len(text) + 0.5) * size / 2, 0.66 * size
    box = np.array([(x - wide, y - high), (x + wide, y - high), (x + wide, y + high), (x - wide, y + high)])
    return [Area(rings=(box,), colour=EDGE_COLOUR, opacity=0.85), Label(text=text, x=x, y=y, size=size, colour=colour, anchor="middle")]


def _marks(lines: list[_Lines], marks_m: Sequence[float], line: float, size: float) -> list[Shape]:
    """Small ticks where each side lies at given distances, labelled outside the frame, or inside where the display ends."""
    if not marks_m or not lines:
        return []
    first = lines[0]
    rectangles = [each.report.guide.rectangle for each in lines if each.frame == first.frame]
    shapes: list[Shape] = []
    for mark in edge_marks(first.report.pairing, marks_m, apart_px=(3.8 * size, 1.5 * size)):
        half = mark.along * (1.3 if mark.edge in ("top", "bottom") else 0.62) * size
        ends: Floats = np.stack([mark.at_px - half, mark.at_px + half])
        tick = Line(points=ends, colour=first.look.colour, width=line * 1.2, edge=line * 0.7)
        shapes += [tick, _mark_label(mark, rectangles, size, first.look.colour, first.report.pairing.display.raster_px)]
    return shapes


def _mark_label(mark: EdgeMark, rectangles: list[Rect], size: float, colour: str, display_px: tuple[int, int]) -> Label:
    axis = 0 if mark.edge in ("left", "right") else 1
    sign = -1 if mark.edge in ("left", "top") else 1  # outwards
    room = (4.0 if axis == 0 else 1.6) * size
    levels = [sign * float(mark.at_px[axis]), *(sign * getattr(r, mark.edge) for r in rectangles)]
    outside = sign * (max(levels) + (0.6 if axis == 0 else 1.0) * size)
    inside = not (room < outside < display_px[axis] - room)
    level = sign * (min(levels) - (0.6 if axis == 0 else 1.0) * size) if inside else outside
    x, y = (level, float(mark.at_px[1])) if axis == 0 else (float(mark.at_px[0]), level)
    anchor = "middle" if axis == 1 else "left" if (sign > 0) != inside else "right"
    text = "inf" if np.isinf(mark.distance_m) else metres(mark.distance_m)
    return Label(text=text, x=x, y=y, size=size, colour=colour, anchor=anchor, edge=size / 8)


def guide_label(report: Report) -> str:
    """What a guide says of itself: its range, where it is true, how far it is off; of several sets, each one's range."""
    p, g = report.pairing, report.guide
    if report.sets:
        ranges = "  |  ".join(f"{i}: {span(each.pairing.near_m, each.pairing.far_m)}" for i, each in enumerate(report.sets, 1))
        return f"{ranges}  |  off by up to {report.sets_worst_error_percent[0]:.1f} %"
    if p.near_m == p.far_m:
        return f"at {metres(p.near_m)}  |  off by up to {g.rectangle_worst_error_percent:.1f} %"
    return f"{span(p.near_m, p.far_m)}  |  true at {metres(g.set_distance_m)}  |  off by up to {g.rectangle_worst_error_percent:.1f} %"


def span(near_m: float, far_m: float) -> str:
    """``1.5 m to 30 m``."""
    return f"{metres(near_m)} to {metres(far_m)}"


def _label(report: Report, lines: list[_Lines], line: float, *, beside: list[Shape]) -> list[Shape]:
    """What the guide says of itself, below all that is drawn or, without room there, above it."""
    width, height = report.pairing.display.raster_px
    shown = [each.report.guide.rectangle for each in lines] or [report.guide.rectangle]
    size = height / 36
    text = guide_label(report if report.sets or not lines else lines[0].report)
    size = min(size, 0.94 * width / (0.55 * len(text)))
    x = min(max(min(r.left for r in shown), 0.02 * width), max(0.98 * width - 0.55 * size * len(text), 0.02 * width))
    levels = np.concatenate([*([r.top, r.bottom] for r in shown), *(shape.points[:, 1] for shape in beside if isinstance(shape, Line))])
    below, above = levels.max() + line * 2 + size * 0.9, levels.min() - line * 2 - size * 0.9
    if any(each.number or each.name for each in lines):
        below, above = below + size * 0.5, above - size * 0.5
    y = below if below < height - size else above if above > size else height - 1.5 * size
    return [Label(text=text, x=x, y=y, size=size, colour=RECTANGLE, edge=size / 10)]


_SHAPES = {"outline": _outline, "rectangle": _rectangle, "cells": _cells, "centre": _centre}
