"""The matcher: the guide that serves a range of distances with the smallest worst error.

Definitions (distance, edge error, best guide) are those of DEVELOPERS.md. Errors are in percent of
the frame's width (left, right) or height (top, bottom): + outside the frame, - inside.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.camera import Rect
from framematch.geometry.pairing import Pairing
from framematch.guide.linear import minimum
from framematch.guide.outline import Outline, outline
from framematch.guide.transfer import EDGES, distance_from, edge_error, inverse_m, to_display, to_recorded

Floats = NDArray[np.float64]
Sides = tuple[float, float, float, float]  # left, top, right, bottom

_COARSE, _FINE = 17, 129  # points along an edge: to solve with, to state errors with
_STEPS, _FINE_STEPS = 5, 17  # inverse distances over the range, likewise
_ROOM = 0.97  # of the worst error: a side whose own is less has room to spare
_WORTH = 1e-4  # percent that another start has to gain
_COST = np.array([0.0] * 4 + [1e-4] * 4 + [1.0])  # of moving each side, of each side's bound, of the common one


@dataclass(frozen=True, kw_only=True)
class EdgeErrors:
    """Worst error of each edge in percent, with its sign; NaN where no point of it has an error."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def worst(self) -> float:
        """Largest size of the four; NaN if none has one."""
        sizes = [abs(e) for e in (self.left, self.top, self.right, self.bottom) if not math.isnan(e)]
        return max(sizes, default=math.nan)


@dataclass(frozen=True, kw_only=True, eq=False)
class Guide:
    """The best guide for a range of distances.

    Args:
        set_distance_m: distance at which the outline is exactly true.
        outline: the frame's border at the set distance.
        rectangle: best straight-sided rectangle, display pixels; a side may lie off the display.
        outline_worst_error_percent, rectangle_worst_error_percent: over every distance in the range.
    """

    set_distance_m: float
    outline: Outline
    rectangle: Rect
    outline_worst_error_percent: float
    rectangle_worst_error_percent: float


def at_distance(pairing: Pairing, distance_m: float) -> Pairing:
    """The same pairing with a range of one distance only."""
    return replace(pairing, near_m=distance_m, far_m=distance_m)


def best_guide(pairing: Pairing) -> Guide:
    """The guide with the smallest worst error over the pairing's distance range."""
    set_distance, outline_worst = best_set_distance(pairing)
    rectangle = best_rectangle(pairing)
    return Guide(
        set_distance_m=set_distance,
        outline=outline(pairing, set_distance),
        rectangle=rectangle,
        outline_worst_error_percent=outline_worst,
        rectangle_worst_error_percent=worst_error(pairing, rectangle),
    )


def rectangle_errors(pairing: Pairing, rectangle: Rect, distance_m: float) -> EdgeErrors:
    """Error of each side of a rectangle on the display, at one distance."""
    return errors_at(edge_error_curve(pairing, rectangle, [distance_m]))[0]


def errors_at(curve: Mapping[str, Floats]) -> list[EdgeErrors]:
    """A curve of errors (n) by edge name as the errors at each of its distances."""
    return [EdgeErrors(**dict(zip(EDGES, each, strict=True))) for each in np.stack([curve[edge] for edge in EDGES], axis=1).tolist()]


def worst_error(pairing: Pairing, rectangle: Rect) -> float:
    """Largest error in percent of a rectangle over the pairing's range; NaN if it has none at all."""
    errors = np.abs(_side_errors(pairing, rectangle.as_tuple(), _range(pairing, _FINE_STEPS), np.linspace(0, 1, _FINE)))
    return float(np.nanmax(errors)) if not np.isnan(errors).all() else math.nan


def least_worst_errors(pairing: Pairing, rectangles: Sequence[Rect]) -> Floats:
    """What :func:`worst_error` of each rectangle (n) is at the least, looked at in fewer places; 0 where those tell nothing."""
    shares = np.linspace(0, 1, _COARSE)
    points = np.concatenate([side_points(r.as_tuple(), shares) for r in rectangles], axis=1)
    errors = np.abs(_errors_at(pairing, points, _range(pairing, _STEPS))).reshape(4, len(rectangles), -1)
    least: Floats = np.nanmax(errors, axis=(0, 2), initial=0.0)
    return least


def outline_errors(pairing: Pairing, set_distance_m: float, distance_m: float) -> EdgeErrors:
    """Error of each edge of the outline set for one distance, at another."""
    errors = _outline_errors(pairing, np.array([inverse_m(set_distance_m)]), np.array([inverse_m(distance_m)]), _FINE)[0]
    return EdgeErrors(**dict(zip(EDGES, map(worst_signed, errors), strict=True)))


