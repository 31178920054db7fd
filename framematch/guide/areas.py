"""Always and ever areas: what is recorded at every distance of the range, and at some.

Both are exact up to ``outline.CHORD_PX``: as the distance changes, the frame's border sweeps over
the display, and a point changes sides only when the border passes over it. So always is the frame
at the nearest distance less what is swept, and ever is that frame with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.pairing import Pairing
from framematch.guide.outline import CHORD_PX, border_shares, near_picture
from framematch.guide.transfer import inverse_m, to_display, to_recorded

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Areas:
    """Polygons on the display as rings (n, 2), closed; a ring inside another is a hole (even-odd)."""

    always: tuple[Floats, ...]
    ever: tuple[Floats, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Shared:
    """What protecting several frames at once leaves and takes: polygons on the display, and shares of it in percent.

    Args:
        both: always in shot in every frame.
        either: may be in shot in at least one.
        both_percent, either_percent: their areas.
        each_percent: by frame, its own always and ever areas.
    """

    both: tuple[Floats, ...]
    either: tuple[Floats, ...]
    both_percent: float
    either_percent: float
    each_percent: tuple[tuple[float, float], ...]


def shared_areas(pairing: Pairing, each: Sequence[Areas]) -> Shared:
    """The areas of several frames of one pairing, all of them together."""
    import shapely

    width, height = pairing.display.raster_px
    always, ever = ([_filled(rings) for rings in kind] for kind in zip(*((a.always, a.ever) for a in each), strict=True))
    both, either = shapely.intersection_all(always), shapely.union_all(ever)

    def percent(shape: shapely.Geometry) -> float:
        return float(100 * shape.area / (width * height))

    return Shared(
        both=_rings(both),
        either=_rings(either),
        both_percent=percent(both),
        either_percent=percent(either),
        each_percent=tuple((percent(a), percent(e)) for a, e in zip(always, ever, strict=True)),
    )


def _filled(rings: tuple[Floats, ...]) -> Any:
    """Rings as one shape, by the even-odd rule."""
    import shapely

    shape = shapely.Polygon()
    for ring in rings:
        shape = shape.symmetric_difference(shapely.make_valid(shapely.Polygon(ring)))
    return shape


def areas(pairing: Pairing, *, margin_percent: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)) -> Areas:
    """The always and ever areas over the pairing's range.

    Args:
        margin_percent: by how much each edge of the frame (left, top, right, bottom) may be off, in
            percent of its width or height: always shrinks and ever grows by it.

    Raises:
        InputError: the frame is nowhere on the display at any distance of the range.
    """
    seen = _seen(pairing)
    first, swept = _swept(_with_margin(pairing, margin_percent, 1.0), seen)
    ever = first.union(swept).intersection(seen)
    if ever.is_empty:
        raise InputError(
            "the frame lies wholly outside the monitoring picture",
            field="mount.aim_deg",
            fix="turn the monitoring camera towards the recording camera's view, or check offset and distances",
        )
    if any(margin_percent):
        first, swept = _swept(_with_margin(pairing, margin_percent, -1.0), seen)
    return Areas(always=_rings(first.difference(swept).intersection(seen)), ever=_rings(ever))


def _with_margin(pairing: Pairing, margin: tuple[float, float, float, float], sign: float) -> Pairing:
    f = pairing.frame
    across, down = sign * f.width / 100, sign * f.height / 100
    left, top, right, bottom = margin
    grown = replace(f, left=f.left - left * across, top=f.top - top * down, right=f.right + right * across, bottom=f.bottom + bottom * down)
    return replace(pairing, frame=grown)


def _swept(pairing: Pairing, seen: Any) -> tuple[Any, Any]:
    """The frame at the nearest distance, and what its border sweeps over up to the farthest."""
    import shapely

    nothing = shapely.Polygon()
    if pairing.frame.width <= 0 or pairing.frame.height <= 0:
        return nothing, nothing
    near, far = inverse_m(pairing.near_m), inverse_m(pairing.far_m)
    shares = np.array(sorted({float(s) for i in (near, (near + far) / 2, far) for s in border_shares(pairing, i)[0]}))
    border = _imaged_border(pairing, shares)
    steps = _steps(pairing, border, near, far)
    paths = _drawn_in(pairing, to_display(pairing, border, np.linspace(near, far, steps + 1)[:, None], beyond=True)[0])
    first = shapely.make_valid(shapely.Polygon(paths[0]))
    if _inside_out(pairing, first.intersection(seen), near):
        return nothing, nothing
    if near == far:
        return first, nothing
    a, b, c, d = paths[:-1, :-1], paths[:-1, 1:], paths[1:, :-1], paths[1:, 1:]
    quads = np.stack([a, b, d, c], axis=2)
    turns = _turns(quads)
    sense = near_picture(pairing, a, b, c, d) * ((turns > 1e-9).all(axis=-1) * 1 - (turns < -1e-9).all(axis=-1))
    pieces = [piece for each in zip(paths, paths[1:], sense, strict=False) for piece in _strips(*each)]
    odd = quads[sense == 0]
    halves = np.concatenate([odd[:, [0, 1, 2]], odd[:, [0, 2, 3]]])
    halves = halves[near_picture(pairing, *np.moveaxis(halves, 1, 0)) & (np.abs(_turns(halves)[:, 0]) > 1e-9)]
    return first, shapely.union_all([*pieces, *shapely.polygons(halves)])


def _strips(before: Floats, after: Floats, sense: NDArray[np.int_]) -> list[Any]:
    """What chords from one path to the next sweep over: chords that turn the same way as one polygon, if it doesn't cross itself, else each its own.

    The turns of quads add up to the turn of the border round all of them, so a border without crossings holds what they hold.
    """
    import shapely

    pieces: list[Any] = []
    ends = [0, *np.flatnonzero(np.diff(sense)) + 1, len(sense)]
    for i, j in pairwise(ends):
        if sense[i]:
            strip = shapely.Polygon(np.concatenate([before[i : j + 1], after[i : j + 1][::-1]]))
            pieces += [strip] if strip.is_valid else [shapely.Polygon([before[k], before[k + 1], after[k + 1], after[k]]) for k in range(i, j)]
    return pieces


def _turns(rings: Floats) -> Floats:
    """Twice the area that each corner of polygons (..., corners, 2) spans with its neighbours, + where the ring turns to the right there."""
    sides = np.roll(rings, -1, axis=-2) - rings
    before = np.roll(sides, 1, axis=-2)
    out: Floats = before[..., 0] * sides[..., 1] - before[..., 1] * sides[..., 0]
    return out


def _imaged_border(pairing: Pairing, shares: Floats) -> Floats:
    """The border of what the recording lens images of the frame: where a corner lies past its end, the end in the corner's place."""
    border = pairing.frame.border(shares)[:-1]
    rays, ok = pairing.recording.unproject(border)
    if ok.all():
        return pairing.frame.border(shares)
    leaves, returns = np.flatnonzero(ok & ~np.roll(ok, -1)), np.flatnonzero(ok & ~np.roll(ok, 1))
    if not len(leaves):
        return _rim_px(pairing.recording, np.linspace(0, 2 * np.pi, 721))
    if returns[0] <= leaves[0]:
        returns = np.roll(returns, -1)
    azimuth = np.arctan2(rays[:, 1], rays[:, 0])
    parts = []
    for i, leave in enumerate(leaves):  # frame and image are convex: between the two, their common border runs on in the same sense
        turn = (azimuth[returns[i]] - azimuth[leave]) % (2 * np.pi)
        parts.append(_rim_px(pairing.recording, azimuth[leave] + np.linspace(0, turn, 2 + int(turn * 120))[1:-1]))
        until = leaves[(i + 1) % len(leaves)]
        parts.append(border[np.arange(returns[i], until + 1 + (len(border) if until < returns[i] else 0)) % len(border)])
    ring = np.concatenate(parts)
    ring = ring[pairing.recording.unproject(ring)[1]]
    return np.concatenate([ring, ring[:1]])


