"""How far away details are, relative to each other, from the recording camera's own way.

Flying moves a camera farther between two frames than its neighbour stands beside it, so details followed in the recorded clip tell their inverse
distances, but for one factor, far better than the two cameras do between them: unit rays a before and b after a move along the unit vector T, the turn
taken out, lie in a plane with it, and b x (a - w T) = 0. What is left of the turn is solved along, held to what reading turns is worth; it shifts all
inverse distances alike, so their slopes with it are handed on. The way's direction is the vector that all planes share (least squares with weights
after Cauchy, residuals as angles: Sampson 1982).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
#: Standard deviation of a turn over some tenths of a second, and as a share of the parallax: as read from frame to frame, and as adjusted.
TURN_RAD, TURN_SHARE = math.radians(0.15), 0.2
SURE_RAD, SURE_SHARE = math.radians(0.03), 0.02
_ROUNDS, _CAUCHY, _PAIRS = 8, 2.4, 60
_MOST_OFF = 4.0  # times the noise expected


@dataclass(frozen=True, kw_only=True, eq=False)
class Relative:
    """Inverse distances but for a factor.

    Args:
        w: (N,) inverse depth along the camera's axis times the unknown way; NaN for details that don't go with the others.
        sigma: (N,) of it.
        turn_slope: (N, 3) of w with a turn that was not taken out, rad.
        turn_rad: its standard deviation, each axis.
        shared: the factor is that of all moments.
    """

    w: Floats
    sigma: Floats
    turn_slope: Floats
    turn_rad: float
    shared: bool = False


def relative_distances(before: Floats, after: Floats, *, noise_rad: float, gone: float | None = None) -> Relative | None:
    """Inverse distances of details from bearings (N, 3) and (N, 3), the turn between taken out; None where they lie as no one way has them.

    Args:
        gone: how far the camera went between the two, in a unit that all moments share, where turns and way were adjusted; inverse distances then go by it.
    """
    moved = float(np.median(np.linalg.norm(after - before, axis=1)))
    turn_rad = math.hypot(TURN_RAD, TURN_SHARE * moved) if gone is None else math.hypot(SURE_RAD, SURE_SHARE * moved)
    turn = np.zeros(3)
    way = _start(before, after)
    size = np.maximum(np.linalg.norm(np.cross(way, before), axis=1), 0.02)
    off = np.cross(before, after) @ way / size
    scale = max(float(np.median(np.abs(off))) / 0.6745, noise_rad)
    weight = 1 / (1 + (off / (_CAUCHY * scale)) ** 2)
    for _ in range(_ROUNDS):
        now = after + np.cross(turn, after)
        normal = np.cross(before, now)
        size = np.maximum(np.linalg.norm(np.cross(way, before), axis=1), 0.02)
        spread = np.einsum("n,ni,nj->ij", weight / size**2, normal, normal)
        way = np.linalg.eigh(spread)[1][:, 0]
        off = normal @ way / size
        slope = np.stack([np.cross(before, np.cross(axis, now)) @ way / size for axis in np.eye(3)], axis=1)
        scale = max(float(np.median(np.abs(off))) / 0.6745, noise_rad / 4)
        weight = 1 / (1 + (off / (_CAUCHY * scale)) ** 2)
        told = (slope * weight[:, None]).T @ slope / scale**2
        step = -np.linalg.solve(told + np.eye(3) / turn_rad**2, slope.T @ (weight * off) / scale**2 + turn / turn_rad**2)
        turn = turn + step
    if scale > _MOST_OFF * noise_rad or (weight > 0.3).mean() < 0.5:
        return None
    w, size = _along(before, after, way, turn)
    if np.median(w[weight > 0.3]) < 0:
        w, way = -w, -way
    slopes = np.stack([(_along(before, after, way, turn + m)[0] - _along(before, after, way, turn - m)[0]) / 2e-5 for m in 1e-5 * np.eye(3)], axis=1)
    use = (weight > 0.3) & (size > 0.02)
    sigma = max(scale, noise_rad) / np.maximum(size, 1e-9)
    unit = before[:, 2] * (1.0 if gone is None else gone)
    return Relative(w=np.where(use, w / unit, np.nan), sigma=sigma / unit, turn_slope=slopes / unit[:, None], turn_rad=turn_rad, shared=gone is not None)


def _start(before: Floats, after: Floats) -> Floats:
    """Of the ways that pairs of details share, the one with the least median miss (Rousseeuw 1984)."""
    normal = np.cross(before, after)
    first, second = np.random.default_rng(6).integers(0, len(before), (2, _PAIRS))
    ways = np.cross(normal[first], normal[second])
    length = np.linalg.norm(ways, axis=1)
    if not length.max() > 0:
        return np.array([0.0, 0.0, 1.0])
    ways = ways[length > 0.01 * length.max()] / length[length > 0.01 * length.max(), None]
    size = np.maximum(np.linalg.norm(np.cross(ways[:, None], before[None]), axis=2), 0.02)
    return np.asarray(ways[int(np.median(np.abs(ways @ normal.T) / size, axis=1).argmin())])


def _along(before: Floats, after: Floats, way: Floats, turn: Floats) -> tuple[Floats, Floats]:
    """Inverse ranges, and how much of a way each detail sees across."""
    now = after + np.cross(turn, after)
    across = np.cross(now, way)
    square = (across**2).sum(axis=1)
    return (np.cross(now, before) * across).sum(axis=1) / np.maximum(square, 1e-9), np.sqrt(square)
