"""The drawings of the flight card: the display with its guide, the run from above."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from framematch.day import DayPlan, Distances
from framematch.output import fonts
from framematch.output.day_style import Style
from framematch.output.guide_drawing import guide_drawing
from framematch.output.pdf import BLACK, GREY, PALE, PT_PER_MM, SMALLEST_PT, WHITE, Page
from framematch.output.pdf_drawing import draw_shapes
from framematch.text import units

#: Told apart in grey too: by dashes and by depth.
FALL, FALL_ROUND, CLEAR = "#b3461b", "#d9901a", "#1f5fa8"


def draw_display(page: Page, plan: DayPlan, x: float, top: float, style: Style) -> float:
    """The display with the guide on it, insets written at its sides."""
    report = plan.report
    width_px, height_px = report.pairing.display.raster_px
    width = style.room_mm * 0.62
    scale = width / width_px
    height = height_px * scale
    left = x + (style.room_mm - width) / 2
    page.rectangle(left, top, width, height, width_mm=0.3, fill="#f1f1f1")

    with page.clipped(left, top, width, height):
        for part, line_mm in (("outline", 0.25), ("rectangle", 0.5)):
            draw_shapes(page, guide_drawing(report, parts=(part,)), x=left, top=top, mm_per_px=(scale, scale), line_mm=line_mm)
    size = max(style.size_pt * 0.85, SMALLEST_PT)
    half = size / PT_PER_MM * 0.35
    if not report.sets:  # each set has its own: they stand in words below
        r = report.guide.rectangle
        insets = (r.left, r.top, width_px - r.right, height_px - r.bottom)
        middle = top + height / 2 + half
        page.text(left - 1, middle, f"{insets[0]:.0f}", size_pt=size, align="right")
        page.text(left + width + 1, middle, f"{insets[2]:.0f}", size_pt=size)
        page.text(left + width / 2, top + max(insets[1], 0) * scale / 2 + half, f"{insets[1]:.0f}", size_pt=size, align="centre")
        page.text(left + width / 2, top + height - max(insets[3], 0) * scale / 2 + half, f"{insets[3]:.0f}", size_pt=size, align="centre")
    page.text(left + width / 2, top + height / 2 + half, "frame", size_pt=size, align="centre", colour=GREY)
    return page.block(x, top + height + 0.8, "Thick: rectangle, with its insets in pixels. Thin: outline.", room_mm=style.room_mm, size_pt=size)


def draw_plan(page: Page, plan: DayPlan, found: Distances, x: float, top: float, style: Style) -> float:
    """The run from above with both fall areas, people, walls and a scale; ahead is up."""
    everything = [*found.areas.round, found.run_m[:, :2], np.array([p.at_m for p in found.people]).reshape(-1, 2)]
    walls = plan.day.place.walls
    bounds = np.concatenate(everything)
    low, high = bounds.min(axis=0), bounds.max(axis=0)
    for wall in walls:  # a wall is drawn as far as the picture goes; it does not shrink it by more than a quarter
        line = np.asarray(wall.line_m)
        room = 0.25 * (high - low)
        low, high = np.maximum(np.minimum(low, line.min(axis=0)), low - room), np.minimum(np.maximum(high, line.max(axis=0)), high + room)
    span = np.maximum(high - low, 1.0)
    tallest = style.room_mm * 0.9
    scale = min((style.room_mm - 4) / span[0], tallest / span[1])
    height = float(span[1] * scale + 4)
    middle = x + style.room_mm / 2 - (low[0] + high[0]) / 2 * scale

    def at(points: ArrayLike) -> list[tuple[float, float]]:
        return [(middle + float(a) * scale, top + 2 + (high[1] - float(b)) * scale) for a, b in np.asarray(points)]

    page.rectangle(x, top, style.room_mm, height, width_mm=0.15, colour=PALE)
    with page.clipped(x, top, style.room_mm, height):
        page.rings([at(r) for r in found.areas.round], colour=FALL_ROUND, width_mm=0.35, fill=FALL_ROUND, opacity=0.13, dash_mm=(1.4, 0.9))
        page.rings([at(r) for r in found.areas.straight], colour=FALL, width_mm=0.35, fill=FALL, opacity=0.3)
        page.rings([at(line) for line in found.walls], closed=False, width_mm=0.25, colour=GREY)
        for wall in walls:
            page.path(at(wall.line_m), width_mm=0.8, colour=GREY)
            if wall.name:
                (a, b) = at([wall.line_m[0]])[0]
                page.text(a, b - 0.8, wall.name, size_pt=max(style.size_pt * 0.75, SMALLEST_PT), colour=GREY)
        run = at(found.run_m[:, :2])
        page.path(run, width_mm=0.6)
        _arrow(page, run)
        start = run[0]
        page.circle(start[0], start[1], 0.7, width_mm=0.4, fill=WHITE)
        for person in found.people:
            _mark(page, at([person.at_m])[0], person.name, bad=person.in_straight or person.in_round, style=style, right_edge=x + style.room_mm)
    _scale_bar(page, plan, x + 1.5, top + height - 1.6, scale, style)
    y = top + height + 0.4
    size = max(style.size_pt * 0.8, SMALLEST_PT)
    side = size / PT_PER_MM * 0.9
    for colour, name, dash, opacity in ((FALL, "thrown straight on", (), 0.3), (FALL_ROUND, "if it turns as it falls", (0.9, 0.6), 0.13)):
        page.rectangle(x, y + 0.25, side, side, colour=colour, width_mm=0.3, fill=colour, opacity=opacity, dash_mm=dash)
        y = page.block(x + side + 1, y, name, room_mm=style.room_mm - side - 1, size_pt=size)
    return page.block(
        x, y, "Black: the run. Grey: walls and what stands there. Blue: people; a black triangle where they are in reach.", room_mm=style.room_mm, size_pt=size
    )


def _arrow(page: Page, run: Sequence[tuple[float, float]]) -> None:
    (ax, ay), (bx, by) = run[-2], run[-1]
    length = math.hypot(bx - ax, by - ay)
    if length < 1e-6:
        return
    ux, uy = (bx - ax) / length, (by - ay) / length
    page.path([(bx, by), (bx - 2.4 * ux + 0.9 * uy, by - 2.4 * uy - 0.9 * ux), (bx - 2.4 * ux - 0.9 * uy, by - 2.4 * uy + 0.9 * ux)], colour=None, fill=BLACK)


def _mark(page: Page, at: tuple[float, float], name: str, *, bad: bool, style: Style, right_edge: float) -> None:
    x, y = at
    if bad:
        page.path([(x, y - 1.4), (x + 1.3, y + 0.9), (x - 1.3, y + 0.9)], closed=True, width_mm=0.3, fill=BLACK)
    else:
        page.circle(x, y, 0.9, width_mm=0.3, colour=WHITE, fill=CLEAR)
    size = max(style.size_pt * 0.8, SMALLEST_PT)
    wide = fonts.width_pt(name, size, bold=bad) / PT_PER_MM
    right = x + 1.8 + wide <= right_edge
    page.rectangle(x + 1.6 if right else x - 2 - wide, y - 1.6, wide + 0.4, 3.2, colour=None, fill=WHITE, opacity=0.85)
    page.text(x + 1.8 if right else x - 1.8, y + 0.8, name, size_pt=size, bold=bad, align="left" if right else "right")


def _scale_bar(page: Page, plan: DayPlan, x: float, y: float, scale: float, style: Style) -> None:
    unit = "ft" if plan.day.units == "imperial" else "m"
    metre = units.convert(1.0, unit=unit, to="m") * scale
    length = max((n for n in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000) if n * metre <= 0.3 * style.room_mm), default=1)
    page.line(x, y, x + length * metre, y, width_mm=0.5)
    for end in (x, x + length * metre):
        page.line(end, y - 0.9, end, y, width_mm=0.3)
    page.text(x + length * metre + 1, y, f"{length} {unit}", size_pt=max(style.size_pt * 0.75, SMALLEST_PT))
