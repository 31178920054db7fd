"""Curves as a drawing, for page, sheets and pictures alike: few lines, named where they end, legible in sun and in print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from framematch.output.drawing import Area, Drawing, Floats, Label, Line, Shape, ground_of

#: Colours of lines on light paper, dark enough for print and sun; dashes and names tell lines apart too.
SERIES = ("#0f5a66", "#a3480f", "#4a3f8f", "#5a5f1b")
_DASHES: tuple[tuple[float, ...], ...] = ((), (0.55, 0.3), (0.16, 0.24), (0.78, 0.24, 0.16, 0.24))
_CHARACTER = 0.68  # width of a usual one, in text sizes
_LONGEST_NAME = 14
_NEAR = 1.0  # a line that stops nearer to its name needs no leader
_JUMP = 0.12  # of the chart's height


@dataclass(frozen=True, kw_only=True)
class Axis:
    """What one side of a chart shows.

    Args:
        first, last: values at its left or lower end and at the other; either may be the larger.
        ticks: the values marked, with their words; round ones if not given.
        words: whether the marks have any.
    """

    name: str
    first: float
    last: float
    log: bool = False
    ticks: tuple[tuple[float, str], ...] | None = None
    words: bool = True

    def share(self, value: ArrayLike) -> Floats:
        """How far along the axis values lie, 0 at its first end, 1 at its last."""
        a, b, of = (np.log(np.maximum(v, 1e-12)) if self.log else np.asarray(v, dtype=np.float64) for v in (self.first, self.last, value))
        out: Floats = (of - a) / (b - a)
        return out

    def marked(self, most: float = 5) -> tuple[tuple[float, str], ...]:
        """Values to mark, from the smallest, with their words; about as many as ``most`` at the most where they are round ones."""
        low, high = sorted((self.first, self.last))
        if self.ticks is None:
            return tuple((value, f"{value:g}" if self.words else "") for value in (_log_steps(low, high) if self.log else _steps(low, high, most)))
        return self.ticks


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """One line of a chart; NaN leaves a break.

    Args:
        name: stands where it ends; none if empty.
        width, dash: in text sizes.
    """

    name: str
    x: ArrayLike
    y: ArrayLike
    colour: str
    width: float = 0.18
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Spot:
    """A round mark at a place of a chart, filled or a ring, with words to its right, a little above or below; its radius is in text sizes."""

    x: float
    y: float
    colour: str
    filled: bool = True
    words: str = ""
    below: bool = False
    radius: float = 0.36


@dataclass(frozen=True, kw_only=True, eq=False)
class Patch:
    """A filled place of a chart: its corners (n, 2) in the values of both axes; what lies beyond the chart is pushed to its rim."""

    corners: ArrayLike
    colour: str
    opacity: float = 1.0


def span(x: tuple[float, float], y: tuple[float, float], colour: str, opacity: float = 1.0) -> Patch:
    """A filled rectangle between two values across and two up."""
    return Patch(corners=[(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])], colour=colour, opacity=opacity)


@dataclass(frozen=True, kw_only=True)
class Look:
    """Colours of a chart, and the size of its text in the drawing's own unit.

    Args:
        ground: none if the chart lies on something.
    """

    ink: str
    quiet: str
    rule: str
    ground: str | None
    size: float


def style(number: int, colours: Sequence[str] = SERIES) -> tuple[str, tuple[float, ...]]:
    """Colour and dashes of the line of that number, from 0."""
    return colours[number % len(colours)], _DASHES[(number + number // len(_DASHES)) % len(_DASHES)]


def chart_drawing(
    curves: Sequence[Curve],
    *,
    across: Axis,
    up: Axis,
    look: Look,
    size: tuple[int, int],
    title: str = "",
    patches: Sequence[Patch] = (),
    mark: tuple[float, str] | None = None,
    level: float | None = None,
    spots: Sequence[Spot] = (),
    breaks: bool = False,
    sides: tuple[float, float] | None = None,
    one_scale: bool = False,
) -> Drawing:
    """A chart that fills a drawing of that size; what its upper axis shows stands above it, what the other shows below.

    Args:
        title: its words where it is not seen.
        patches: what is filled, under the lines.
        mark: a value across to mark, with its name.
        level: a value up whose line is strong.
        breaks: where a value jumps, the line breaks.
        sides: room left and right of the lines; as the words need (:func:`room_beside`) if not given.
        one_scale: both axes at one scale, as on a map: the one with room to spare shows more.
    """
    em = look.size
    names = [_short(c.name) for c in curves]
    left, beside = sides or room_beside(up, curves, em)
    right = size[0] - beside
    top, bottom = em * (1.9 if up.name else 0.7), size[1] - em * (3.0 if across.name else 1.6 if across.words else 0.4)
    if one_scale:
        across, up = _at_one_scale(across, up, (right - left) / (bottom - top))
    many = min(5.0, (bottom - top) / (1.3 * em))

    def at(x: ArrayLike, y: ArrayLike) -> Floats:
        return np.stack(np.broadcast_arrays(left + (right - left) * across.share(x), bottom - (bottom - top) * up.share(y)), axis=-1)

    def straight(x0: float, y0: float, x1: float, y1: float, colour: str, width: float, dash: tuple[float, ...] = ()) -> Line:
        return Line(points=np.array([(x0, y0), (x1, y1)]), colour=colour, width=width * em, dash=tuple(d * em for d in dash) or None)

    shapes: list[Shape] = [ground_of(*size, look.ground)] if look.ground else []
    for value, words in up.marked(many):
        y = float(at(across.first, value)[1])
        strong = value == level
        shapes.append(straight(left, y, right, y, look.quiet if strong else look.rule, 0.11 if strong else 0.07))
        shapes.append(Label(text=words, x=left - 0.45 * em, y=y, size=em, colour=look.quiet, anchor="right"))
    used: list[tuple[float, float]] = []
    for value, words in sorted(across.marked(), key=lambda mark: across.log and math.log10(mark[0]) % 1 != 0):  # powers of ten get their words first
        x = float(at(value, up.first)[0])
        shapes.append(straight(x, top, x, bottom + (0.3 * em if words else 0.0), look.rule, 0.07))
        half = (0.3 + _CHARACTER * len(words) / 2) * em
        if all(x - half >= b or x + half <= a for a, b in used):
            used.append((x - half, x + half))
            shapes.append(Label(text=words, x=x, y=bottom + 1.0 * em, size=em, colour=look.quiet, anchor="middle"))
    for patch in patches:
        ring = np.clip(at(*np.asarray(patch.corners, dtype=np.float64).T), (left, top), (right, bottom))
        shapes.append(Area(rings=(ring,), colour=patch.colour, opacity=patch.opacity))
    if mark:
        x = float(at(mark[0], up.first)[0])
        side, shift = ("right", -0.4) if x > left + 0.7 * (right - left) else ("left", 0.4)
        shapes.append(straight(x, top, x, bottom, look.ink, 0.09, (0.24, 0.24)))
        shapes.append(Label(text=mark[1], x=x + shift * em, y=top + 0.7 * em, size=em, colour=look.ink, anchor=side))
    ends: list[tuple[float, float, str, str]] = []
    for name, curve in zip(names, curves, strict=True):
        xs, ys = np.broadcast_arrays(np.asarray(curve.x, dtype=np.float64), np.asarray(curve.y, dtype=np.float64))
        shown = np.isfinite(ys) & ((ys > 0) if up.log else True)
        path = at(xs, np.where(shown, ys, np.nan))
        dash = tuple(d * em for d in curve.dash) or None
        for piece in _pieces(path, shown, (bottom - top) * _JUMP if breaks else math.inf):
            shapes += [Line(points=run, colour=curve.colour, width=curve.width * em, dash=dash) for run in _within(piece, left, top, right, bottom)]
        if shown.any() and name:
            stop = path[np.flatnonzero(shown)[-1]]
            ends.append((float(np.clip(stop[1], top + 0.3 * em, bottom - 0.2 * em)), float(stop[0]), name, curve.colour))
    for y, place, stop_x, name, colour in _spread(ends, 1.15 * em, bottom):
        if stop_x < right - _NEAR * em or abs(place - y) > 0.3 * em:
            shapes.append(straight(stop_x, y, right + 0.25 * em, place, colour, 0.07, (0.08, 0.24)))
        shapes.append(Label(text=name, x=right + 0.5 * em, y=place, size=em, colour=colour))
    shapes += [each for spot in spots for each in _spot(at(spot.x, spot.y), spot, look)]
    if up.name:
        shapes.append(Label(text=up.name, x=left, y=0.75 * em, size=em, colour=look.ink))
    if across.name:
        shapes.append(Label(text=across.name, x=(left + right) / 2, y=size[1] - 0.75 * em, size=em, colour=look.ink, anchor="middle"))
    return Drawing(size=size, shapes=shapes, title=title)


def room_beside(up: Axis, curves: Sequence[Curve], em: float) -> tuple[float, float]:
    """What the marks' words take left of a chart and the lines' names right of it."""
    return tuple(  # type: ignore[return-value]
        em * (0.9 + _CHARACTER * max(map(len, words), default=1)) for words in ([words for _, words in up.marked()], [_short(c.name) for c in curves])
    )


def reach(curves: Sequence[ArrayLike], *, log: bool = False) -> tuple[float, float]:
    """Lowest and highest value of an axis that holds all finite values, and 0 unless it is logarithmic."""
    every = np.concatenate([np.ravel(c) for c in curves]) if curves else np.array([])
    values = every[np.isfinite(every) & ((every > 0) if log else True)]
    if not values.size:
        return (1.0, 10.0) if log else (0.0, 1.0)
    if log:
        return float(values.min()) / 1.1, max(float(values.max()) * 1.1, float(values.min()) * 2)
    low, high = min(0.0, float(values.min())), max(0.0, float(values.max()))
    room = (high - low or 1.0) * 0.06
    return low - (room if low < 0 else 0), high + room


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1].rstrip()}…"


def _at_one_scale(across: Axis, up: Axis, shape: float) -> tuple[Axis, Axis]:
    """Both axes, one of them longer, so that their lengths are as the chart's sides, whose ratio is ``shape``."""
    wide, tall = abs(across.last - across.first), abs(up.last - up.first)
    return _longer(across, max(wide, tall * shape) / wide), _longer(up, max(tall, wide / shape) / tall)


