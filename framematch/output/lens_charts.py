"""Charts of the lenses along the run, one line for each: the page's and the sheet's."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from framematch.compare.table import Comparison, Row
from framematch.guide.shown import amount, unit
from framematch.output.chart import SERIES, Axis, Curve, Look, chart_drawing, reach, style
from framematch.output.drawing import Drawing, Floats

_UP = {
    "fill": "Opening in the frame, %",
    "speed": "Speed of the gap's edges, frame widths/s",
    "height": "Height of {name}, % of the frame's",
}


def lens_charts(c: Comparison, *, look: Look, size: tuple[int, int], colours: Sequence[str] = SERIES, most: int | None = None) -> list[Drawing]:
    """What fills the frame, how fast the gap's edges move and, if there is a subject, how tall it is, against the distance; far at the left, as the run goes.

    Args:
        most: lenses drawn; all if not given.
    """
    kinds = ("fill", "speed", "height") if c.shot.subjects else ("fill", "speed")
    return [_chart(c, kind, c.rows[:most], look, size, colours) for kind in kinds]


def _chart(c: Comparison, kind: str, rows: Sequence[Row], look: Look, size: tuple[int, int], colours: Sequence[str]) -> Drawing:
    distances = amount(1.0, "m") * rows[0].curves.distance_m
    values = [_values(row, kind) for row in rows]
    low, high = (0.0, 105.0) if kind == "fill" else reach(values, log=True)
    up = _UP[kind].format(name=c.shot.subjects[0].name if c.shot.subjects else "")
    return chart_drawing(
        [
            Curve(name=row.candidate.name, x=distances, y=y, colour=style(i, colours)[0], dash=style(i, colours)[1])
            for i, (row, y) in enumerate(zip(rows, values, strict=True))
        ],
        across=Axis(name=f"distance before the gap, {unit('m')}", first=float(distances[0]), last=float(distances[-1]), log=True),
        up=Axis(name=up, first=low, last=high, log=kind != "fill"),
        look=look,
        size=size,
        title=f"{up} against the distance before the gap, one line for each lens",
        level=100.0,
        breaks=kind == "speed",
    )


def _values(row: Row, kind: str) -> Floats:
    if kind == "fill":
        return row.curves.fill_percent
    if kind == "height":
        return np.asarray(row.curves.subject_percent[:, 0])
    speeds = row.curves.edge_speed  # of the fastest of the edges that are in the frame
    seen = ~np.isnan(speeds).all(axis=1)
    return np.where(seen, np.where(np.isnan(speeds), 0.0, speeds).max(axis=1), np.nan)
