"""Curves as SVG 1.1: few lines, named at their ends, legible in sun and in print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.output.svg import svg_text
from framematch.page.look import DASHES, Colours

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 560, 300
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 92, 16, 44
_NEAR_PX = 12  # a line that stops nearer to its name needs no leader


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """One line: its name and its values over the shared distances; NaN leaves a break."""

    name: str
    values: ArrayLike


def chart(
    distances_m: ArrayLike,
    curves: Sequence[Curve],
    *,
    colours: Colours,
    across: str,
    up: str,
    title: str,
    band: tuple[float, float] | None = None,
    mark: tuple[float, str] | None = None,
    limits: tuple[float, float] | None = None,
    log_up: bool = False,
) -> str:
    """Curves over distance, which runs on a logarithmic scale.

    Args:
        distances_m: in order, the first at the left.
        curves: broken where there is nothing to show, and where a value jumps.
        across, up: what the axes show, with units.
        band: distances to shade, such as the guide's range.
        mark: a distance to mark, with its name.
        limits: lowest and highest value shown; all values if not given.
        log_up: a logarithmic scale upwards too.
    """
    x = np.asarray(distances_m, dtype=np.float64)
    ys = [np.asarray(c.values, dtype=np.float64) for c in curves]
    low, high = limits or _limits(ys, log_up)
    plot_w, plot_h = WIDTH - _LEFT - _RIGHT, HEIGHT - _TOP - _BOTTOM

    def at_x(value: ArrayLike) -> Floats:
        out: Floats = _LEFT + plot_w * (np.log(np.clip(value, x.min(), x.max())) - math.log(x[0])) / math.log(x[-1] / x[0])
        return out

    def at_y(value: ArrayLike) -> Floats:
        scaled = np.log(np.maximum(value, 1e-12)) if log_up else np.asarray(value, dtype=np.float64)
        a, b = (math.log(low), math.log(high)) if log_up else (low, high)
        out: Floats = _TOP + plot_h * (1 - (scaled - a) / (b - a))
        return out

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="13">',
        f"<title>{svg_text(title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{colours.panel}"/>',
        f'<clipPath id="plot"><rect x="{_LEFT}" y="{_TOP}" width="{plot_w}" height="{plot_h}"/></clipPath>',
    ]
    if band:
        start, stop = sorted(float(v) for v in at_x(band))
        parts.append(f'<rect x="{start:.1f}" y="{_TOP}" width="{stop - start:.1f}" height="{plot_h}" fill="{colours.line}" opacity="0.35"/>')
    for value in _steps(low, high, log_up):
        level = float(at_y(value))
        strong = value == 0
        parts.append(
            f'<path d="M{_LEFT} {level:.1f}H{_LEFT + plot_w}" stroke="{colours.quiet if strong else colours.line}" stroke-width="{1.4 if strong else 1}"/>'
            f'<text x="{_LEFT - 6}" y="{level + 4:.1f}" text-anchor="end" fill="{colours.quiet}">{value:g}</text>'
        )
    for value in _distance_steps(float(x.min()), float(x.max())):
        place = float(at_x(value))
        parts.append(
            f'<path d="M{place:.1f} {_TOP}V{_TOP + plot_h + 4}" stroke="{colours.line}"/>'
            f'<text x="{place:.1f}" y="{_TOP + plot_h + 17}" text-anchor="middle" fill="{colours.quiet}">{value:g}</text>'
        )
    if mark:
        place = float(at_x(mark[0]))
        parts.append(f'<path d="M{place:.1f} {_TOP}V{_TOP + plot_h}" stroke="{colours.ink}" stroke-width="1.2" stroke-dasharray="3 3"/>')
        side, shift = ("end", -5) if place > _LEFT + plot_w * 0.7 else ("start", 5)
        parts.append(f'<text x="{place + shift:.1f}" y="{_TOP + 12}" text-anchor="{side}" fill="{colours.ink}">{svg_text(mark[1])}</text>')
    ends: list[tuple[float, str, str]] = []
    leaders: dict[str, str] = {}
    for i, (curve, y) in enumerate(zip(curves, ys, strict=True)):
        colour, dash = colours.series[i % len(colours.series)], DASHES[(i + i // len(DASHES)) % len(DASHES)]
        shown = np.isfinite(y) & ((y > 0) if log_up else True)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        jumps = np.abs(np.diff(at_y(np.where(shown, y, np.nan)))) > plot_h * 0.12
        for piece in np.split(np.arange(len(x)), np.flatnonzero((np.diff(shown.astype(int)) != 0) | jumps) + 1):
            if len(piece) and shown[piece[0]]:
                path = "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(at_x(x[piece]), np.clip(at_y(y[piece]), -500, 900), strict=True))
                parts.append(f'<path d="M{path}" fill="none" stroke="{colour}" stroke-width="2.4"{dashed} clip-path="url(#plot)"/>')
        if shown.any():
            last = int(np.flatnonzero(shown)[-1])
            end_px = float(np.clip(at_y(y[last]), _TOP + 4, _TOP + plot_h - 2))
            ends.append((end_px, curve.name, colour))
            if (stop_px := float(at_x(x[last]))) < _LEFT + plot_w - _NEAR_PX:
                leaders[curve.name] = f'<path d="M{stop_px:.1f} {end_px:.1f}L{_LEFT + plot_w + 3} '
    for y_px, name, colour in _spread(ends):
        if name in leaders:  # to its name from a line that stops early
            parts.append(f'{leaders[name]}{y_px:.1f}" stroke="{colour}" stroke-width="1" stroke-dasharray="1 3"/>')
        parts.append(f'<text x="{_LEFT + plot_w + 6}" y="{y_px + 4:.1f}" fill="{colour}" font-weight="600">{svg_text(name)}</text>')
    parts.append(f'<text x="{_LEFT + plot_w / 2}" y="{HEIGHT - 8}" text-anchor="middle" fill="{colours.ink}">{svg_text(across)}</text>')
    parts.append(f'<text transform="translate(14 {_TOP + plot_h / 2}) rotate(-90)" text-anchor="middle" fill="{colours.ink}">{svg_text(up)}</text></svg>')
    return "".join(parts)


def _limits(ys: Sequence[Floats], log_up: bool) -> tuple[float, float]:
    values = np.concatenate([y[np.isfinite(y)] for y in ys]) if ys else np.array([0.0])
    if log_up:
        values = values[values > 0]
        if not values.size:
            return 1.0, 10.0
        return float(values.min()) / 1.1, max(float(values.max()) * 1.1, float(values.min()) * 2)
    if not values.size:
        return 0.0, 1.0
    low, high = min(0.0, float(values.min())), max(0.0, float(values.max()))
    room = (high - low or 1.0) * 0.06
    return low - (room if low < 0 else 0), high + room


def _steps(low: float, high: float, log: bool) -> list[float]:
    if log:
        return _distance_steps(low, high)
    rough = (high - low) / 5
    power = 10 ** math.floor(math.log10(rough))
    step = next(s for s in (1, 2, 5, 10) if s * power >= rough) * power
    return [round(i * step, 10) for i in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _distance_steps(low: float, high: float) -> list[float]:
    many = high / low < 300
    numbers = (1, 2, 5) if many else (1,)
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    return [n * 10.0**p for p in powers for n in numbers if low <= n * 10.0**p <= high * 1.0001]


def _spread(ends: list[tuple[float, str, str]]) -> list[tuple[float, str, str]]:
    """Names at the lines' ends, moved apart so that none covers another."""
    out: list[tuple[float, str, str]] = []
    for y, name, colour in sorted(ends):
        y = max(y, out[-1][0] + 15) if out else y
        out.append((y, name, colour))
    over = out[-1][0] - (HEIGHT - _BOTTOM) if out else 0
    return [(y - max(over, 0), name, colour) for y, name, colour in out]
