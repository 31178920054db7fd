"""Curves of the lenses along the run, each line labelled where it starts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from framematch.compare.table import Comparison, Row
from framematch.output.sheet_page import INK, RULE, SOFT, text_mm
from framematch.text.units import MM_PER_INCH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

_COLOURS = ("#0f5a66", "#a3480f", "#4a3f8f", "#5a5f1b")
_DASHES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.5, 1.2)), (0, (6, 1.5, 1.5, 1.5)))
TITLES = {
    "fill": "Opening in the frame, %",
    "speed": "Speed of the gap's edges, frame widths/s",
    "height": "Height of {name}, % of the frame's",
}


def lens_colours(count: int) -> list[str]:
    """A colour for each lens, the page's own: dark enough for print and sun; dashes and names tell them apart too."""
    return [_COLOURS[i % len(_COLOURS)] for i in range(count)]


def _values(c: Comparison, row: Row, kind: str) -> Floats:
    if kind == "fill":
        return np.where(row.curves.fill_percent > 0, row.curves.fill_percent, np.nan)
    if kind == "speed":
        speed = row.curves.edge_speed
        none = np.asarray(np.isnan(speed).all(axis=1))
        return np.where(none, np.nan, np.nanmax(np.where(none[:, None], 0.0, speed), axis=1))
    return row.curves.subject_percent[:, 0]


def draw_curve(axes: Axes, c: Comparison, kind: str, *, pt: float) -> None:
    """One figure against the distance before the gap, both logarithmic, far on the left as the run goes."""
    colours = lens_colours(len(c.rows))
    starts = []
    for i, (row, colour) in enumerate(zip(c.rows, colours, strict=True)):
        values = _values(c, row, kind)
        axes.plot(row.curves.distance_m, values, color=colour, linestyle=_DASHES[(i + i // len(_DASHES)) % len(_DASHES)], linewidth=1.4)
        drawn = np.flatnonzero(np.isfinite(values) & (values > 0))
        if len(drawn):
            starts.append((float(values[drawn[0]]), float(row.curves.distance_m[drawn[0]]), _short(row.candidate.name), colour))
            ends = drawn[-1]
            if kind == "speed" and ends < len(values) - 1:
                axes.plot(row.curves.distance_m[ends], values[ends], "o", color=colour, markersize=2.6)
    axes.set_xscale("log")
    axes.set_yscale("log")
    far, near = float(c.rows[0].curves.distance_m[0]), float(c.rows[0].curves.distance_m[-1])
    width_mm = axes.get_position().width * axes.figure.get_figwidth() * MM_PER_INCH  # type: ignore[union-attr]
    names_mm = max(text_mm(_short(row.candidate.name), pt * 0.85) for row in c.rows) + 2.5
    axes.set_xlim(near * (far / near) ** (1 / (1 - min(names_mm / width_mm, 0.5))), near)
    low, high = axes.get_ylim()
    if kind != "speed":
        axes.set_ylim(low, max(high, 110.0) if kind == "fill" else high)
    if kind == "height":
        axes.axhline(100, color=SOFT, linewidth=0.6)
    _label(axes, starts, far, pt)
    _dress(axes, c, kind, pt)


def _short(name: str) -> str:
    return name if len(name) <= 14 else f"{name[:13].rstrip()}…"


def _label(axes: Axes, starts: list[tuple[float, float, str, str]], far: float, pt: float) -> None:
    """Names left of where the lines start, pushed apart until none overlaps."""
    low, high = np.log(axes.get_ylim())
    height_mm = axes.get_position().height * axes.figure.get_figheight() * MM_PER_INCH  # type: ignore[union-attr]
    apart = (high - low) * (pt * 0.42) / height_mm
    last = -np.inf
    for value, distance, name, colour in sorted(starts):
        y = max(float(np.log(value)), last + apart)
        last = y
        ground = {"facecolor": "white", "edgecolor": "none", "pad": 0.3}
        axes.text(distance * 1.08, float(np.exp(y)), name, fontsize=pt * 0.85, color=colour, ha="right", va="center", parse_math=False, bbox=ground)


def _dress(axes: Axes, c: Comparison, kind: str, pt: float) -> None:
    from matplotlib.ticker import FuncFormatter, NullFormatter

    def plain(value: float, _: Any) -> str:
        return f"{value:g}"

    name = c.shot.subjects[0].name if c.shot.subjects else ""
    axes.set_title(TITLES[kind].format(name=name), fontsize=pt, loc="left", pad=3, color=INK, parse_math=False)
    axes.set_xlabel("distance before the gap, m", fontsize=pt * 0.95, labelpad=1.5, color=INK)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(FuncFormatter(plain))
        axis.set_minor_formatter(NullFormatter())
    far, near = float(c.rows[0].curves.distance_m[0]), float(c.rows[0].curves.distance_m[-1])
    axes.set_xticks([t for t in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500) if near <= t <= far])
    if kind == "height":
        low, high = axes.get_ylim()
        axes.set_yticks([t for t in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if low <= t <= high])
    axes.grid(True, which="major", color=RULE, linewidth=0.5)
    axes.tick_params(labelsize=pt * 0.9, length=2, color=SOFT, labelcolor=INK, pad=1.5)
    axes.tick_params(which="minor", length=0)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(SOFT)
        axes.spines[side].set_linewidth(0.6)
    axes.set_facecolor("none")
