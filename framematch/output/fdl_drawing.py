"""A framing decision drawn: canvas, effective area, protection and frame; a key gives each its name and pixels.

The picture is drawn de-squeezed, as it will be seen; the numbers are the file's own, in the canvas's pixels.
"""

from __future__ import annotations

import numpy as np

from framematch.files.fdl import Framing
from framematch.geometry.camera import Rect
from framematch.output.drawing import Area, Drawing, Floats, Inks, Label, Line, Shape, ground

WIDE = 560
HIGHEST = 330
Dashes = tuple[float, float] | None


def framing_rows(framing: Framing) -> list[tuple[str, Rect]]:
    """Each area of a framing by its name in the standard, the largest first, those that the file has."""
    wide, high = framing.raster_px
    rows: list[tuple[str, Rect | None]] = [
        ("canvas", Rect(left=0.0, top=0.0, right=float(wide), bottom=float(high))),
        ("effective area", framing.effective),
        ("protection", framing.protection),
        ("framing decision", framing.frame),
    ]
    return [(name, rect) for name, rect in rows if rect is not None]


def pixels(rect: Rect) -> str:
    """``5299.2 x 2217.24 at 230.4, 409.38``: a size and where its top left corner is."""
    return f"{_short(rect.width)} x {_short(rect.height)} at {_short(rect.left)}, {_short(rect.top)}"


def framing_words(framing: Framing) -> str:
    """The drawing in words."""
    squeeze = f", squeeze {framing.squeeze:g}" if framing.squeeze != 1 else ""
    return "; ".join(f"{name} {pixels(rect)}" for name, rect in framing_rows(framing)) + f" pixels{squeeze}."


def line_styles(inks: Inks) -> dict[str, tuple[str, float, Dashes]]:
    """Colour, width and dashes of each area's edge, by its name."""
    return {
        "canvas": (inks.ink, 1.6, None),
        "effective area": (inks.quiet, 2.0, (2.0, 4.0)),
        "protection": (inks.second, 2.2, (9.0, 5.0)),
        "framing decision": (inks.accent, 3.0, None),
    }


def framing_drawing(framing: Framing, *, inks: Inks) -> Drawing:
    """Canvas and what lies in it."""
    wide, high = framing.raster_px[0] * framing.squeeze, framing.raster_px[1]
    scale = min((WIDE - 24) / wide, HIGHEST / high)
    x0, y0 = (WIDE - wide * scale) / 2, 12.0

    def ring(rect: Rect) -> Floats:
        across = scale * framing.squeeze
        left, top, right, low = x0 + rect.left * across, y0 + rect.top * scale, x0 + rect.right * across, y0 + rect.bottom * scale
        return np.array([(left, top), (right, top), (right, low), (left, low)])

    size = (WIDE, round(high * scale + 24))
    shapes: list[Shape] = [ground(*size, inks), Area(rings=(ring(framing.frame),), colour=inks.accent, opacity=0.14)]
    styles = line_styles(inks)
    for name, rect in framing_rows(framing):
        colour, width, dash = styles[name]
        shapes.append(Line(points=ring(rect), colour=colour, width=width, closed=True, dash=dash))
    middle = ring(framing.frame).mean(axis=0)
    shapes.append(Label(text="framing decision", x=float(middle[0]), y=float(middle[1]), size=17, colour=inks.ink, anchor="middle"))
    return Drawing(size=size, shapes=shapes, title=f"Framing decision {framing.label}")


def _short(value: float) -> str:
    return f"{value + 0.0:.2f}".rstrip("0").rstrip(".")
