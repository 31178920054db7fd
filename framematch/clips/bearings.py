"""The turn between two sets of bearings of the same details, where the camera moved as well.

Details seen along a_i before and b_i after, both unit rays in the camera's own axes. The camera turned by the rotation vector w (its own axes
before; + about y pans right) and moved by v: a_i = exp(w) b_i for what is far away, and what stands at distance d is displaced besides by
-(1 - a a^T) v / d. Distances are not known, so the move enters as one mean T = v / d for all details, and each detail's own share of it as scatter
along its own direction, as large as T itself (``SPREAD``): details that show parallax count across it fully and along it hardly. Where a turn alone
explains the details, T is held to nothing: a long lens can't tell a pan from a step aside otherwise.

Start by the least median of squares over turns from pairs of details (Rousseeuw, JASA 79, 1984), then least squares with weights after Cauchy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
FEWEST = 18  # details that a turn is read from
SPREAD = 1.0  # of each detail's inverse distance about the mean, as a share of it
_PAIRS = 60
_CAUCHY, _ROUNDS, _BLIND, _CLOSE = 2.4, 9, 4, 0.02
_MOST_NOISE = 8.0  # times what is expected: details that scatter more show nothing


@dataclass(frozen=True, kw_only=True, eq=False)
class BearingTurn:
    """A turn with what it rests on.

    Args:
        turn_rad: (3,) rotation vector, camera axes before.
        covariance: (3, 3) of it, from the scatter of the details.
        move_rad: (3,) the mean of v / d.
        move_told: (3,) and (3, 3): pull and information of the details alone on that mean, the turn marginalised.
        move_most_rad: standard deviation to which the mean is held about nothing, by how much details scatter more than a turn would leave.
        agreed: (N,) which details lie as the turn has them.
        scatter_rad: of those across their parallax.
    """

    turn_rad: Floats
    covariance: Floats
    move_rad: Floats
    move_told: tuple[Floats, Floats]
    move_most_rad: float
    agreed: Mask
    scatter_rad: float


def turn_of(
    before: Floats,
    after: Floats,
    *,
    noise_rad: float,
    extra: Floats | None = None,
    move: tuple[Floats, Floats] | None = None,
    start: Floats | None = None,
) -> BearingTurn | None:
    """The turn that bearings (N, 3) and (N, 3) show; None where they show none.

    Args:
        noise_rad: of the angle between a detail's two bearings, as expected.
        extra: (N, 3) rotation vectors by which each detail saw the camera turn more than the turn that is asked for, where rows are read one
            after another.
        move: (3,) and (3, 3) the mean of v / d and its covariance, where it is known from the turns round this one.
        start: (3,) a turn near the one asked for; looked for if not given.
    """
    if len(before) < FEWEST:
        return None
    blind = _BLIND if start is None else 2
    more = np.zeros(3) if extra is None else extra
    basis = moves = tangents(before)
    firm = None if move is None else np.linalg.inv(move[1])
    turn, parallax, scale, loose, whole = _start(before, after) if start is None else start, np.zeros(3) if move is None else move[0], noise_rad, 0.0, 0.0
    for turns in range(_ROUNDS):
        carried = rotated(turn + more, after)
        miss = np.einsum("nij,nj->ni", basis, before - carried)
        by_turn = -basis @ cross_of(carried)
        drawn = moves @ parallax
        if turns == 0:
            whole = _size(miss)
            scale = max(whole, noise_rad)
        root = _whitening(drawn, scale)
        off = np.hypot(*np.einsum("nij,nj->in", root, miss - drawn))
        weight = 1 / (1 + (off / _CAUCHY) ** 2)
        rows = (root @ np.concatenate([by_turn, moves], axis=2)) * np.sqrt(weight)[:, None, None]
        target = np.einsum("nij,nj->ni", root, miss) * np.sqrt(weight)[:, None]
        flat = rows.reshape(-1, 6)
        told, pull = flat.T @ flat, flat.T @ target.reshape(-1)
        normal, toward = told.copy(), pull.copy()
        if firm is None or move is None:
            normal[range(3, 6), range(3, 6)] += max(loose, 1e-9) ** -2.0
        else:
            normal[3:, 3:] += firm
            toward[3:] += firm @ move[0]
        try:
            step = np.linalg.solve(normal, toward)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(step).all():
            return None
        turn, parallax = turn + step[:3], step[3:]
        rest = miss - by_turn @ step[:3]
        if turns == 0:
            whole = _size(rest)  # of a turn alone
        scale = max(_size_across(rest, moves @ parallax), noise_rad / 4)
        if turns > blind and np.abs(step[:3]).max() < _CLOSE * noise_rad:
            break
        noise = noise_rad if turns < blind else max(scale, noise_rad)  # across the move it is known once the move is
        loose = 2.0 * math.sqrt(max(whole**2 - (1.15 * noise) ** 2, 0.0))
    agreed: Mask = weight > 0.35
    if agreed.sum() < FEWEST or agreed.mean() < 0.4 or scale > _MOST_NOISE * noise_rad:
        return None
    by_turn_alone = np.linalg.solve(told[:3, :3], np.column_stack([told[:3, 3:], pull[:3]]))
    return BearingTurn(
        turn_rad=turn,
        covariance=np.asarray(np.linalg.inv(normal)[:3, :3], dtype=np.float64),
        move_rad=parallax,
        move_told=(pull[3:] - told[3:, :3] @ by_turn_alone[:, 3], told[3:, 3:] - told[3:, :3] @ by_turn_alone[:, :3]),
        move_most_rad=loose,
        agreed=agreed,
        scatter_rad=float(scale),
    )


def share_told(before: Floats, after: Floats, found: BearingTurn, *, extra: Floats, drift: Floats, along: Floats) -> tuple[float, float]:
    """Pull and information on the share s of a drift (N, 3), rotation vectors that add to ``extra`` as s times it, turn and move marginalised.

    Args:
        along: (N, 3) the part of the drift that is sure, along which pull is taken (instrumental variables: Reiersol 1945).
    """
    basis = tangents(before)
    carried = rotated(found.turn_rad + extra, after)
    by_turn = -basis @ cross_of(carried)
    drawn = basis @ found.move_rad
    miss = np.einsum("nij,nj->ni", basis, before - carried) - drawn
    root = _whitening(drawn, found.scatter_rad)[found.agreed]
    known = (root @ np.concatenate([by_turn, basis], axis=2)[found.agreed]).reshape(-1, 6)
    asked, sure = (np.einsum("nij,njk,nk->ni", root, by_turn[found.agreed], v[found.agreed]).ravel() for v in (drift, along))
    rest = np.einsum("nij,nj->ni", root, miss[found.agreed]).ravel()
    told = known.T @ known + 1e-9 * np.eye(6)
    free = sure - known @ np.linalg.solve(told, known.T @ sure)
    return float(free @ rest), float(free @ asked)


def rotated(turns_rad: Floats, rays: Floats) -> Floats:
    """Rays (N, 3), each turned by its rotation vector (N, 3) or all by one (3,): Rodrigues' formula."""
    angle = np.sqrt((turns_rad**2).sum(-1, keepdims=True))
    axis = turns_rad / np.maximum(angle, 1e-12)
    cos, sin = np.cos(angle), np.sin(angle)
    out: Floats = rays * cos + _crossed(axis, rays) * sin + axis * ((axis * rays).sum(-1, keepdims=True) * (1 - cos))
    return out


