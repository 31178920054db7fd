"""The guide's error against distance: the worst edge's on a sheet, each edge's on the page."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from framematch.guide.best import edge_error_curve, outline_error_curve
from framematch.guide.report import Report
from framematch.guide.shown import amount, metres, unit
from framematch.guide.transfer import EDGES
from framematch.guide.turning import edge_error_curve_turning
from framematch.output.chart import SERIES, Axis, Curve, Look, chart_drawing, reach, span, style
from framematch.output.drawing import Drawing, Floats
from framematch.output.guide_drawing import EVER, OUTLINE, RECTANGLE
from framematch.output.pdf_drawing import INK

_BEYOND = 60  # an infinite range is drawn to this many times its nearest distance
_POINTS = 33


def worst_error_chart(report: Report, *, look: Look, size: tuple[int, int]) -> Drawing | None:
    """The worst edge's error of rectangle and outline over the range, in the guide's own line styles, and of the rectangle while turning.

    None if the range is one distance.
    """
    pairing, guide = report.pairing, report.guide
    near = pairing.near_m
    far = pairing.far_m if math.isfinite(pairing.far_m) else max(near * _BEYOND, 100.0)
    if far <= near * 1.001:
        return None
    distances = np.geomspace(near, far, _POINTS)
    if near < guide.set_distance_m < far:
        distances = np.sort(np.append(distances, guide.set_distance_m))  # the outline's curve comes down to 0 there
    curves = [
        _worst("outline", distances, outline_error_curve(pairing, guide.set_distance_m, distances), INK[OUTLINE], 0.13),
        _worst("rectangle", distances, edge_error_curve(pairing, guide.rectangle, distances), INK[RECTANGLE], 0.22),
    ]
    if report.turning is not None:
        turning = edge_error_curve_turning(pairing, guide.rectangle, distances)
        curves.append(_worst("turning", distances, turning, INK[EVER], 0.15, (0.6, 0.4)))
    low, high = reach([curve.y for curve in curves])
    beyond = ", and on to infinity" if math.isinf(pairing.far_m) else ""
    return chart_drawing(
        curves,
        across=Axis(name=f"distance, {unit('m')}{beyond}", first=amount(near, "m"), last=amount(far, "m"), log=True),
        up=Axis(name="Off by at the worst edge, % of the frame", first=low, last=high if high > 0 else 1.0),
        look=look,
        size=size,
        title="How far the guide is off at its worst edge, against distance",
    )


def edges_error_chart(
    report: Report, distances_m: Floats, errors: dict[str, Floats], *, look: Look, size: tuple[int, int], colours: Sequence[str] = SERIES
) -> Drawing:
    """How far each side of the guide is off against distance: + outside the frame, - inside it."""
    worst = report.guide.rectangle_worst_error_percent
    most = max(1.0, 1.6 * worst) if math.isfinite(worst) else 10.0
    shown = amount(1.0, "m") * distances_m
    return chart_drawing(
        [Curve(name=edge, x=shown, y=errors[edge], colour=style(i, colours)[0], dash=style(i, colours)[1]) for i, edge in enumerate(EDGES)],
        across=Axis(name=f"distance, {unit('m')}", first=float(shown[0]), last=float(shown[-1]), log=True),
        up=Axis(name="error, % of the frame", first=-most, last=most),
        look=look,
        size=size,
        title="How far each side of the guide is off, against distance",
        patches=[span((amount(report.pairing.near_m, "m"), amount(report.pairing.far_m, "m")), (-most, most), look.rule, 0.35)],
        mark=(amount(report.guide.set_distance_m, "m"), f"true at {metres(report.guide.set_distance_m)}"),
        level=0.0,
        breaks=True,
    )


def _worst(name: str, distances: Floats, curve: dict[str, Floats], colour: str, width: float, dash: tuple[float, ...] = ()) -> Curve:
    """The worst of the edges at each distance; NaN where none has an error."""
    worst = np.fmax.reduce([np.abs(edge) for edge in curve.values()])
    return Curve(name=name, x=amount(1.0, "m") * distances, y=worst, colour=colour, width=width, dash=dash)
