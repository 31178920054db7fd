"""What holds a clip's key frames besides their details: how turns and way were read, and how a camera that flies can go.

Weak priors hold what pictures leave open: turns and way as they were read, or the way as another camera shows it, and that it bends as mostly in this
clip. What a long lens can't tell it can by time, since nothing that flies changes its acceleration at once: the way's third derivative is held to
nothing, and so is each frame's rate to what was read and to how fast the frames' own turns lead away from that. How firmly these two are held, in each
direction, the clip tells itself (MacKay, Neural Computation 4, 1992).

Another camera beside goes the same way but for what turns carry it round: by the offset times the turn, which is known in metres. So where a rig turns
while it flies, two ways tell how large things are, which one can't (Clipp, Kim, Frahm, Pollefeys and Hartley, WACV 2008): what an inverse distance of 1 is
in 1/m is solved along.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.measure.aim import SPREAD_W, TYPICAL_W

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
EACH = 9  # unknowns of a key frame: its turn, way and rate
SAMPLES = 60  # frames of which a standard deviation is worked out
#: How far a turn and a way may lie from what was read; a turn, summed up from frame to frame, is off by less (rendered flights).
_TURN_RAD, _WAY_SHARE = math.radians(0.2), 5.0
_STEP_RAD, _STEP_SHARE = math.radians(0.02), 0.05  # of a turn and of a way, which damping takes for one
_RATE_RAD_S = math.radians(1.0)  # how far a rate may lie off, to begin with
_LEAST_ACROSS = 0.2  # of what a clip tells the size of: in the direction of least of it, over that of most
_LEAST_BEND, _LEAST_SIZE = 0.02, 1e-4  # of the way over the distance, per second squared; and of what the clip tells the size of


@dataclass(frozen=True, kw_only=True, eq=False)
class Missed:
    """By how much a state misses what holds it: the priors, in standard deviations; the way's third derivative (K - 3, 3) and rates (K, 3) as they are."""

    prior: Floats
    sized: tuple[Floats, Floats]


@dataclass(frozen=True, kw_only=True, eq=False)
class Shown:
    """A way as another camera shows it.

    Args:
        steps: (K - 1,) which of it that one shows.
        noise: standard deviation of each of these.
        lever: (K - 1, 3) by how much farther that one went in each, m, as it shows it.
        jerk: standard deviation of the way's third derivative, as that camera has it: one way is not more jerky for another lens.
    """

    steps: Mask
    noise: float
    lever: Floats
    jerk: float


