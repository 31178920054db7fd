"""What distances that the recorded clip knows but for a factor say of a moment, each detail with its noise on both sides of an equation."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.placed import Relative
from framematch.geometry.pairing import Pairing
from framematch.measure.aim import Seen
from framematch.measure.unknowns import COUNT, OFFSET

Floats = NDArray[np.float64]
CAUCHY = 2.4
_LEAST_KNOWN = 30
_CELLS = (8, 5)  # of the frame
_ALONG = 4.0  # times what residuals across have, squared, that noise along the offset may have: what moves details on in time adds to it
_TELLING = 100.0  # times its noise that the spread of a moment's relative distances must have
#: How well an adjusted way knows a moment's distances besides one factor for all moments, at least, and as its own standard deviation has it (rendered
#: flights), both shares of the factor or at least of this one, 1/m (a share of what is found alone would draw it to nothing).
_LEAST_SHARE, UNSURE, _FAR = 0.01, 1.5, 0.1
LEAST_UNIT, MOST_UNIT = 0.01, 10.0  # 1/m: within which the factor is


@dataclass(frozen=True, kw_only=True, eq=False)
class Sight:
    """A moment's details: their weights, the inverse distance of each with its slope, how blocks of them scatter, and how far away they are
    relative to each other.

    ``share``: of the frame's area that each stands for; 0 outside it.
    """

    seen: Seen
    share: Floats
    weight: Floats
    scatter: float
    together: float
    relative: Relative | None

    @property
    def values(self) -> Floats:
        """Everything is counted from the moment's own values."""
        return np.zeros(COUNT)

    @property
    def good(self) -> NDArray[np.bool_]:
        """(N,) those that agree."""
        out: NDArray[np.bool_] = np.asarray(self.weight * self.scatter**2 > 0.15)
        return out

    @property
    def shown(self) -> Floats:
        """(N,) the share of the frame that each stands for if it agrees; where the frame has none that do, all alike."""
        share = np.where(self.good, self.share, 0.0)
        return share if share.any() else self.good.astype(float)


@dataclass(frozen=True, kw_only=True, eq=False)
class Typical:
    """What a moment's frame typically shows: its inverse distance, 1/m, with its slopes.

    Args:
        w: at least 0.
        slope: (14,) with the moment's values.
        by_unit: with what a relative inverse distance of 1 is, 1/m.
        variance: of it with all these known.
    """

    w: float
    slope: Floats
    by_unit: float
    variance: float


def typical(sight: Sight, bent: Floats, unit_w: float) -> Typical:
    """How far away what a moment shows typically is, from what the two cameras have and what the recorded clip has.

    The first is drawn by a picture that is bent, the more the shorter the offset is across; the second is one factor for all moments. Each counts by its
    variance, those of the values left out.

    Args:
        bent: (N, n) what a bent picture adds to the inverse distances, for coefficients of 1.
        unit_w: the factor, 1/m.
    """
    w, slope, shown, by_unit, variance = sight.seen.w, sight.seen.w_slope, sight.shown, np.zeros(len(sight.seen.w)), 0.0
    relative = sight.relative
    known = np.zeros(len(w), dtype=bool) if relative is None else np.isfinite(relative.w) & (shown > 0)
    if relative is not None and known.any():
        near = _near(w, shown)
        drawn = float((np.average(bent[near], axis=0, weights=shown[near]) ** 2).sum())
        ours = drawn + sight.together / float(((sight.scatter * sight.seen.w_sigma[sight.good]) ** -2.0).sum())
        theirs = (_shared_sd(relative, unit_w) * middle_of(relative.w[known], shown[known])) ** 2
        share = np.where(known, ours / (ours + theirs), 0.0)
        by_unit[known] = share[known] * relative.w[known]
        w, slope = (1 - share) * w + by_unit * unit_w, (1 - share)[:, None] * slope
        variance = ours * theirs / (ours + theirs)
    near = _near(w, shown)
    slope, by = (np.average(v[near], axis=0, weights=shown[near]) for v in (slope, by_unit))
    return Typical(w=max(middle_of(w, shown), 0.0), slope=slope, by_unit=float(by), variance=variance)


