"""How far the aircraft's box is from the surfaces of a place, at every moment of a flight.

The distance of a turned box from a triangle is exact: two convex bodies apart are nearest at a corner and
a face or at two edges, and whether they overlap is told by the separating axes (13 of them; Akenine-Möller,
Fast 3D triangle-box overlap testing, 2001). Between two moments no point of the box moves farther than its
greatest speed lets it, which bounds what the distance can be in between: where it could be smaller than
the smallest found it is looked at again, until nothing can hide that is larger than ``SURE_M``; the lowest
valleys are then followed to their bottoms.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.shot.flown import Flown

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REACH_M = 5.0  # farther surfaces are not looked at
SURE_M = 0.002
_SMALL_M = 0.4  # triangles within a sphere of this radius are found through a tree, larger ones are always looked at
_MOST = 6000  # moments looked at
_BATCH = 16
_VALLEYS = 8
_AXES = np.eye(3)
_NEXT, _AFTER = [1, 2, 0], [2, 0, 1]


@dataclass(frozen=True, kw_only=True, eq=False)
class Surfaces:
    """Triangles of a place, made ready for looking up.

    Args:
        vertices_m: (N, 3), scene axes.
        faces: (M, 3), indices into them.
    """

    vertices_m: Floats
    faces: Ints

    @cached_property
    def _corners(self) -> Floats:
        out: Floats = np.asarray(self.vertices_m, dtype=np.float64)[self.faces]
        return out

    @cached_property
    def _index(self) -> tuple[Any, Ints, Ints, Floats, Floats]:
        """A tree of the small triangles' middles, their numbers, and the numbers, middles and radii of the large ones."""
        from scipy.spatial import cKDTree

        middle = self._corners.mean(axis=1)
        radius = np.linalg.norm(self._corners - middle[:, None], axis=2).max(axis=1)
        small, large = np.flatnonzero(radius <= _SMALL_M), np.flatnonzero(radius > _SMALL_M)
        return cKDTree(middle[small]), small, large, middle[large], radius[large]

    def near(self, centre_m: Floats, radius_m: float) -> Floats:
        """Triangles (K, 3, 3) of which a part may lie within a sphere."""
        tree, small, large, middle, radius = self._index
        found = small[tree.query_ball_point(centre_m, radius_m + _SMALL_M)] if len(small) else small
        return self._corners[np.concatenate([found, large[np.linalg.norm(middle - centre_m, axis=1) <= radius + radius_m]]).astype(np.int64)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Box:
    """A box fixed to the airframe: middle (3,) and half sizes (3,) in airframe axes, metres."""

    middle_m: Floats
    half_m: Floats

    @property
    def reach_m(self) -> float:
        """Farthest corner from the airframe's origin."""
        return float(np.linalg.norm(np.abs(self.middle_m) + self.half_m))


@dataclass(frozen=True, kw_only=True, eq=False)
class Nearest:
    """The nearest surface at a moment: distance (0: touches), the surface's point in scene axes, and the side of the box in words."""

    time_s: float
    distance_m: float
    point_m: Floats
    side: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Room:
    """Room round the box along a flight.

    Args:
        times_s: (T,), moments looked at, denser where it is close.
        distance_m: (T,); infinite beyond ``REACH_M``.
        closest: the smallest of all moments; None where nothing is within reach.
        contact: the first moment at which the box touches a surface; None if it doesn't.
    """

    times_s: Floats
    distance_m: Floats
    closest: Nearest | None
    contact: Nearest | None


def room_along(flown: Flown, box: Box, surfaces: Surfaces, *, grow_m: float = 0.0) -> Room:
    """The box's distance from the surfaces along a flight.

    Args:
        grow_m: by how much the box is made larger all round, such as by how far the flown path may be off.
    """
    half = box.half_m + grow_m
    fine = np.linspace(0, flown.duration_s, max(200, math.ceil(200 * flown.duration_s)))
    fastest = flown.at(fine).speed_m_s + np.linalg.norm(flown.turn_rad_s(fine), axis=-1) * box.reach_m
    found: dict[float, Nearest | None] = {}

    def at(time: float) -> float:
        time = float(time)  # NumPy's own would stand in what is told
        if time not in found:
            pose = flown.airframe(time)
            found[time] = _nearest(time, pose.rotation, pose.points(box.middle_m), half, surfaces)
        each = found[time]
        return math.inf if each is None else each.distance_m

    def moves(a: float, b: float) -> float:
        """The most that a point of the box moves between two moments."""
        low, high = np.searchsorted(fine, (a, b))
        return float(fastest[max(low - 1, 0) : high + 2].max()) * (b - a)

    start = np.linspace(0, flown.duration_s, max(2, math.ceil(20 * flown.duration_s) + 1)).tolist()
    for time in start:
        at(time)
    _search(at, moves, start, found)
    _to_the_bottom(at, sorted(found))
    times = np.array(sorted(found))
    each = [found[t] for t in times]
    near = [n for n in each if n is not None]
    return Room(
        times_s=times,
        distance_m=np.array([math.inf if n is None else n.distance_m for n in each]),
        closest=min(near, key=lambda n: n.distance_m, default=None),
        contact=next((n for n in near if n.distance_m <= 0), None),
    )


def _search(at: Callable[[float], float], moves: Callable[[float, float], float], start: list[float], found: dict[float, Any]) -> None:
    """Look between moments until neither the smallest distance nor a first touch can hide there."""
    best = min(at(t) for t in start)
    open_ = list(pairwise(start))[::-1]  # the earliest last, so that it is taken first
    while open_ and len(found) < _MOST:
        a, b = open_.pop()
        lowest = (min(at(a), REACH_M) + min(at(b), REACH_M) - moves(a, b)) / 2
        touches = at(a) <= 0 or at(b) <= 0
        # A first touch is followed down to its moment; what comes after one is of no interest.
        if at(a) <= 0 or moves(a, b) < SURE_M or (not touches and lowest > (max(best - SURE_M, 0.0) if best < REACH_M else 0.0)):
            continue
        middle = (a + b) / 2
        best = min(best, at(middle))
        if at(middle) <= 0:
            open_ = [(a, middle)]
        else:
            open_ += [(middle, b), (a, middle)]


def _to_the_bottom(at: Callable[[float], float], times: list[float]) -> None:
    """Look on at the bottom of each valley that may hold the smallest distance: what is within ``SURE_M`` of the smallest found."""
    from scipy.optimize import minimize_scalar

    values = [at(t) for t in times]
    best = min(values)
    if not 0 < best < REACH_M:
        return
    low = [i for i, v in enumerate(values) if v <= best + SURE_M and v == min(values[max(i - 1, 0) : i + 2])]
    for i in sorted(low, key=values.__getitem__)[:_VALLEYS]:
        a, b = times[max(i - 1, 0)], times[min(i + 1, len(times) - 1)]
        minimize_scalar(at, bounds=(a, b), method="bounded", options={"xatol": 1e-4 * (b - a)})


def _nearest(time: float, turn: Floats, middle: Floats, half: Floats, surfaces: Surfaces) -> Nearest | None:
    around = float(np.linalg.norm(half))
    reach = 0.6
    while True:  # the sphere looked at grows until it holds the nearest for certain
        distance, point = _in_box_axes(half, (surfaces.near(middle, reach + around) - middle) @ turn)
        if distance <= reach:
            return Nearest(time_s=time, distance_m=distance, point_m=middle + turn @ point, side=_side(point / half))
        if reach >= REACH_M:
            return None
        reach = min(2 * reach, REACH_M)


def _in_box_axes(half: Floats, local: Floats) -> tuple[float, Floats]:
    """Distance from the nearest of some triangles and its point, in box axes; those whose bounds are nearest are looked at first."""
    lowest = np.linalg.norm(np.maximum(0, np.maximum(local.min(axis=1) - half, -half - local.max(axis=1))), axis=1)
    best, point = math.inf, np.zeros(3)
    if len(local):  # no triangle whose bounds are farther than the nearest corner of any needs to be looked at
        corners = np.maximum(np.abs(local) - half, 0.0).reshape(-1, 3)
        near = np.flatnonzero(lowest <= math.sqrt(float(np.einsum("ij,ij->i", corners, corners).min())) + 1e-12)
        order = near[np.argsort(lowest[near])]
    else:
        order = np.zeros(0, dtype=np.int64)
    for i in range(0, len(order), _BATCH):
        part = order[i : i + _BATCH]
        if lowest[part[0]] >= best:
            break
        distance, points = box_to_triangles(half, local[part])
        k = int(distance.argmin())
        if distance[k] < best:
            best, point = float(distance[k]), points[k]
    return best, point


def _side(share: Floats) -> str:
    """Where on the box, in words: where the nearest point lies outside or near a side, as a share of the half size."""
    words = [(share[2], "front", "rear"), (share[1], "lower", "upper"), (share[0], "right", "left")]
    said = [plus if value > 0 else minus for value, plus, minus in words if abs(value) > 0.7]
    return " ".join(said) or "middle"


def box_to_triangles(half_m: Floats, corners_m: Floats) -> tuple[Floats, Floats]:
    """Distance (M,) of a box about the origin from triangles (M, 3, 3) in its axes, and each one's nearest point (M, 3); 0 where they overlap."""
    a = corners_m
    options = [_corner_points(half_m, a), _face_points(half_m, a), _edge_points(half_m, a)]
    distances = np.concatenate([o[0] for o in options], axis=1)
    points = np.concatenate([o[1] for o in options], axis=1)
    k = distances.argmin(axis=1)
    rows = np.arange(len(a))
    overlap = _overlap(half_m, a)
    distance = np.where(overlap, 0.0, distances[rows, k])
    return distance, np.where(overlap[:, None], _closest_on(a, np.zeros((len(a), 1, 3)))[:, 0], points[rows, k])


def _corner_points(half: Floats, a: Floats) -> tuple[Floats, Floats]:
    """The triangles' corners against the box."""
    return np.linalg.norm(np.maximum(np.abs(a) - half, 0.0), axis=2), a


def _face_points(half: Floats, a: Floats) -> tuple[Floats, Floats]:
    """The box's corners against the triangles."""
    signs = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])
    corners = np.broadcast_to(signs * half, (len(a), 8, 3))
    on = _closest_on(a, corners)
    return np.linalg.norm(on - corners, axis=2), on