def _rim_px(camera: Camera, azimuth: Floats) -> Floats:
    """Places (n, 2) in a camera's picture where its lens's domain ends, by the direction round the axis, clockwise from the right."""
    theta = camera.lens.end_rad * (1 - 1e-9)
    rays = np.stack([np.sin(theta) * np.cos(azimuth), np.sin(theta) * np.sin(azimuth), np.full_like(azimuth, np.cos(theta))], axis=-1)
    return camera.project(rays)[0]


def _inside_out(pairing: Pairing, area: Any, inverse: float) -> bool:
    """Whether a border that runs round the back of the monitoring camera encloses all that is not the frame."""
    if area.is_empty:
        return False
    inner = area.representative_point()
    back, ok = to_recorded(pairing, np.array([inner.x, inner.y]), inverse)
    return not (bool(ok) and bool(pairing.frame.contains(back)))


def _drawn_in(pairing: Pairing, points: Floats) -> Floats:
    """Points far off the display drawn in towards it, along their own direction, to where sums keep their digits."""
    width, height = pairing.display.raster_px
    middle, reach = np.array([width, height]) / 2, 50.0 * math.hypot(width, height)
    away = points - middle
    distance = np.hypot(away[..., 0], away[..., 1])
    drawn: Floats = middle + away * np.minimum(1, reach / np.maximum(distance, 1e-9))[..., None]
    return drawn


def _steps(pairing: Pairing, border: Floats, near: float, far: float) -> int:
    """Inverse distances enough that the path of every border point is straight between them to ``CHORD_PX``."""
    a, middle, b = to_display(pairing, border, np.array([near, (near + far) / 2, far])[:, None], beyond=True)[0]
    bend = float(np.abs(middle - (a + b) / 2)[near_picture(pairing, a, middle, b)].max(initial=0.0))
    return min(64, max(1, math.ceil(math.sqrt(bend / CHORD_PX))))


def _seen(pairing: Pairing) -> Any:
    """What the display shows and the monitoring lens images."""
    import shapely

    shown = pairing.display.shown
    screen = shapely.box(shown.left, shown.top, shown.right, shown.bottom)
    corners = [(shown.left, shown.top), (shown.right, shown.top), (shown.right, shown.bottom), (shown.left, shown.bottom)]
    if pairing.monitoring.unproject(pairing.display.to_source(corners))[1].all():
        return screen
    disc = shapely.Polygon(pairing.display.from_source(_rim_px(pairing.monitoring, np.linspace(0, 2 * np.pi, 721)[:-1])))
    return screen.intersection(shapely.make_valid(disc))


def _rings(shape: Any) -> tuple[Floats, ...]:
    import shapely

    parts = [p for p in shapely.get_parts(shapely.get_parts(shape)) if p.geom_type == "Polygon" and p.area > 0.01]
    rings = [ring for part in parts for ring in (part.exterior, *part.interiors) if shapely.Polygon(ring).area > 0.01]
    return tuple(np.asarray(ring.simplify(0.005).coords) for ring in rings)