def matrices(turns_rad: Floats) -> Floats:
    """(..., 3, 3) of rotation vectors (..., 3)."""
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_rotvec(turns_rad).as_matrix(), dtype=np.float64)


def _crossed(a: Floats, b: Floats) -> Floats:
    """a x b of (..., 3); NumPy's own takes several times as long for few."""
    (ax, ay, az), (bx, by, bz) = np.moveaxis(a, -1, 0), np.moveaxis(b, -1, 0)
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)


def cross_of(rays: Floats) -> Floats:
    """(N, 3, 3): each ray's matrix of the cross product r x v."""
    out = np.zeros((len(rays), 3, 3))
    x, y, z = rays.T
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = -z, y, -x
    out[:, 1, 0], out[:, 2, 0], out[:, 2, 1] = z, -y, x
    return out


def tangents(rays: Floats) -> Floats:
    """(N, 2, 3): two directions across each ray."""
    side = np.where(np.abs(rays[:, 1:2]) < 0.9, (0.0, 1.0, 0.0), (1.0, 0.0, 0.0))
    first = _crossed(side, rays)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return np.stack([first, _crossed(rays, first)], axis=1)


def _whitening(drawn: Floats, scale: float) -> Floats:
    """(N, 2, 2) that bring residuals to one size: noise all round, and the spread of distances along what the move draws (N, 2)."""
    square = (drawn**2).sum(1)
    shrink = 1 / np.sqrt(1 + SPREAD**2 * square / scale**2)
    unit = drawn / np.sqrt(np.maximum(square, 1e-24))[:, None]
    out: Floats = (np.eye(2) - (1 - shrink)[:, None, None] * unit[:, :, None] * unit[:, None, :]) / scale
    return out


def _size(off: Floats) -> float:
    """Standard deviation of each of two components (N, 2), by the median of their length."""
    return float(np.median(np.hypot(*off.T)) / 1.1774)


def _size_across(off: Floats, drawn: Floats) -> float:
    """Standard deviation of residuals (N, 2) across what the move draws, where that is more than nothing."""
    length = np.hypot(*drawn.T)
    seen = length > 1e-9
    if seen.sum() < FEWEST:
        return _size(off)
    across = (off[:, 0] * drawn[:, 1] - off[:, 1] * drawn[:, 0])[seen] / length[seen]
    return float(np.median(np.abs(across)) / 0.6745)


def _start(before: Floats, after: Floats) -> Floats:
    """Of the turns that pairs of details show, the one with the least median miss."""
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(5)
    first, second = rng.integers(0, len(before), (2, _PAIRS))
    far = np.linalg.norm(_crossed(before[first], before[second]), axis=1) > 0.03
    first, second = first[far], second[far]
    turns = _axes(before[first], before[second]) @ np.swapaxes(_axes(after[first], after[second]), 1, 2)
    turns = np.concatenate([np.eye(3)[None], turns[np.isfinite(turns).all(axis=(1, 2))]])
    misses = np.median(((before - after @ np.swapaxes(turns, 1, 2)) ** 2).sum(-1), axis=1)
    return np.asarray(Rotation.from_matrix(turns[int(misses.argmin())]).as_rotvec(), dtype=np.float64)


def _axes(a: Floats, b: Floats) -> Floats:
    """(n, 3, 3): axes that pairs of rays span, the first halfway between them."""
    x, z = a + b, _crossed(a, b)
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    z = z / np.maximum(np.linalg.norm(z, axis=1, keepdims=True), 1e-12)
    return np.stack([x, _crossed(z, x), z], axis=-1)
