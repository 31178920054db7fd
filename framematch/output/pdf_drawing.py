"""The guide's shapes on paper: the same list of shapes as in the overlay, in ink that reads on white."""

from __future__ import annotations

from collections.abc import Mapping

from framematch.output.drawing import Area, Drawing, Floats, Label, Line
from framematch.output.guide_drawing import ALWAYS, BETWEEN, CENTRE, EVER, FRAME_LOOKS, OUTLINE, RECTANGLE
from framematch.output.pdf import PT_PER_MM, Page

_FURTHER = ("#8a1f62", "#6b5200", "#2f6b12", "#4b2a8a")  # frames from the third on
#: Screen colours are light, for a picture behind them; on white paper each has a dark counterpart.
INK: Mapping[str, str] = {
    **{look.colour: ink for look, ink in zip(FRAME_LOOKS[2:], _FURTHER, strict=True)},
    **{RECTANGLE: BETWEEN, OUTLINE: "#8a5a00", ALWAYS: "#0a7a58", EVER: "#b5300c", CENTRE: "#000000"},
}


def draw_shapes(
    page: Page, drawing: Drawing, *, x: float, top: float, mm_per_px: tuple[float, float], line_mm: float | None = None, as_it_is: bool = False
) -> None:
    """Draw lines and areas with the drawing's top left corner at (x, top).

    Args:
        line_mm: width of every line; if not given, as wide as drawn, scaled.
        as_it_is: in its own colours, with its labels; a guide's get those of paper, and its labels are the page's matter.
    """
    across, down = mm_per_px
    mean = (across + down) / 2
    ink: Mapping[str, str] = {} if as_it_is else INK

    def place(points: Floats) -> list[tuple[float, float]]:
        return [(x + float(px) * across, top + float(py) * down) for px, py in points]

    for shape in drawing.shapes:
        if isinstance(shape, Area):
            page.rings([place(ring) for ring in shape.rings], colour=None, fill=ink.get(shape.colour, shape.colour), opacity=shape.opacity)
        elif isinstance(shape, Line):
            dash = tuple(d * mean for d in shape.dash) if shape.dash and not shape.between else ()  # dark alone reads on white
            page.path(
                place(shape.points),
                closed=shape.closed,
                width_mm=shape.width * mean if line_mm is None else line_mm,
                colour=ink.get(shape.colour, shape.colour),
                dash_mm=dash,
            )
        elif as_it_is and isinstance(shape, Label):
            baseline = top + (shape.y + 0.35 * shape.size) * down
            align = {"left": "left", "middle": "centre", "right": "right"}[shape.anchor]
            page.text(x + shape.x * across, baseline, shape.text, size_pt=shape.size * down * PT_PER_MM, colour=shape.colour, align=align)
