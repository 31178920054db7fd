"""Drawings as SVG 1.1 (W3C)."""

from __future__ import annotations

import re
from html import escape

from framematch.output.drawing import EDGE_COLOUR, Area, Drawing, Floats, Label, Line
from framematch.text.typeface import FAMILY


def drawing_svg(drawing: Drawing) -> str:
    """The drawing as the text of an SVG file whose user unit is one pixel."""
    width, height = drawing.size
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}">',
        f"<title>{svg_text(drawing.title)}</title>",
    ]
    for shape in drawing.shapes:
        parts += _area(shape) if isinstance(shape, Area) else _line(shape) if isinstance(shape, Line) else _label(shape)
    return "\n".join([*parts, "</svg>", ""])


def svg_text(text: str) -> str:
    """Text for between an SVG's tags: what XML 1.0 (2.2) has no place for, such as a bell, is left out, or no browser shows the drawing."""
    return escape(re.sub("[^\\t\\n\\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", text), quote=False)


def _path(points: Floats, closed: bool) -> str:
    return "M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in points) + ("Z" if closed else "")


def _area(area: Area) -> list[str]:
    path = "".join(_path(ring, True) for ring in area.rings)
    return [f'<path d="{path}" fill="{area.colour}" fill-opacity="{area.opacity}" fill-rule="evenodd"/>']


def _line(line: Line) -> list[str]:
    path = _path(line.points, line.closed)
    dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in line.dash)}"' if line.dash else ""
    whole = f'd="{path}" fill="none" stroke-linejoin="round"'
    edge = f'<path {whole}{"" if line.between else dash} stroke="{EDGE_COLOUR}" stroke-opacity="0.8" stroke-width="{line.width + 2 * line.edge:g}"/>'
    between = f'<path {whole} stroke="{line.between}" stroke-width="{line.width:g}"/>'
    return [edge] * bool(line.edge) + [between] * bool(line.between) + [f'<path {whole}{dash} stroke="{line.colour}" stroke-width="{line.width:g}"/>']


def _label(label: Label) -> list[str]:
    anchor = {"left": "start", "middle": "middle", "right": "end"}[label.anchor]
    return [
        f'<text x="{label.x:g}" y="{label.y:g}" dominant-baseline="central" text-anchor="{anchor}" font-family="{FAMILY}, sans-serif" '
        f'font-size="{label.size:g}" fill="{label.colour}" stroke="{EDGE_COLOUR}" stroke-width="{2 * label.edge:g}" '
        f'paint-order="stroke" xml:space="preserve">{svg_text(label.text)}</text>'
    ]