def best_set_distance(pairing: Pairing) -> tuple[float, float]:
    """Distance for which the outline has the smallest worst error over the range, and that error in percent."""
    low, high = inverse_m(pairing.far_m), inverse_m(pairing.near_m)
    span = _range(pairing, _STEPS)

    def sizes(sets: Floats) -> Floats:
        return np.nan_to_num(np.abs(_outline_errors(pairing, sets, span, _COARSE))).reshape(len(sets), -1)

    best = _lowest(sizes, low, high)
    found = np.nanmax(np.abs(_outline_errors(pairing, np.array([best]), _range(pairing, _FINE_STEPS), _FINE)), initial=-1.0)
    return distance_from(best), float(found) if found >= 0 else math.nan


def _lowest(sizes: Callable[[Floats], Floats], low: float, high: float) -> float:
    """Where from ``low`` to ``high`` the largest of several sizes (places, n) is smallest; their middle where that is one everywhere."""
    places = np.linspace(low, high, 17)
    each = sizes(places)
    if np.ptp(each.max(axis=1)) < 1e-9:
        return (low + high) / 2
    while True:
        least = int(each.max(axis=1).argmin())
        near = slice(max(least - 1, 0), least + 2)
        (a, *_, b), (at_a, *_, at_b) = places[near], each[near]
        if b - a <= 1e-7 * high:
            return float(places[least])
        falls, rises = at_a.argmax(), at_b.argmax()  # the sizes that are largest at either end: it is near where the two would cross if they were straight
        down, up = at_a[falls] - at_a[rises], at_b[rises] - at_b[falls]
        cross = a + (b - a) * (down / (down + up) if down + up else float(at_a[falls] > at_b[falls]))
        middles = (places[near][1:] + places[near][:-1]) / 2  # so that it is half as far away at least, however sizes jump
        new = np.append(np.clip(cross + (b - a) / 256 * np.array([-1, 0, 1]), a, b), middles)
        places, order = np.unique(np.concatenate([places[near], new]), return_index=True)
        each = np.concatenate([each[near], sizes(new)])[order]


@lru_cache(maxsize=64)
def best_rectangle(pairing: Pairing) -> Rect:
    """The straight-sided rectangle with the smallest worst error over the pairing's range.

    A minimax problem in four numbers: linear programs on the linearised errors, inside a trust
    region that grows while whole steps help and shrinks when one does not. Among equals, the one
    whose other sides are best. Where a side has room to spare there can be a second best place, with
    that side as far inside as the others' error lets it be: the search starts again from there.
    """
    found = _descended(pairing, _first_sides(pairing))
    for sides in _drawn_in(found):
        other = _descended(pairing, sides, below=found.size - _WORTH)
        found = other if other.size < found.size - _WORTH else found
    left, top, right, bottom = found.sides
    return Rect(left=left, top=top, right=right, bottom=bottom)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Found:
    """A rectangle with its errors (edge, point, inverse), their derivatives (edge, point, inverse, 4) and what is made small."""

    sides: Sides
    errors: Floats
    slopes: Floats

    @cached_property
    def worst(self) -> Floats:
        """Largest size of each side's errors (4); 0 where it has none."""
        each: Floats = np.nanmax(np.abs(self.errors).reshape(4, -1), axis=1, initial=0.0)
        return each

    @cached_property
    def size(self) -> float:
        return float(self.worst.max() + 1e-4 * self.worst.sum())


