"""The guide's error against distance, drawn as vectors on a sheet."""

from __future__ import annotations

import math

import numpy as np

from framematch.guide.best import edge_error_curve, outline_error_curve
from framematch.guide.report import Report, metres
from framematch.guide.turning import edge_error_curve_turning
from framematch.output.drawing import Floats
from framematch.output.guide_drawing import EVER, OUTLINE, RECTANGLE
from framematch.output.pdf import GREY, PALE, Page
from framematch.output.pdf_drawing import INK

_TICKS_M = (0.2, 0.3, 0.5, 0.7, 1, 1.5, 2, 3, 5, 7, 10, 15, 20, 30, 50, 70, 100, 150, 200, 300, 500, 700, 1000, 2000, 5000, 10000)
_BEYOND = 60  # an infinite range is drawn to this many times its nearest distance
_POINTS = 33


def draw_error_chart(page: Page, report: Report, *, x: float, top: float, width: float, height: float) -> None:
    """The worst edge's error of rectangle and outline over the range, in the guide's own line styles, and of the rectangle while turning."""
    pairing, guide = report.pairing, report.guide
    near = pairing.near_m
    far = pairing.far_m if math.isfinite(pairing.far_m) else max(near * _BEYOND, 100.0)
    page.text(x, top + 3, "Off by at the worst edge, percent of the frame", size_pt=7.5, bold=True, room_mm=width)
    if far <= near * 1.001:
        page.block(x, top + 6, f"One distance only, {metres(near)}: see the table.", room_mm=width, size_pt=7.5)
        return
    left, right, up, down = x + 8, x + width - 15, top + 7, top + height - 8
    distances = np.geomspace(near, far, _POINTS)
    if near < guide.set_distance_m < far:
        distances = np.sort(np.append(distances, guide.set_distance_m))  # the outline's curve comes down to 0 there
    curves = {
        "rectangle": _worst(edge_error_curve(pairing, guide.rectangle, distances)),
        "outline": _worst(outline_error_curve(pairing, guide.set_distance_m, distances)),
    }
    if report.turning is not None:
        curves["turning"] = _worst(edge_error_curve_turning(pairing, guide.rectangle, distances))
    known = np.concatenate([c[np.isfinite(c)] for c in curves.values()])
    reach = _round_up(float(known.max()) if len(known) else 1.0)

    def across(distance: float) -> float:
        return left + (right - left) * math.log(distance / near) / math.log(far / near)

    def level(percent: float) -> float:
        return down - (down - up) * percent / reach

    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = level(share * reach)
        page.line(left, y, right, y, width_mm=0.12, colour=PALE)
        page.text(left - 1, y + 0.9, f"{share * reach:.3g}", size_pt=6.5, align="right", colour=GREY)
    last = -1e9
    for tick in _TICKS_M:
        if near * 0.999 <= tick <= far * 1.001 and across(tick) - last > 9:
            last = across(tick)
            page.line(last, down, last, down + 1, width_mm=0.15, colour=GREY)
            page.text(last, down + 3.6, f"{tick:g} m", size_pt=6.5, align="centre", colour=GREY)
    if math.isinf(pairing.far_m):
        page.text(right, down + 6.6, "and on to infinity", size_pt=6.5, align="right", colour=GREY)
    page.rectangle(left, up, right - left, down - up, width_mm=0.15, colour=GREY)
    ends = []
    styles: dict[str, tuple[str, float, tuple[float, ...]]] = {
        "outline": (INK[OUTLINE], 0.3, ()),
        "rectangle": (INK[RECTANGLE], 0.5, ()),
        "turning": (INK[EVER], 0.35, (1.4, 0.9)),
    }
    for name, curve in curves.items():
        colour, wide, dash = styles[name]
        good = np.isfinite(curve)
        if good.any():
            points = [(across(float(d)), level(float(v))) for d, v in zip(distances[good], curve[good], strict=True)]
            page.path(points, width_mm=wide, colour=colour, dash_mm=dash)
            ends.append((points[-1][1], name, colour))
    place = -1e9
    for y, name, colour in sorted(ends):
        place = max(y, place + 2.8)
        page.line(right, y, right + 1.2, place, width_mm=0.15, colour=colour)
        page.text(right + 1.6, place + 0.9, name, size_pt=6.5, colour=colour, room_mm=13.4)


def _round_up(value: float) -> float:
    """The next of 1, 2, 4, 8, 10 times a power of ten: its quarters are short numbers."""
    if value <= 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1.0, 2.0, 4.0, 8.0, 10.0) if step * power >= value * 0.999)


def _worst(curve: dict[str, Floats]) -> Floats:
    """The worst of the edges at each distance; NaN where none has an error."""
    out: Floats = np.fmax.reduce([np.abs(edge) for edge in curve.values()])
    return out
