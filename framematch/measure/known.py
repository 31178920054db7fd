"""What distances add to a solve: nothing is behind infinity, and what somebody measured with a tape.

A solve without them (``aim.AimSolve.fit``) leaves aim and distances to trade against each other along the offset: what it says of how near
everything is as a whole, a lens of another shape says as well, so that is trusted ``NEARNESS`` times less. Three things end the trade:

- **Nothing lies farther than infinity.** The farthest blocks of details bound the trade on one side, and far blocks on all sides bound how
  the picture may be stretched: each block's inverse distance w is at least 0, to its noise.
- **Something is mostly far**: the farthest block is expected at ``FAR_W``, loosely. Often it stands as far as a horizon, at the edge of what is
  possible, so every figure stated later also holds for that (``farthest_at_infinity``).
- **A distance typed in**, of one place. Held to ``TAPE_SHARE``, or to ``PACED_SHARE`` beyond a tape's reach; and since a typed distance can be
  wrong with nothing to show it, every figure stated later also holds where one of them is: held to ``DOUBT_SHARE`` only, which holds a place
  that is really anywhere from half of it to infinity. Which one is wrong is weighed by what the stills and the others say (``suspected``): a
  lone one keeps the whole doubt, several that agree share it.

These shares are practice: tuned on eighty made-up pairs, and tried on others.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.transfer import inverse_m
from framematch.measure.aim import AimSolve, Fit, Row, Seen
from framematch.measure.figure import NORMAL_95
from framematch.measure.unknowns import COUNT

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
TAPE_SHARE, PACED_SHARE, DOUBT_SHARE = 0.03, 0.1, 1.0  # half-widths of 95 % intervals of a typed distance's inverse, as shares of it
TAPED_TO_M = 10.0  # what is farther is paced out, or read off a map
NEARNESS = 1.5  # times as wide: what the details alone say of how near everything is as a whole
FAR_W, FAR_SPREAD_W, HORIZON_W = 0.05, 0.2, 0.02  # 1/m: where the farthest block is expected, to what, and what counts as a horizon
POSSIBLE = 3.0  # standard deviations
FEWEST_AT_PLACE = 4
CONFLICT = 3.3  # one in a thousand: standard deviations between a typed distance and what the pictures say
PLACE_SHARES = (0.03, 0.06, 0.1)  # of the frame, each way from the place: the least that holds _AT_PLACE details
_AT_PLACE = 8
_AT_MEDIAN = 40.0  # percent of a block's details whose slope stands for it
_ALONG_RAD_SHARE = 0.3  # of the tracking noise: what a block's details share along the offset


@dataclass(frozen=True, kw_only=True)
class Typed:
    """A distance somebody measured.

    Args:
        distance_m: from the recording lens, along its axis.
        at_px: where in the recorded still, in its own pixels; the middle of the frame if None.
        moment: in which pair of stills, from 0.
    """

    distance_m: float
    at_px: tuple[float, float] | None = None
    moment: int = 0

    @property
    def words(self) -> str:
        """How it is told."""
        return f"{self.distance_m:g} m" + (f" at {self.at_px[0]:.0f},{self.at_px[1]:.0f}" if self.at_px else " in the middle")


def parse_typed(text: str, *, moments: int = 1) -> Typed:
    """A distance from ``"4"`` (of the middle), ``"4@310,204"`` (of a place in the recorded still) or ``"2:4@310,204"`` (of the second moment).

    ``inf`` is the horizon.

    Raises:
        InputError: it can't be read, or there is no such moment.
    """
    form = re.fullmatch(r"(?:(\d+):)?\s*([\d.]+|inf)(?:\s*m)?(?:\s*@\s*([\d.]+)\s*,\s*([\d.]+))?", text.strip())
    try:
        if form is None:
            raise ValueError
        moment, distance = int(form[1] or 1), float(form[2])
        at = (float(form[3]), float(form[4])) if form[3] else None
        if (math.isinf(distance) and form[2] != "inf") or (at is not None and math.isinf(max(at))):  # more digits than a number holds
            raise ValueError
    except ValueError:
        fix = "write metres, and x,y in the recorded still after an @ unless in the middle: 4@310,204"
        raise InputError(f"{text!r} is not a distance", field="--distance", fix=fix) from None
    if not 1 <= moment <= moments:
        raise InputError(f"there is no moment {moment}", field="--distance", fix=f"moments are numbered from 1 to {moments}")
    if not distance >= 0.2:
        raise InputError(f"{distance:g} m", field="--distance", fix="give metres from 0.2 on, or inf")
    return Typed(distance_m=distance, at_px=at, moment=moment - 1)


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """Values (14,) and covariance (14, 14)."""

    values: Floats
    covariance: Floats

    def with_row(self, row: Row) -> State:
        """The same knowing one thing more (Kalman's update)."""
        toward = self.covariance @ row.slope
        gain = toward / (row.slope @ toward + row.sigma**2)
        return State(values=self.values + gain * (row.target - row.slope @ self.values), covariance=self.covariance - np.outer(gain, toward))


class Told(Protocol):
    """What a solve says of its details, as ``aim.Fit`` and others have it."""

    @property
    def values(self) -> Floats:
        """Where all was made linear."""

    @property
    def seen(self) -> Seen:
        """Residuals and inverse distances."""

    @property
    def weight(self) -> Floats:
        """Of each detail."""

    @property
    def scatter(self) -> float:
        """Of residuals, in units of the noise."""

    @property
    def together(self) -> float:
        """How many details count as one."""


def place_row(solve: AimSolve, fit: Fit | Told, typed: Typed, frame_of: Pairing) -> tuple[Row | None, str]:
    """The row of a typed distance and an empty word, or None and why it can't be used."""
    f = frame_of.frame
    scale = solve.pairing.recording.raster_px[0] / frame_of.recording.raster_px[0]
    middle = np.array(typed.at_px or ((f.left + f.right) / 2 * scale, (f.top + f.bottom) / 2 * scale))
    off = (np.abs(solve.recording_px - middle) / (np.array([f.width, f.height]) * scale)).max(axis=1)
    usable = (solve.moment == typed.moment) & (fit.weight * fit.scatter**2 > 0.3)
    for reach in PLACE_SHARES if typed.at_px else PLACE_SHARES[1:]:  # what "the middle" means is less sharp than a click
        near = usable & (off < reach)
        if near.sum() >= _AT_PLACE:
            break
    if near.sum() < FEWEST_AT_PLACE:
        return None, "too few details there to take it of"
    w = fit.seen.w[near]
    noise = fit.scatter * float(np.median(fit.seen.w_sigma[near]))
    typical, expected = float(np.median(w)), inverse_m(typed.distance_m)
    across = np.column_stack([np.ones(len(w)), solve.recording_px[near] - middle])  # what leans is one thing too, and before all is known all leans
    spread = float(np.ptp(np.percentile(w, (10, 90))))
    if len(w) > 5:
        spread = min(spread, float(np.ptp(np.percentile(w - across @ np.linalg.lstsq(across, w, rcond=None)[0], (10, 90)))))
    if spread > 0.12 * expected + 6 * noise:
        return None, "several distances are seen there: name a place that is flat"
    noise = max(noise, spread / 2.56)
    sigma = noise * np.sqrt(fit.together / near.sum() + _ALONG_RAD_SHARE**2)
    _, slope = _typical(w, fit.seen.w_slope[near])
    target = float(slope @ fit.values + expected - typical)
    share = TAPE_SHARE if typed.distance_m <= TAPED_TO_M else PACED_SHARE
    return Row(slope=slope, target=target, sigma=float(np.hypot(sigma, share * expected / NORMAL_95))), ""


def doubted(row: Row, typed: Typed) -> Row:
    """The row of a typed distance that may be misread, or of another thing than what the place shows."""
    return Row(slope=row.slope, target=row.target, sigma=float(np.hypot(row.sigma, DOUBT_SHARE * inverse_m(typed.distance_m) / NORMAL_95)))


def _typical(w: Floats, slope: Floats) -> tuple[float, Floats]:
    """Median inverse distance and the slope of what stands there: slopes grow with w, so near things beside it have quite another."""
    middle = float(np.median(w))
    off = np.abs(w - middle)
    return middle, slope[off <= np.percentile(off, _AT_MEDIAN)].mean(axis=0)


def suspected(row: Row, typed: Typed, others: State) -> float:
    """How likely what the stills and the other distances say is with a typed distance that may be wrong, against with one that is right."""
    off = float(row.target - row.slope @ others.values)
    spread = float(row.slope @ others.covariance @ row.slope)
    right, wrong = spread + row.sigma**2, spread + doubted(row, typed).sigma ** 2
    return math.sqrt(right / wrong) * math.exp(0.5 * off**2 * (1 / right - 1 / wrong))


def block_distances(solve: AimSolve, fit: Fit | Told) -> tuple[Floats, Floats, Floats]:
    """Median inverse distance (B,), its slope (B, 14) and its noise (B,) of each block of details."""
    good = fit.weight * fit.scatter**2 > 0.3
    out: list[tuple[float, Floats, float]] = []
    for block in np.unique(solve.block[good]):
        some = good & (solve.block == block)
        if some.sum() < 5:
            continue
        noise = fit.scatter * float(np.median(fit.seen.w_sigma[some]))
        noise *= float(np.sqrt(fit.together / some.sum() + _ALONG_RAD_SHARE**2))
        out.append((*_typical(fit.seen.w[some], fit.seen.w_slope[some]), noise))
    if not out:
        return np.empty(0), np.empty((0, COUNT)), np.empty(0)
    return np.array([o[0] for o in out]), np.array([o[1] for o in out]), np.array([o[2] for o in out])


def bound_rows(w: Floats, slope: Floats, noise: Floats, state: State) -> tuple[State, list[Row]]:
    """What it adds that no block of details lies beyond infinity: the state with it, and the rows that stand for it.

    Args:
        w, slope, noise: (B,), (B, n), (B,) of blocks' inverse distances at a state of nothing but zeros.

    One block after the other, the most wanting first: a normal expectation of its w times the normal distribution's share above 0 has
    mean and variance in closed form (as in probit regression), which a row gives to the state.
    """
    from scipy.special import log_ndtr

    left: list[int] = list(range(len(w)))
    rows: list[Row] = []
    while left:
        mean = w[left] + slope[left] @ state.values
        toward = slope[left] @ state.covariance
        spread = np.einsum("bi,bi->b", toward, slope[left])
        total = np.sqrt(spread + noise[left] ** 2)
        here = int(np.argmin(mean / total))
        z, var = float(mean[here] / total[here]), float(spread[here])
        if z > 3 or var <= 0:
            break
        rate = float(np.exp(-0.5 * z * z - 0.9189385332 - log_ndtr(z)))
        new_mean = var / float(total[here]) * rate  # above the old one
        new_var = var - var**2 / float(total[here]) ** 2 * rate * (z + rate)
        alike = int((mean / total < 1.5).sum())
        block = left.pop(here)
        precision = 1 / max(new_var, 1e-9 * var) - 1 / var
        if precision * var < 1e-3:
            continue
        target = float(slope[block] @ state.values + new_mean / (new_var * precision))
        row = Row(slope=slope[block], target=target, sigma=float((precision / max(alike, 1)) ** -0.5))  # of many that touch the bound each counts in part
        state, rows = state.with_row(row), [*rows, row]
    return state, rows


def _nearness_loosened(fit: Fit) -> Floats:
    """The solve's covariance with how near everything is as a whole known less well, and nothing else."""
    good = fit.weight * fit.scatter**2 > 0.3
    slope = fit.seen.w_slope[good if good.any() else ...].mean(axis=0)
    toward = fit.covariance @ slope
    return np.asarray(fit.covariance + (NEARNESS**2 - 1) * np.outer(toward, toward) / (slope @ toward))


def all_known(solve: AimSolve, fit: Fit, rows: Sequence[Row]) -> tuple[State, list[Row]]:
    """The solve's state with rows and what the bound adds to them, and all these rows."""
    state = State(values=fit.best, covariance=_nearness_loosened(fit))
    for row in rows:
        state = state.with_row(row)
    w, slope, noise = block_distances(solve, fit)
    if len(w):
        far, _, _ = _farthest_row(w, slope, noise, state, fit, at=FAR_W, spread=FAR_SPREAD_W)
        state, rows = state.with_row(far), [*rows, far]
    state, bounds = bound_rows(w - slope @ fit.values, slope, noise, state)
    return state, [*rows, *bounds]


def farthest_at_infinity(solve: AimSolve, fit: Fit | Told, state: State) -> State | None:
    """The state if the farthest block of details stands at the horizon; None if that is hardly possible by the state, or nothing shows it."""
    w, slope, noise = block_distances(solve, fit)
    if not len(w):
        return None
    row, mean, spread = _farthest_row(w, slope, noise, state, fit, at=0.0, spread=HORIZON_W)
    return state.with_row(row) if 0 < mean < POSSIBLE * math.hypot(spread, row.sigma) else None


def may_be(solve: AimSolve, fit: Fit, state: State, rows: Sequence[tuple[Typed, Row, State]]) -> list[list[tuple[float, State]]]:
    """For what stated figures have to hold: cases, each of states with how likely they are against each other.

    All is as the state has it; or one typed distance is wrong; and either with the farthest block at the horizon.

    Args:
        rows: typed distances, each with its row and the state without it.
    """
    out = [[(1.0, state)]]
    if rows:
        each, doubts = [row for _, row, _ in rows], [doubted(row, typed) for typed, row, _ in rows]
        wrong = [all_known(solve, fit, [*each[:i], doubts[i], *each[i + 1 :]])[0] for i in range(len(rows))]
        out.append([(suspected(row, typed, others), one) for (typed, row, others), one in zip(rows, wrong, strict=True)])
    for case in list(out):
        far = [farthest_at_infinity(solve, fit, one) for _, one in case]
        if any(far):
            out.append([(likely, there or one) for (likely, one), there in zip(case, far, strict=True)])
    return out


def _farthest_row(w: Floats, slope: Floats, noise: Floats, state: State, fit: Fit | Told, *, at: float, spread: float) -> tuple[Row, float, float]:
    """The row that puts the farthest block at an inverse distance, to a spread; what the state has for it, and how surely."""
    mean = w + slope @ (state.values - fit.values)
    i = int(np.argmin(mean))
    row = Row(slope=slope[i], target=float(slope[i] @ state.values + at - mean[i]), sigma=math.hypot(spread, noise[i]))
    return row, float(mean[i]), math.sqrt(float(slope[i] @ state.covariance @ slope[i]))