def _closest_on(a: Floats, p: Floats) -> Floats:
    """Nearest points (M, K, 3) on triangles (M, 3, 3) to points (M, K, 3): inside by the plane, else on the nearest edge."""
    ab, ac = a[:, 1] - a[:, 0], a[:, 2] - a[:, 0]
    normal = _cross(ab, ac)
    size = np.einsum("mi,mi->m", normal, normal)
    away = p - a[:, None, 0]
    with np.errstate(all="ignore"):
        v = np.einsum("mki,mi->mk", _cross(away, ac[:, None]), normal) / size[:, None]
        w = np.einsum("mki,mi->mk", _cross(ab[:, None], away), normal) / size[:, None]
    inside = (v >= 0) & (w >= 0) & (v + w <= 1) & (size > 0)[:, None]
    flat = a[:, None, 0] + np.where(inside, v, 0)[..., None] * ab[:, None] + np.where(inside, w, 0)[..., None] * ac[:, None]
    start, along = a, np.roll(a, -1, axis=1) - a  # (M, 3, 3)
    length = np.maximum(np.einsum("mei,mei->me", along, along), 1e-300)
    share = np.clip(np.einsum("mkei,mei->mke", p[:, :, None] - start[:, None], along) / length[:, None], 0, 1)
    on = start[:, None] + share[..., None] * along[:, None]  # (M, K, 3, 3)
    k = np.linalg.norm(on - p[:, :, None], axis=3).argmin(axis=2)
    edge = np.take_along_axis(on, k[..., None, None], axis=2)[:, :, 0]
    out: Floats = np.where(inside[..., None], flat, edge)
    return out


