"""How the aircraft passes each opening on a flight that leans: room to each side while any of it is in the wall.

Advisory: it plans a flight, it does not clear one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from framematch.compare.clearance import rooms_m
from framematch.compare.stays import stays
from framematch.shot.contact import Box
from framematch.shot.flown import Flown
from framematch.shot.opening import Opening

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LOOKED_AT_S = 0.005  # apart, where the wall is looked for; a box of 5 cm at 10 m/s is in it for that long
_MOMENTS = 241  # looked at in each passage
_SIGNS = np.array([[a, b, c] for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)], dtype=np.float64)
_EDGES = np.array([(i, j) for i in range(8) for j in range(i + 1, 8) if np.abs(_SIGNS[i] - _SIGNS[j]).sum() == 2])


@dataclass(frozen=True, kw_only=True)
class Passing:
    """One passage through an opening.

    Args:
        opening: its number, from 1.
        from_s, to_s: while any of the aircraft is between the wall's two faces.
        side_cm: left, top, right, bottom as the opening is flown at: the smallest room, and when; below 0 it strikes.
    """

    opening: int
    from_s: float
    to_s: float
    side_cm: tuple[tuple[str, float, float], ...]

    @property
    def closest_cm(self) -> float:
        """To the nearest side."""
        return min(room for _, room, _ in self.side_cm)


def passings(flown: Flown, box: Box, openings: Sequence[Opening]) -> tuple[Passing, ...]:
    """Every passage of the box, as it leans, through the openings, in the order flown.

    What passes the wall beside an opening is not a passage: the place's surfaces say what it meets.
    """
    found = [each for number, opening in enumerate(openings, 1) for each in _through(flown, box, opening, number)]
    return tuple(sorted(found, key=lambda each: each.from_s))


def _through(flown: Flown, box: Box, opening: Opening, number: int) -> list[Passing]:
    def inside(times: Floats) -> Mask:
        z = _corners(flown, box, opening, times)[..., 2]
        return np.asarray((z.min(axis=-1) <= opening.thickness_m) & (z.max(axis=-1) >= 0))

    times = np.linspace(0, flown.duration_s, max(2, int(flown.duration_s / LOOKED_AT_S) + 1))
    out = []
    for start, end in stays(times, inside(times), inside):
        moments = np.linspace(start, end, _MOMENTS)
        cut = [shapely.MultiPoint(points).convex_hull for points in _in_wall(_corners(flown, box, opening, moments), opening.thickness_m)]
        kept = [i for i, hull in enumerate(cut) if not hull.is_empty]
        hulls = [cut[i] for i in kept]
        if not any(hull.intersects(shapely.Polygon(opening.outline(32)[:, :2])) for hull in hulls):
            continue
        sides = [(side, 100 * float(room.min()), float(moments[kept[int(room.argmin())]])) for side, room in rooms_m(opening, hulls).items()]
        out.append(Passing(opening=number, from_s=start, to_s=end, side_cm=tuple(sides)))
    return out


def _corners(flown: Flown, box: Box, opening: Opening, times: Floats) -> Floats:
    """The box's corners (T, 8, 3) in opening axes."""
    pose = flown.airframe(times)
    at = (box.middle_m + _SIGNS * box.half_m) @ np.swapaxes(pose.rotation, -1, -2) + pose.translation_m[:, None]
    return opening.scene_from_opening.inverse.points(at)


def _in_wall(corners: Floats, thickness_m: float) -> list[Floats]:
    """For each moment the points (n, 2) that span what of the box lies between the wall's faces."""
    a, b = corners[:, _EDGES[:, 0]], corners[:, _EDGES[:, 1]]
    points, ok = [corners], [(corners[..., 2] >= 0) & (corners[..., 2] <= thickness_m)]
    for face in dict.fromkeys((0.0, thickness_m)):
        with np.errstate(all="ignore"):
            share = (face - a[..., 2]) / (b[..., 2] - a[..., 2])
        met = (share >= 0) & (share <= 1)
        points.append(a + np.where(met, share, 0.0)[..., None] * (b - a))
        ok.append(met)
    every, mask = np.concatenate(points, axis=1)[..., :2], np.concatenate(ok, axis=1)
    return [each[keep] for each, keep in zip(every, mask, strict=True)]
