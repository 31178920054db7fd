"""How far away, relative to each other, what a moment shows is: from what the adjustment of the recorded clip followed round it.

Flying moves a camera farther in a second than its neighbour stands beside it, so an adjusted clip tells inverse distances, but for one factor of all, far
better than the two cameras do between them. A detail has the mean of what lies beside it in the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.clips.adjusted import Adjusted
from framematch.clips.clock import TurnedPath

Floats = NDArray[np.float64]
_NEIGHBOURS, _FARTHEST_RAD, _LEAST_RAD = 4, 0.06, 0.005
_FEWEST = 20
_AROUND = 1  # key frames before and after, whose details count


@dataclass(frozen=True, kw_only=True, eq=False)
class Relative:
    """Inverse distances but for a factor that all moments share.

    Args:
        w: (N,) inverse depth along the camera's axis; NaN where it is not known.
        sigma: (N,) of each by itself.
        unit_share: standard deviation of all together, as a share.
    """

    w: Floats
    sigma: Floats
    unit_share: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Around:
    """An adjusted camera at a moment.

    Args:
        rays: (M, 3) at what was followed, its own axes.
        w, sigma: (M,) inverse depth there.
        unit_share: as in ``Relative``.
        speed: (3,) of the camera in that unit, its own axes.
    """

    rays: Floats
    w: Floats
    sigma: Floats
    unit_share: float
    speed: Floats

    def relative(self, rays: Floats) -> Relative:
        """Inverse distances along other rays (N, 3), as far as any lie beside them; how much those differ counts as noise."""
        from scipy.spatial import cKDTree

        apart, index = cKDTree(self.rays).query(rays, k=_NEIGHBOURS)
        beside = apart < _FARTHEST_RAD
        weight = beside / (apart + _LEAST_RAD) / self.sigma[index] ** 2
        share = weight / np.maximum(weight.sum(axis=1), 1e-12)[:, None]
        mean = (share * self.w[index]).sum(axis=1)
        variance = (share * (self.w[index] - mean[:, None]) ** 2 + (share * self.sigma[index]) ** 2).sum(axis=1)
        return Relative(w=np.where(beside.sum(axis=1) > 1, mean, np.nan), sigma=np.sqrt(variance), unit_share=self.unit_share)

    def moved_rad_s(self, rays: Floats, relative: Relative) -> Floats:
        """(N, 3) how fast rays go by the camera's way."""
        w = np.where(np.isfinite(relative.w), relative.w, np.median(self.w)) * rays[:, 2]
        return -w[:, None] * (self.speed - (rays @ self.speed)[:, None] * rays)


def around(adjusted: Adjusted, path: TurnedPath, time_s: float) -> Around | None:
    """What was followed round a time; None where too little was, and before the first key frame and after the last.

    Args:
        path: the camera's turns, for how it stood between key frames.
    """
    from scipy.interpolate import CubicSpline

    places, times, way = adjusted.places, adjusted.times_s, CubicSpline(adjusted.times_s, adjusted.way)
    if not times[0] <= time_s <= times[-1]:
        return None
    key = int(np.abs(times - time_s).argmin())
    attitude = adjusted.attitude[key] @ path.between(float(times[key]), time_s)
    tracks = np.unique(places.track[np.abs(places.key - key) <= _AROUND])
    inverse = places.inverse[tracks]
    there = (places.direction[tracks] + inverse[:, None] * (places.start[tracks] - way(time_s))) @ attitude
    ahead = there[:, 2] > 1e-3
    if ahead.sum() < _FEWEST:
        return None
    depth = there[ahead, 2]
    return Around(
        rays=there[ahead] / np.linalg.norm(there[ahead], axis=1)[:, None],
        w=inverse[ahead] / depth,
        sigma=places.sigma[tracks][ahead] / depth,
        unit_share=float(places.unit_share[key]),
        speed=way(time_s, 1) @ attitude,
    )