def _cross(a: Floats, b: Floats) -> Floats:
    """As ``np.cross``, which takes several times as long for few vectors."""
    out: Floats = a[..., _NEXT] * b[..., _AFTER] - a[..., _AFTER] * b[..., _NEXT]
    return out


def _edge_points(half: Floats, a: Floats) -> tuple[Floats, Floats]:
    """The triangles' edges against the box's, by the nearest points of two segments."""
    box_start, box_along = _box_edges(half)
    start, along = a[:, :, None], (np.roll(a, -1, axis=1) - a)[:, :, None]  # (M, 3, 1, 3)
    r = start - box_start
    e, f = np.einsum("...i,...i", along, along), np.einsum("...i,...i", box_along, box_along)
    b, c, d = (np.einsum("...i,...i", x, y) for x, y in ((along, box_along), (along, r), (box_along, r)))
    e = np.maximum(e, 1e-300)
    spread = e * f - b * b
    s = np.clip(np.where(spread > 1e-12 * e * f, (b * d - c * f) / np.where(spread == 0, 1, spread), 0.0), 0, 1)
    t = np.clip((b * s + d) / f, 0, 1)
    s = np.clip((b * t - c) / e, 0, 1)
    on = start + s[..., None] * along
    off = on - (box_start + t[..., None] * box_along)
    return np.linalg.norm(off, axis=-1).reshape(len(a), -1), on.reshape(len(a), -1, 3)


def _box_edges(half: Floats) -> tuple[Floats, Floats]:
    starts, ways = [], []
    for axis in range(3):
        others = [i for i in range(3) if i != axis]
        for x in (-1, 1):
            for y in (-1, 1):
                corner = np.zeros(3)
                corner[axis], corner[others[0]], corner[others[1]] = -half[axis], x * half[others[0]], y * half[others[1]]
                starts.append(corner)
                ways.append(2 * half[axis] * _AXES[axis])
    return np.array(starts), np.array(ways)


def _overlap(half: Floats, a: Floats) -> NDArray[np.bool_]:
    """Whether triangles and box overlap: no axis separates them."""
    edges = np.roll(a, -1, axis=1) - a
    axes = np.concatenate(
        [np.broadcast_to(_AXES, (len(a), 3, 3)), _cross(edges[:, 0], edges[:, 1])[:, None], _cross(edges[:, :, None], _AXES).reshape(len(a), 9, 3)], axis=1
    )
    spans = np.einsum("mki,mci->mkc", axes, a)
    reach = np.abs(axes) @ half
    out: NDArray[np.bool_] = ((spans.min(axis=2) <= reach) & (spans.max(axis=2) >= -reach)).all(axis=1)
    return out