class Held:
    """What holds key frames, linear in their unknowns.

    Args:
        times_s, attitude, way: (K,), (K, 3, 3) and (K, 3) of the frames as they were read.
        shown: how much of the way another camera shows; nothing if not given.
    """

    def __init__(self, times_s: Floats, attitude: Floats, way: Floats, shown: Shown | None) -> None:
        from scipy import sparse

        count, dt, eye = len(times_s), np.diff(times_s), np.eye(3)
        self.dt, self.between, self.attitude, self.steps = dt, (dt[1:] + dt[:-1]) / 2, attitude, np.diff(way, axis=0)
        self.back = np.swapaxes(attitude[1:], 1, 2) @ attitude[:-1]
        lengths = np.linalg.norm(self.steps, axis=1)
        typical = np.maximum(lengths, 0.3 * float(np.median(lengths))) + 1e-4
        loose = _WAY_SHARE * typical
        self.loose = (loose if shown is None else np.where(shown.steps, shown.noise, loose))[:, None]
        self.lever = np.zeros((count - 1, 3)) if shown is None else np.where(shown.steps[:, None], shown.lever, 0.0)
        self.unit_w, self.unit_sd = TYPICAL_W, SPREAD_W
        self.bend = max(float(np.median(np.abs(self._bends(way)))) / 0.6745, _LEAST_BEND)
        turns = _rows(count, [(0, 0, -self.back), (1, 0, np.broadcast_to(eye, (count - 1, 3, 3)))])
        ways = _rows(count, [(k, 3, np.broadcast_to(sign * eye, (count - 1, 3, 3))) for k, sign in ((0, -1), (1, 1))])
        share = 1 / self.between
        bends = _rows(count, [(k, 3, v[:, None, None] * eye) for k, v in enumerate((share / dt[:-1], -share / dt[:-1] - share / dt[1:], share / dt[1:]))])
        first = sparse.csr_matrix((np.full(6, 1e5), (np.arange(6), np.arange(6))), shape=(6, EACH * count))
        led = sparse.diags(1 / np.repeat(self.loose, 3)) @ ways
        self.drawn = led.T @ (self.lever / self.loose).ravel()
        self.priors = sparse.vstack([turns / _TURN_RAD, led, bends / self.bend, first]).tocsr()
        self.prior_told = (self.priors.T @ self.priors).tocsr()
        apart = np.repeat((self.between[1:] + self.between[:-1]) / 2, 3)
        jerks = sparse.diags([-1 / apart, 1 / apart], [0, 3], shape=(len(apart), bends.shape[0])) @ bends
        share = share[:, None, None] / 2
        inner = [(0, 0, self.back[:-1] * share), (2, 0, -np.swapaxes(self.back[1:], 1, 2) * share), (1, 6, np.broadcast_to(eye, (count - 2, 3, 3)))]
        rates = sparse.vstack([_rows(count, part) for part in (inner, [(0, 6, eye[None])], [(count - 1, 6, eye[None])])])
        self.sized = jerks.tocsr(), rates.tocsr()
        self.covariances = [size**2 * eye for size in (math.sqrt(float((self._jerks(way) ** 2).mean())) + _LEAST_SIZE, _RATE_RAD_S)]
        self.most = math.inf if shown is None else shown.jerk
        damped = sparse.vstack([turns / _STEP_RAD, sparse.diags(1 / np.repeat(_STEP_SHARE * typical, 3)) @ ways])
        self.damping = (damped.T @ damped).tocsr()

    def _bends(self, way: Floats) -> Floats:
        out: Floats = np.diff(np.diff(way, axis=0) / self.dt[:, None], axis=0) / self.between[:, None]
        return out

    def _jerks(self, way: Floats) -> Floats:
        out: Floats = np.diff(self._bends(way), axis=0) / ((self.between[1:] + self.between[:-1]) / 2)[:, None]
        return out

    def _ways(self, way: Floats) -> Floats:
        out: Floats = (np.diff(way, axis=0) - self.steps + self.unit_w * self.lever) / self.loose
        return out

    def missed(self, attitude: Floats, way: Floats, rate: Floats) -> Missed:
        """By how much frames' attitudes (K, 3, 3), ways (K, 3) and further rates (K, 3) miss it."""
        from scipy.spatial.transform import Rotation

        off = Rotation.from_matrix(np.swapaxes(self.attitude, 1, 2) @ attitude).as_rotvec()
        turns = (off[1:] - np.einsum("kij,kj->ki", self.back, off[:-1])) / _TURN_RAD
        ways = self._ways(way).ravel()
        leading = np.einsum("kji,kj->ki", self.back[1:], off[2:]) - np.einsum("kij,kj->ki", self.back[:-1], off[:-2])
        rates = np.concatenate([rate[1:-1] - leading / (2 * self.between)[:, None], rate[:1], rate[-1:]])
        prior = np.concatenate([turns.ravel(), ways, (self._bends(way) / self.bend).ravel(), np.zeros(6)])
        return Missed(prior=prior, sized=(self._jerks(way), rates))

    def cost(self, missed: Missed) -> float:
        """The sum of squares, in standard deviations."""
        sized = sum(float((left @ firm * left).sum()) for left, firm in zip(missed.sized, self.firm, strict=True))
        return float((missed.prior**2).sum()) + sized

    def normal(self, missed: Missed) -> tuple[Any, Floats]:
        """The normal matrix (9 K, 9 K), sparse, and half the slope of the cost (9 K,)."""
        sized = zip(self.sized, missed.sized, self.firm, strict=True)
        return self.told, self.priors.T @ missed.prior + sum(matrix.T @ (left @ firm).ravel() for matrix, left, firm in sized)

    @property
    def told(self) -> Any:
        """(9 K, 9 K) what holds them tells, sparse."""
        from scipy import sparse

        out = self.prior_told
        for matrix, firm in zip(self.sized, self.firm, strict=True):
            out = out + matrix.T @ sparse.kron(sparse.eye(matrix.shape[0] // 3), firm) @ matrix
        return out

    @property
    def firm(self) -> list[Floats]:
        """Inverse covariances (3, 3) of the way's third derivative and of further rates."""
        return [np.asarray(np.linalg.inv(covariance), dtype=np.float64) for covariance in self.covariances]

    def unit_by(self, told: Floats, way: Floats) -> None:
        """Set what an inverse distance of 1 is, 1/m, with its standard deviation: Newton's step, frames marginalised.

        Args:
            told: all that is told on the frames, banded lower form.
            way: (K, 3) of them.
        """
        from scipy.linalg import solveh_banded

        share = self.lever / self.loose
        sure = SPREAD_W**-2.0 + float((share**2).sum() - self.drawn @ solveh_banded(told, self.drawn, lower=True))
        self.unit_w += float((TYPICAL_W - self.unit_w) / SPREAD_W**2 - (share * self._ways(way)).sum()) / sure
        self.unit_sd = sure**-0.5

    def covariances_by(self, told: Floats, missed: Missed) -> None:
        """Read the covariances from the clip, along their own axes: the mean square of the residuals over the share of it that the details tell.

        Args:
            told: all that is told on the frames, banded lower form.
        """
        from scipy.linalg import solveh_banded

        for i, (matrix, left, covariance) in enumerate(zip(self.sized, missed.sized, self.covariances, strict=True)):
            some = np.arange(0, len(left), max(1, len(left) // SAMPLES))
            rows = matrix[(3 * some[:, None] + np.arange(3)).ravel()].T.toarray()
            left_open = np.einsum("usa,usb->ab", *(each.reshape(-1, len(some), 3) for each in (rows, solveh_banded(told, rows, lower=True)))) / len(some)
            square, axes = np.linalg.eigh(left.T @ left / len(left))
            free = 1 - np.einsum("ai,ab,bi->i", axes, left_open, axes) / np.einsum("ai,ab,bi->i", axes, covariance, axes)
            own = np.maximum(square / np.maximum(free, 1e-3), _LEAST_SIZE**2)
            self.covariances[i] = (axes * np.maximum(own, _LEAST_ACROSS**2 * own.max())) @ axes.T
        self.covariances[0] = self.covariances[0] * min(1.0, (self.most / self.jerk) ** 2)

    @property
    def jerk(self) -> float:
        """Standard deviation of the way's third derivative, mean of its directions."""
        return math.sqrt(float(np.trace(self.covariances[0])) / 3)


def _rows(frames: int, parts: list[tuple[int, int, Floats]]) -> Any:
    """Sparse rows of residuals between key frames that follow each other: for each part how many frames on, at which unknown, and (n, 3, 3) slopes."""
    from scipy import sparse

    out = None
    for on, at, slopes in parts:
        count = len(slopes)
        rows = (3 * np.arange(count)[:, None, None] + np.arange(3)[:, None]) + np.zeros((1, 1, 3), np.int64)
        columns = EACH * (np.arange(count) + on)[:, None, None] + at + np.arange(3) + np.zeros((1, 3, 1), np.int64)
        part = sparse.csr_matrix((np.asarray(slopes).ravel(), (rows.ravel(), columns.ravel())), shape=(3 * count, EACH * frames))
        out = part if out is None else out + part
    return out