def by_distances(sight: Sight, relative: Relative, by_offset: Floats, bent: Floats, unit_w: float) -> tuple[Floats, Floats]:
    """What relative distances add to the normal matrix (15, 15) and right-hand side (15,) of a moment's values and the factor of all moments.

    Inverse distances between the two cameras are these times one factor, marginalised as is how the picture may be bent. A detail's slope with the offset has
    its own noise in it, and would draw the offset longer: so it is that of what the relative distance says. The relative distances have noise as well,
    which draws a factor towards nothing, things too far away, and tells of differences where there are none (Fuller, Measurement Error Models, 1987, 1.1):
    how they differ within a moment counts if it is by far more than that; how far away all of it is counts in any case.

    Args:
        by_offset: (N, 3) by what share an inverse distance changes with the offset, 1/m.
        bent: (N, n) what a bent picture adds to the inverse distances, for coefficients of 1.
        unit_w: the factor as it was last found, 1/m.
    """
    use = np.isfinite(relative.w) & sight.good
    if use.sum() < _LEAST_KNOWN:
        return np.zeros((COUNT + 1, COUNT + 1)), np.zeros(COUNT + 1)
    w, rel = sight.seen.w[use], relative.w[use]
    slope = sight.seen.w_slope[use]
    slope[:, OFFSET] = unit_w * rel[:, None] * by_offset[use]
    free = np.column_stack([rel, bent[use]])
    held = np.diag([1e-12] + [1.0] * bent.shape[1])
    var, factor = (sight.scatter * sight.seen.w_sigma[use]) ** 2, float(np.median(w) / np.median(rel))
    off = w - factor * rel  # where something went astray, far off
    for _ in range(4):
        firm = var + (factor * relative.sigma[use]) ** 2
        off = off / np.sqrt(firm)
        scale = max(float(np.median(np.abs(off))) / 0.6745, 1.0)
        weight = 1 / (1 + (off / (CAUCHY * scale)) ** 2) / scale**2 / firm
        found = np.linalg.solve((free * weight[:, None]).T @ free + held, free.T @ (weight * w))
        factor, off = float(found[0]), w - free @ found
    mean = np.full_like(rel, np.average(rel, weights=weight))
    parted, loose = np.column_stack([mean, bent[use], rel - mean]), np.pad(held, (0, 1))
    if 1 / np.linalg.inv((parted * weight[:, None]).T @ parted + loose)[-1, -1] < _TELLING * float((weight * relative.sigma[use] ** 2).sum()):
        free, held = parted, loose
    held[0, 0] = _shared_sd(relative, unit_w) ** -2.0
    told = (free * weight[:, None]).T @ free + held
    both = np.column_stack([slope, -free[:, 0], w]) * weight[:, None]
    both -= (free * weight[:, None]) @ np.linalg.solve(told, free.T @ both)
    out = np.column_stack([slope, -free[:, 0]]).T @ both / sight.together
    return out[:, :-1], -out[:, -1]


def _shared_sd(relative: Relative, unit_w: float) -> float:
    """Standard deviation of a moment's own factor about that of all moments, 1/m."""
    return math.hypot(_LEAST_SHARE, UNSURE * relative.unit_share) * max(unit_w, _FAR)


def above_zero(mean: float, sigma: float) -> tuple[float, float]:
    """Mean and standard deviation of what is normal but never below zero (Johnson, Kotz and Balakrishnan, Continuous Univariate
    Distributions 1, 1994, 13.10)."""
    from scipy.special import log_ndtr

    below = -mean / sigma
    more = math.exp(-(below**2) / 2 - float(log_ndtr(-below))) / math.sqrt(2 * math.pi)
    return mean + sigma * more, sigma * math.sqrt(max(1 + below * more - more**2, 1e-6))


def calibrated(seen: Seen, smooth: Floats, weight: Floats, scatter: float) -> Seen:
    """Slopes with the offset as distances have them that are no noise.

    A slope goes with the detail's own inverse distance, and so bears its noise along the offset; where noise along and across go together, as at edges, the
    offset would be drawn aside, and be stated as if noise were depth. So slopes are drawn towards a smooth field over the picture, by the share of noise
    in how distances scatter about theirs (regression calibration: Carroll, Ruppert, Stefanski and Crainiceanu 2006, 4).
    """
    over = np.column_stack([np.ones(len(smooth)), smooth])
    if len(over) < 3 * over.shape[1]:
        return seen
    root = np.sqrt(weight)[:, None]
    values = np.column_stack([seen.off_slope[:, OFFSET], seen.w])
    smooth = over @ np.linalg.lstsq(over * root, values * root, rcond=None)[0]
    noise, whole = float((weight * (scatter * seen.w_sigma) ** 2).sum()), float((weight * (seen.w - smooth[:, -1]) ** 2).sum())
    share = max(0.0, 1 - _ALONG * noise / max(whole, 1e-12))
    slopes = seen.off_slope.copy()
    slopes[:, OFFSET] = smooth[:, :-1] + share * (slopes[:, OFFSET] - smooth[:, :-1])
    return replace(seen, off_slope=slopes)


def shares_of(rig: Pairing, places: Floats) -> Floats:
    """(N,) of the frame's area, even within cells of it: what it typically shows is not what has most details."""
    f = rig.frame
    at = np.floor((places - (f.left, f.top)) / (f.width, f.height) * _CELLS).astype(int)
    inside = ((at >= 0) & (at < _CELLS)).all(axis=1)
    cell = np.where(inside, at[:, 1] * _CELLS[0] + at[:, 0], -1)
    return np.asarray(inside / np.maximum((cell[:, None] == cell[None, :]).sum(axis=1), 1))


def middle_of(values: Floats, weights: Floats) -> float:
    """The median (N,) under weights."""
    order = np.argsort(values)
    summed = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(summed, summed[-1] / 2)])


def _near(values: Floats, weights: Floats) -> NDArray[np.bool_]:
    """(N,) the half of what counts that lies nearest to the median."""
    apart = np.abs(values - middle_of(values, weights))
    return np.asarray((weights > 0) & (apart <= middle_of(apart, weights) + 1e-9))
