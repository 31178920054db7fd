"""Wall marks as drawings for a screen: the wall with its tape numbers, and where the marks show in the display."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from framematch.geometry.pairing import Pairing
from framematch.guide.shown import millimetres
from framematch.guide.wall_marks import Mark, tape_lengths_mm, wall_extent_mm
from framematch.output.drawing import Area, Drawing, Floats, Inks, Label, Line, Shape, ground

WIDE, HIGH = 480, 330
_TEXT = 15.0


def wall_drawing(marks: tuple[Mark, ...], *, inks: Inks) -> Drawing:
    """The wall as seen from the rig: each mark with its millimetres right or left, up or down of A."""
    around = wall_extent_mm(marks)
    left, right, top, bottom = min(around.left, 0.0), max(around.right, 0.0), min(around.top, 0.0), max(around.bottom, 0.0)
    scale = min((WIDE - 150) / (right - left), (HIGH - 148) / (bottom - top))
    x0, y0 = WIDE / 2 - (left + right) / 2 * scale, (HIGH - 26) / 2 - (top + bottom) / 2 * scale
    places = {m.name: (x0 + m.right_mm * scale, y0 - m.up_mm * scale) for m in marks}
    corners = np.array([place for name, place in places.items() if name != "centre"])
    shapes: list[Shape] = [ground(WIDE, HIGH, inks)]
    shapes += [
        Line(points=np.array(run, dtype=float), colour=inks.quiet, width=1, dash=(3, 4)) for run in (((10, y0), (WIDE - 10, y0)), ((x0, 8), (x0, HIGH - 36)))
    ]
    shapes.append(Line(points=corners, colour=inks.quiet, width=1.4, closed=True, dash=(8, 5)))
    for m in marks:
        x, y = places[m.name]
        shapes += _cross(x, y, inks.accent, size=9, width=3)
        if m.name == "centre" and math.hypot(x - x0, y - y0) < 12:
            continue
        below = m.up_mm < 0 or m.name == "centre"
        words = (m.name, _side(m.right_mm, "right", "left"), _side(m.up_mm, "up", "down"))
        for i, text in enumerate(words):
            row = y + 20 + 17 * i if below else y - 20 - 17 * (len(words) - 1 - i)
            shapes.append(Label(text=text, x=x, y=row, size=_TEXT, colour=inks.ink if i else inks.quiet, anchor="middle"))
    shapes += [Area(rings=(_circle(x0, y0, 5),), colour=inks.ink, opacity=1.0), Label(text="A", x=x0 + 10, y=y0 - 13, size=17, colour=inks.ink)]
    lengths = tape_lengths_mm(marks)
    foot = "Diagonals {} and {}; top {}, left {}".format(*(millimetres(lengths[name]) for name in ("diagonal down", "diagonal up", "top", "left")))
    shapes.append(Label(text=foot, x=12, y=HIGH - 16, size=_TEXT, colour=inks.ink))
    return Drawing(size=(WIDE, HIGH), shapes=shapes, title="Marks on the wall, seen from the rig")


def marks_in_display(pairing: Pairing, marks: tuple[Mark, ...], *, inks: Inks) -> Drawing:
    """The display's picture with every mark at the place where it must show, in display pixels."""
    wide, high = pairing.display.raster_px
    scale = min((WIDE - 24) / wide, (HIGH - 24) / high)
    size = (WIDE, round(high * scale) + 24)
    x0, y0 = (size[0] - wide * scale) / 2, 12.0
    corners = [(x0 + m.display_px[0] * scale, y0 + m.display_px[1] * scale) for m in marks if m.shown and m.name != "centre"]
    edge = np.array([(x0, y0), (x0 + wide * scale, y0), (x0 + wide * scale, y0 + high * scale), (x0, y0 + high * scale)])
    shapes: list[Shape] = [ground(*size, inks), Line(points=edge, colour=inks.ink, width=1.6, closed=True)]
    if len(corners) == 4:
        shapes.append(Line(points=np.array(corners), colour=inks.quiet, width=1.4, closed=True, dash=(8, 5)))
    for m in (m for m in marks if m.shown):
        x, y = x0 + m.display_px[0] * scale, y0 + m.display_px[1] * scale
        shapes += _cross(x, y, inks.accent, size=9, width=3)
        words = f"{m.display_px[0]:.0f}, {m.display_px[1]:.0f}"
        outward = -20.0 if m.display_px[1] < high / 2 and m.name != "centre" else 20.0
        row = y + outward if y0 + 10 < y + outward < size[1] - y0 - 10 else y - outward
        shapes.append(Label(text=words, x=min(max(x, x0 + 40), size[0] - x0 - 40), y=row, size=_TEXT, colour=inks.ink, anchor="middle"))
    return Drawing(size=size, shapes=shapes, title=f"Where the marks show in the {wide} x {high} picture")


def _cross(x: float, y: float, colour: str, *, size: float, width: float) -> Iterable[Line]:
    for dx, dy in ((size, 0), (0, size)):
        yield Line(points=np.array([(x - dx, y - dy), (x + dx, y + dy)], dtype=float), colour=colour, width=width)


def _circle(x: float, y: float, radius: float) -> Floats:
    turn = np.linspace(0, 2 * math.pi, 24, endpoint=False)
    return np.stack([x + radius * np.cos(turn), y + radius * np.sin(turn)], axis=-1)


def _side(value_mm: float, positive: str, negative: str) -> str:
    return f"{millimetres(abs(value_mm))} {positive if round(value_mm) >= 0 else negative}"