def _longer(axis: Axis, times: float) -> Axis:
    middle, half = (axis.first + axis.last) / 2, (axis.last - axis.first) / 2 * times
    return replace(axis, first=middle - half, last=middle + half)


def _pieces(path: Floats, shown: np.ndarray, jump: float) -> list[Floats]:
    """The stretches of a line without a break."""
    apart = np.abs(np.diff(path[:, 1])) > jump
    cuts = np.flatnonzero((np.diff(shown.astype(int)) != 0) | apart) + 1
    return [path[part] for part in np.split(np.arange(len(path)), cuts) if len(part) > 1 and shown[part[0]]]


def _within(path: Floats, left: float, top: float, right: float, bottom: float) -> list[Floats]:
    """What of a line lies inside a rectangle."""
    import shapely

    inside = shapely.clip_by_rect(shapely.LineString(path), left - 1e-6, top, right + 1e-6, bottom)
    return [shapely.get_coordinates(part) for part in shapely.get_parts(inside) if not part.is_empty]


def _spot(middle: Floats, spot: Spot, look: Look) -> list[Shape]:
    em, turn = look.size, np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = middle + spot.radius * em * np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    shapes: list[Shape] = [Area(rings=(ring,), colour=spot.colour if spot.filled else look.ground or "#ffffff", opacity=1.0)]
    if not spot.filled:
        shapes.append(Line(points=ring, colour=spot.colour, width=0.14 * em, closed=True))
    if spot.words:
        aside = 0.7 if spot.below else -0.7
        shapes.append(Label(text=spot.words, x=middle[0] + (spot.radius + 0.3) * em, y=middle[1] + aside * em, size=em, colour=spot.colour))
    return shapes


def _spread(ends: list[tuple[float, float, str, str]], apart: float, bottom: float) -> list[tuple[float, float, float, str, str]]:
    """Height of each line's end, that of its name (none covers another), and the rest."""
    out: list[tuple[float, float, float, str, str]] = []
    for y, stop_x, name, colour in sorted(ends):
        out.append((y, max(y, out[-1][1] + apart) if out else y, stop_x, name, colour))
    over = max(out[-1][1] - bottom, 0) if out else 0
    return [(y, place - over, *rest) for y, place, *rest in out]  # type: ignore[misc]


def _steps(low: float, high: float, most: float) -> list[float]:
    rough = (high - low) / most
    power = 10 ** math.floor(math.log10(rough))
    step = next(s for s in (1, 2, 5, 10) if s * power >= rough * 0.999) * power
    return [round(i * step, 10) for i in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _log_steps(low: float, high: float) -> list[float]:
    numbers = (1, 2, 5) if high / low < 1000 else (1,)
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    return [n * 10.0**p for p in powers for n in numbers if low * 0.9999 <= n * 10.0**p <= high * 1.0001]