def _drawn_in(found: _Found) -> list[Sides]:
    """The rectangle with each side that has room to spare drawn in until it is as far off as the worst."""
    out = []
    worst = float(found.worst.max())
    for i in np.flatnonzero(found.worst < _ROOM * worst):
        slopes = np.sort(found.slopes[i, ..., i], axis=None)  # nan last; np.nanmedian would load all of numpy.ma
        if (known := int((~np.isnan(slopes)).sum())) and (slope := float(slopes[known // 2])):
            sides = list(found.sides)
            sides[i] -= (worst + float(np.nanmin(found.errors[i]))) / slope
            if sides[0] < sides[2] and sides[1] < sides[3]:
                out.append((sides[0], sides[1], sides[2], sides[3]))
    return out


def _descended(pairing: Pairing, sides: Sides, *, below: float = math.inf) -> _Found:
    """Where the linear programs lead from a rectangle; given up at once where the first of them doesn't promise to come below a size."""
    inverses, shares = _range(pairing, _STEPS), np.linspace(0, 1, _COARSE)
    trust = 0.05 * max(pairing.display.raster_px)

    def at(sides: Sides) -> _Found:
        errors, slopes = _side_errors_and_slopes(pairing, sides, inverses, shares)
        return _Found(sides=sides, errors=errors, slopes=slopes)

    now = at(sides)
    for _ in range(40):
        rows, limits = _constraints(now.errors, now.slopes, now.sides)
        found = minimum(_COST, np.vstack([rows, np.eye(4, 9)]), np.append(limits, [trust] * 4), np.array([-trust] * 4 + [0.0] * 5))
        if found is None or now.size - float(_COST @ found) < 1e-5 or float(_COST @ found) > below:  # no step, or none that promises anything
            break
        after = _moved(now.sides, found[:4])
        then = at(after)
        lost = np.isnan(then.errors).sum() > np.isnan(now.errors).sum()
        if after[0] >= after[2] or after[1] >= after[3] or lost or then.size >= now.size:
            trust /= 4
        else:
            gained, step = now.size - then.size, float(np.abs(found[:4]).max())
            now, below = then, math.inf
            if gained < 1e-7 or step < 1e-6:
                break
            if step > 0.99 * trust:
                trust *= 2
        if trust < 1e-5:
            break
    return now


def _range(pairing: Pairing, count: int) -> Floats:
    low, high = inverse_m(pairing.far_m), inverse_m(pairing.near_m)
    return np.linspace(low, high, count) if high > low else np.array([low])


def worst_signed(errors: Floats) -> float:
    """The error of the largest size, with its sign; NaN where there is none."""
    flat = errors[~np.isnan(errors)]
    return float(flat[np.abs(flat).argmax()]) if flat.size else math.nan


def _edge_border(edge: str, shares: Floats) -> Floats:
    """Border places of one edge's points, left to right and top to bottom."""
    at: Mapping[str, Callable[[Floats], Floats]] = {
        "top": lambda u: u,
        "right": lambda u: 1 + u,
        "bottom": lambda u: 3 - u,
        "left": lambda u: 4 - u,
    }
    return at[edge](shares)


def _outline_errors(pairing: Pairing, sets: Floats, inverses: Floats, count: int) -> Floats:
    """Errors (sets, edge, point, inverse) of outlines set for some inverse distances, at others."""
    back, _ = to_recorded(pairing, _edges_on_display(pairing, sets, count)[..., None, :], inverses)
    return np.stack([edge_error(pairing.frame, back[:, i], edge) for i, edge in enumerate(EDGES)], axis=1)


def _edges_on_display(pairing: Pairing, sets: Floats, count: int) -> Floats:
    """Points (sets, edge, count, 2) of the frame's edges on the display at some inverse distances; NaN where the display shows none."""
    shares = np.linspace(0, 1, count)
    border = pairing.frame.border(np.stack([_edge_border(edge, shares) for edge in EDGES]))
    q, ok = to_display(pairing, border, sets[:, None, None])
    shown: Floats = np.where((ok & pairing.display.shown.contains(q))[..., None], q, np.nan)
    return shown


def outline_points(pairing: Pairing, distance_m: float, count: int) -> Floats:
    """Points (4, count, 2) of the frame's left, top, right and bottom edge on the display for what is at a distance."""
    points: Floats = _edges_on_display(pairing, np.array([inverse_m(distance_m)]), count)[0]
    return points


def side_points(sides: Sides, shares: Floats) -> Floats:
    """Points (4, n, 2) along a rectangle's left, top, right and bottom sides, corners included."""
    left, top, right, bottom = sides
    points = np.empty((4, len(shares), 2))
    points[0, :, 0], points[1, :, 1], points[2, :, 0], points[3, :, 1] = left, top, right, bottom
    points[1::2, :, 0], points[::2, :, 1] = left + (right - left) * shares, top + (bottom - top) * shares
    return points


def _errors_at(pairing: Pairing, points: Floats, inverses: Floats) -> Floats:
    back, _ = to_recorded(pairing, points[:, :, None, :], inverses)
    return np.stack([edge_error(pairing.frame, back[i], edge) for i, edge in enumerate(EDGES)])


def _side_errors(pairing: Pairing, sides: Sides, inverses: Floats, shares: Floats) -> Floats:
    """Errors (edge, point, inverse) of a rectangle's sides; NaN where a point has none."""
    return _errors_at(pairing, side_points(sides, shares), inverses)


def _side_errors_and_slopes(pairing: Pairing, sides: Sides, inverses: Floats, shares: Floats) -> tuple[Floats, Floats]:
    """The errors and their derivatives (edge, point, inverse, 4) with respect to left, top, right, bottom."""
    step, count = 1e-3, len(shares)
    moves = np.array([(0, 0), (step, 0), (-step, 0), (0, step), (0, -step)])
    points = side_points(sides, shares)[:, None] + moves[:, None, :]
    each = _errors_at(pairing, points.reshape(4, -1, 2), inverses).reshape(4, len(moves), count, -1)
    errors, right, left, down, up = np.moveaxis(each, 1, 0)
    by_x, by_y = (right - left) / (2 * step), (down - up) / (2 * step)
    slopes = np.zeros((*errors.shape, 4))
    along = shares[:, None]
    for i in (0, 2):  # left, right: x is the side's own, y runs from top to bottom
        slopes[i, ..., i], slopes[i, ..., 1], slopes[i, ..., 3] = by_x[i], by_y[i] * (1 - along), by_y[i] * along
    for i in (1, 3):
        slopes[i, ..., i], slopes[i, ..., 0], slopes[i, ..., 2] = by_y[i], by_x[i] * (1 - along), by_x[i] * along
    return errors, slopes


def _moved(sides: Sides, by: Floats) -> Sides:
    left, top, right, bottom = (float(v) for v in np.asarray(sides) + by)
    return left, top, right, bottom


def _constraints(errors: Floats, slopes: Floats, sides: Sides) -> tuple[Floats, Floats]:
    """Rows for: +-(error + slope . move) <= the side's bound <= the common bound; left before right, top before bottom."""
    left, top, right, bottom = sides
    order = np.zeros((2, 9))
    order[0, [0, 2]] = order[1, [1, 3]] = 1, -1
    rows, limits = [order], [np.array([right - left, bottom - top]) * (1 - 1e-3)]
    for i in range(4):
        good = ~np.isnan(errors[i]) & ~np.isnan(slopes[i]).any(axis=-1)
        e, s = errors[i][good], slopes[i][good]
        bound = np.zeros((len(e), 5))
        bound[:, i] = -1
        rows += [np.hstack([s, bound]), np.hstack([-s, bound])]
        limits += [-e, e]
        tie = np.zeros((1, 9))
        tie[0, 4 + i], tie[0, 8] = 1, -1
        rows.append(tie)
        limits.append(np.zeros(1))
    return np.vstack(rows), np.concatenate(limits)


def _first_sides(pairing: Pairing) -> Sides:
    middle = float(_range(pairing, 3).mean())
    shares = np.linspace(0, 1, _COARSE)
    q, ok = to_display(pairing, pairing.frame.border(np.stack([_edge_border(edge, shares) for edge in EDGES])), middle, beyond=True)
    left, top, right, bottom = (float(np.mean(q[i, ok[i] if ok[i].any() else slice(None), i % 2])) for i in range(4))
    return (left, top, max(right, left + 1.0), max(bottom, top + 1.0))


def edge_error_curve(pairing: Pairing, rectangle: Rect, distances_m: ArrayLike) -> dict[str, Floats]:
    """Signed worst error of each side of a rectangle at distances (n), by edge name: n figures each."""
    return errors_by_edge(_side_errors(pairing, rectangle.as_tuple(), inverses_of(distances_m), np.linspace(0, 1, _FINE)))


def outline_error_curve(pairing: Pairing, set_distance_m: float, distances_m: ArrayLike) -> dict[str, Floats]:
    """Signed worst error of each edge of the outline set for one distance, at distances (n), by edge name: n figures each."""
    return errors_by_edge(_outline_errors(pairing, np.array([inverse_m(set_distance_m)]), inverses_of(distances_m), _FINE)[0])


def inverses_of(distances_m: ArrayLike) -> Floats:
    """Inverse distances (n) in 1/m of distances (n) in m."""
    return np.array([inverse_m(float(d)) for d in np.atleast_1d(np.asarray(distances_m, dtype=np.float64))])


def errors_by_edge(errors: Floats) -> dict[str, Floats]:
    """Errors (edge, point, inverse) as the worst of each edge at each inverse distance."""
    return {edge: np.array([worst_signed(errors[i, :, j]) for j in range(errors.shape[2])]) for i, edge in enumerate(EDGES)}
