"""How the clocks of two clips of one flight go together, and the aim that their turns show.

A rigid rig turns alike for both cameras: w_recording(t) = R w_monitoring(tau), t = tau + offset + rate (tau - middle). The recording clip's turns are
summed up and laid through a spline in time, so that each step of the monitoring clip, however long, is held against the turn over exactly its own
span: frame rates may differ, frames may be missing. Candidates for the offset come from the correlation of both turn rates, as vectors through the
aim of the file; each is refined by least squares over offset, rate and aim with weights after Cauchy, and the one with the smallest residual below
some hertz is taken: what is quicker may be flex. It is refined once more on residuals made white (``whitened``), so that flex of one frequency hardly
counts. Intervals come from blocks of half a second that are taken to err by themselves (the clustered covariance of White, Econometrica 48, 1980),
since residuals of one moment go together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from framematch.clips.bearings import matrices
from framematch.clips.turns import Turns, typical_rate_deg_s
from framematch.clips.whitened import Whitening
from framematch.measure.check import NotSuitable
from framematch.measure.figure import NORMAL_95

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_OVERLAP_S = 4.0
LEAST_TURN_DEG_S = 2.0
CLOCK_PPM = 100.0  # standard deviation of how far two recorders' clocks run apart (practice: crystals are good to some tens)
MOST_OFFSET_S = 0.010  # half-width of the offset's interval beyond which it is not told
_GRID_HZ = 60.0
DEGREE = 5  # of the spline: a cubic one loses a tenth of a shaking of 6 Hz between 25 frames a second
_CANDIDATES, _APART_S = 6, 0.25
_BLOCK_S = 0.5
_ALIKE = 0.5  # of the turn may remain unexplained
_SLOW_S = 0.047  # standard deviation of the Gaussian that halves what is at 4 Hz: quicker turns may be flex, and tell no flight from another
_WHITE_ROUNDS = 4
_PLACE_S = 0.0001  # half-width besides of an offset: turns between frames are known no better (rendered flights)
_DRIFT_S = 0.0005  # half-width by which an offset may drift over a clip as what is near passes by (rendered flights)
_RIVAL = 1.6  # times the residual that the next best offset must have at least
_QUICK_S, _STEADIER = 0.3, 3.0  # moving mean that parts quick shaking from slow turns; how many times as much of it one camera may show
_GAIN, _GAIN_SURE = 0.3, 0.1  # by how much shaking that both share may differ in size, and how sure that must be
_PIECE_S, _SHIFT_S, _SHIFT_STEP_S = 1.0, 0.4, 0.005  # pieces of a clip, how far each is shifted, in what steps
_JUMP_S = 0.012  # between pieces


@dataclass(frozen=True, kw_only=True, eq=False)
class Clocks:
    """How two clips go together.

    Args:
        offset_s: recording time less monitoring time in the middle of what both show, each counted from its clip's first frame.
        offset_95_s, rate_95_ppm: half-widths of 95 % intervals.
        rate_ppm: by how much the monitoring clip's seconds last longer than the recording clip's, in millionths.
        middle_s: monitoring time at which the offset holds.
        span_s: monitoring times between which both clips were recorded.
        recording_from_monitoring: (3, 3) the aim that the turns show.
        aim_covariance: (3, 3) of it as a small turn in rig axes, rad.
        explained: share of the monitoring camera's turn that the recording camera's explains, 0 to 1.
        rival: residual at the next best offset over that at this one; infinite where there is no other.
        used: (N,) which of the monitoring clip's turns were held against the other's.
        residual_rad: (N, 3) what they turned more, monitoring axes; NaN where not used.
    """

    offset_s: float
    offset_95_s: float
    rate_ppm: float
    rate_95_ppm: float
    middle_s: float
    span_s: tuple[float, float]
    recording_from_monitoring: Floats
    aim_covariance: Floats
    explained: float
    rival: float
    used: Mask
    residual_rad: Floats

    def recording_s(self, monitoring_s: Floats | float) -> Floats:
        """Recording times of monitoring times."""
        tau = np.asarray(monitoring_s, dtype=np.float64)
        out: Floats = tau + self.offset_s + 1e-6 * self.rate_ppm * (tau - self.middle_s)
        return out

    def monitoring_s(self, recording_s: Floats | float) -> Floats:
        """Monitoring times of recording times."""
        slope = 1 + 1e-6 * self.rate_ppm
        out: Floats = self.middle_s + (np.asarray(recording_s, dtype=np.float64) - self.offset_s - self.middle_s) / slope
        return out


class TurnedPath:
    """A clip's turns summed up over time: the integral of the turn rate in the camera's own axes."""

    def __init__(self, turns: Turns) -> None:
        from scipy.interpolate import make_interp_spline

        dt, steps = turns.end_s - turns.start_s, turns.at_frames_rad
        self.knots = np.append(turns.start_s, turns.end_s[-1])
        self._attitudes = np.concatenate([np.eye(3)[None], np.asarray(list(accumulate(matrices(steps), np.matmul)))])
        self._sum = make_interp_spline(self.knots, np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)]), k=DEGREE)
        self._rate = self._sum.derivative()
        self._holes = np.concatenate([[0.0], np.cumsum(np.where(turns.read & (dt < 3.5 * turns.step_s), 0.0, dt))])

    def turned(self, times_s: Floats) -> Floats:
        """(..., 3) rad up to times within the clip."""
        return np.asarray(self._sum(times_s), dtype=np.float64)

    def at(self, times_s: Floats) -> Floats:
        """(n, 3, 3) attitudes at times (n,), in the axes of the clip's first frame."""
        knot = np.clip(np.searchsorted(self.knots, times_s, "right") - 1, 0, len(self.knots) - 1)
        out: Floats = self._attitudes[knot] @ matrices(self.turned(times_s) - self.turned(self.knots[knot]))
        return out

    def between(self, first_s: float, last_s: float) -> Floats:
        """(3, 3) camera at the first time from camera at the last, over any turn."""
        first, last = self.at(np.array([first_s, last_s]))
        out: Floats = first.T @ last
        return out

    def rate(self, times_s: Floats) -> Floats:
        """(..., 3) rad/s."""
        return np.asarray(self._rate(times_s), dtype=np.float64)

    def whole(self, first_s: Floats, last_s: Floats) -> Mask:
        """Whether the clip has read turns all the way between moments."""
        inside = (first_s >= self.knots[0]) & (last_s <= self.knots[-1])
        hole = np.interp(last_s, self.knots, self._holes) - np.interp(first_s, self.knots, self._holes)
        return np.asarray(inside & (hole < 1e-9))


def match_clocks(recording: Turns, monitoring: Turns, aim: Floats) -> Clocks:
    """Find offset, rate and aim that bring two clips' turns together.

    Args:
        aim: (3, 3) recording_from_monitoring of the pairing's file, within some 20 degrees.

    Raises:
        NotSuitable: no turning, no overlap, different flights, a stabilised clip, or time stamps that jump; the message says which.
    """
    for turns in (recording, monitoring):
        rate = typical_rate_deg_s(turns)
        if rate < LEAST_TURN_DEG_S:
            raise NotSuitable(
                f"turns by only {rate:.1f} degrees a second, which tells no clock and no aim ({LEAST_TURN_DEG_S:g} are needed)",
                file=turns.name,
                fix="take a piece in which the rig pans, tilts and rolls, or shake it by hand in front of something with detail",
            )
    solve = _Solve(recording, monitoring, aim)
    tried = sorted((solve.refine(offset) for offset in solve.candidates()), key=lambda fit: fit.cost)
    if not tried:
        raise NotSuitable(
            f"the clips overlap by less than {LEAST_OVERLAP_S:g} s", file=monitoring.name, fix="give both clips of one flight, uncut, of five seconds or more"
        )
    best = tried[0]
    explained = solve.explained(best)
    if explained < 1 - _ALIKE**2:
        raise NotSuitable(
            f"the two clips do not turn alike: the one explains only {100 * max(explained, 0):.0f} % of the other's turning. "
            "They are of different flights, hardly overlap, or a camera has stabilised its picture",
            file=monitoring.name,
            fix="give both cameras' clips of one flight, as recorded, with in-camera stabilisation off",
        )
    fit = solve.centred(best)
    best = solve.white(fit)
    solve.same_shaking(best)
    others = [fit.cost for fit in tried[1:] if abs(fit.values[0] - best.values[0]) > _APART_S]
    rival = min(others, default=math.inf) / max(fit.cost, 1e-12)
    if rival < _RIVAL:
        raise NotSuitable(
            "two offsets between the clips fit nearly alike: the rig turned the same way again and again",
            file=monitoring.name,
            fix="give a longer piece, or one with turns that do not repeat",
        )
    found = solve.clocks(best, explained, rival)
    if found.offset_95_s > MOST_OFFSET_S:
        raise NotSuitable(
            f"the turns tell the offset only to {1000 * found.offset_95_s:.0f} ms", file=monitoring.name, fix="give a piece in which the rig turns more quickly"
        )
    solve.steady_clock(fit)
    return found


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """Values: offset, rate (ppm), small turn of the aim (3); which steps were used; robust cost per step, quick turns left out; what makes it white."""

    values: Floats
    use: Mask
    cost: float
    whitening: Whitening | None = None


class _Solve:
    def __init__(self, recording: Turns, monitoring: Turns, aim: Floats) -> None:
        self.recording, self.monitoring, self.aim = recording, monitoring, aim
        self.path, self.other = TurnedPath(recording), TurnedPath(monitoring)
        readout = (monitoring.camera.readout_ms or 0.0) / 1000
        delay = monitoring.row * readout
        self.first, self.last = monitoring.start_s + delay, monitoring.end_s + delay
        self.short = monitoring.read & (self.last - self.first < 3.5 * monitoring.step_s)
        self.turn = monitoring.turn_rad
        self.middle = float(self.first[0] + self.last[-1]) / 2

    def candidates(self) -> list[float]:
        """Offsets at which the turn rates correlate best, of every overlap that is long enough."""
        from scipy.signal import fftconvolve

        grids = [np.arange(path.knots[0], path.knots[-1], 1 / _GRID_HZ) for path in (self.path, self.other)]
        a, b = self.path.rate(grids[0]), self.other.rate(grids[1]) @ self.aim.T
        together = np.sum([fftconvolve(a[:, i], b[::-1, i]) for i in range(3)], axis=0)
        ones_a, ones_b = np.ones(len(a)), np.ones(len(b))
        power_a, power_b = (a**2).sum(1), (b**2).sum(1)
        norm = np.sqrt(np.maximum(fftconvolve(power_a, ones_b), 1e-12) * np.maximum(fftconvolve(ones_a, power_b[::-1]), 1e-12))
        count = np.rint(fftconvolve(ones_a, ones_b))
        like = np.where(count >= LEAST_OVERLAP_S * _GRID_HZ, together / norm, -1.0)
        lag = (np.arange(len(like)) - (len(b) - 1)) / _GRID_HZ + grids[0][0] - grids[1][0]
        out: list[float] = []
        for i in np.argsort(like)[::-1]:
            if like[i] <= 0.2 or len(out) >= _CANDIDATES:
                break
            if all(abs(lag[i] - each) > _APART_S for each in out):
                out.append(float(lag[i]))
        return out

    def times(self, values: Floats, tau: Floats) -> Floats:
        out: Floats = tau + values[0] + 1e-6 * values[1] * (tau - self.middle)
        return out

    def misses(self, values: Floats, use: Mask) -> Floats:
        """(n, 3) what the monitoring camera turned more than the recording camera says."""
        rig = self.path.turned(self.times(values, self.last[use])) - self.path.turned(self.times(values, self.first[use]))
        aim = matrices(values[2:]) @ self.aim
        return np.asarray(self.turn[use] - rig @ aim)

    def slopes(self, values: Floats, use: Mask) -> Floats:
        """(n, 3, 5)."""
        steps = np.array([1e-4, 10.0, 1e-4, 1e-4, 1e-4])
        return np.stack([(self.misses(values + m, use) - self.misses(values - m, use)) / (2 * m.sum()) for m in np.diag(steps)], axis=-1)

    def refine(self, offset: float) -> _Fit:
        """Least squares from one candidate."""
        values = np.zeros(5)
        values[0] = offset
        use = self._use(values)
        for turns in range(14):
            use = self._use(values)
            miss = self.misses(values, use)
            size = np.linalg.norm(miss, axis=1)
            scale = max(float(np.median(size)) / 1.538, 1e-6)  # of each of three components
            weight = 1 / (1 + (size / (2.9 * scale)) ** 2)
            slope = self.slopes(values, use) * (np.sqrt(weight) / scale)[:, None, None]
            flat, aim = slope.reshape(-1, 5), (miss * (np.sqrt(weight) / scale)[:, None]).ravel()
            normal = flat.T @ flat
            toward = -flat.T @ aim
            normal[1, 1] += CLOCK_PPM**-2.0
            toward[1] -= values[1] / CLOCK_PPM**2
            normal[range(2, 5), range(2, 5)] += math.radians(30) ** -2.0
            toward[2:] -= values[2:] / math.radians(30) ** 2
            step = np.linalg.solve(normal, toward)
            step *= min(1.0, 0.05 / max(abs(float(step[0])), 1e-12))
            values = values + step
            if turns > 3 and abs(step[0]) < 1e-7 and np.abs(step[2:]).max() < 1e-7:
                break
        return _Fit(values=values, use=use, cost=self._slow_size(self.misses(values, use), use))

    def centred(self, fit: _Fit) -> _Fit:
        """The fit, its offset from here on that in the middle of what both show."""
        middle = float(np.mean(self._overlap(fit.values)))
        later, self.middle = middle - self.middle, middle
        return replace(fit, values=fit.values + np.array([1e-6 * fit.values[1] * later, 0, 0, 0, 0]))

    def white(self, fit: _Fit) -> _Fit:
        """The fit refined on white residuals."""
        for _ in range(_WHITE_ROUNDS):
            use = self._use(fit.values)
            miss = self.misses(fit.values, use)
            whitening = Whitening(self.first[use], self.last[use], self.monitoring.step_s, miss)
            if len(whitening.rows) < 8:
                return fit
            fit = replace(fit, use=use, whitening=whitening)
            normal, pulls = self._white_normal(fit)
            normal[1, 1] += CLOCK_PPM**-2.0
            toward = -pulls.sum(axis=0)
            toward[1] -= fit.values[1] / CLOCK_PPM**2
            fit = replace(fit, values=fit.values + np.linalg.solve(normal, toward))
        return fit

    def _white_normal(self, fit: _Fit) -> tuple[Floats, Floats]:
        """Normal matrix (5, 5) and each white residual's pull (m, 5), weighed after Cauchy.

        Slopes with the clock are read off the recording camera's path, whose noise is in the residuals too, and would draw the offset to where its
        frames lie between the other's. So pulls are taken along the monitoring camera's own rates, whose noise shifts to neither side (instrumental
        variables: Reiersol 1945).
        """
        assert fit.whitening is not None
        slope = self.slopes(fit.values, fit.use)
        along = slope.copy()
        ends = np.stack([self.last[fit.use], self.first[fit.use]])
        rates = self.other.rate(np.clip(ends, self.other.knots[0], self.other.knots[-1]))
        along[:, :, 0] = rates[1] - rates[0]
        along[:, :, 1] = 1e-6 * np.subtract(*((ends - self.middle)[..., None] * rates)[::-1])
        miss, slope, along = (fit.whitening(v) for v in (self.misses(fit.values, fit.use), slope, along))
        along = along / (1 + ((miss**2).sum(axis=1) / 3 / 2.4**2))[:, None, None]
        return np.einsum("nij,nik->jk", along, slope), np.einsum("nij,ni->nj", along, miss)

    def _slow_size(self, turns_rad: Floats, use: Mask) -> float:
        """Median length of turns (n, 3) per step, what is quicker than some hertz left out."""
        from scipy.ndimage import gaussian_filter1d

        middle = (self.first + self.last)[use] / 2
        even = np.arange(middle[0], middle[-1], self.monitoring.step_s)
        rates = turns_rad / (self.last - self.first)[use, None]
        there = np.stack([np.interp(even, middle, rates[:, i]) for i in range(3)], axis=1)
        slow = gaussian_filter1d(there, _SLOW_S / self.monitoring.step_s, axis=0)
        return float(np.median(np.linalg.norm(slow, axis=1))) * self.monitoring.step_s

    def _overlap(self, values: Floats) -> tuple[float, float]:
        low = max(self.first[0], self.path.knots[0] - values[0])
        return float(low), float(min(self.last[-1], self.path.knots[-1] - values[0]))

    def _use(self, values: Floats) -> Mask:
        return np.asarray(self.short & self.path.whole(self.times(values, self.first), self.times(values, self.last)))

    def explained(self, fit: _Fit) -> float:
        """Share of the square of the turn that is explained, by robust sizes; quick turns left out."""
        size = self._slow_size(self.turn[fit.use], fit.use)
        return 1 - (fit.cost / max(size, 1e-12)) ** 2

    def clocks(self, fit: _Fit, explained: float, rival: float) -> Clocks:
        """The fit with its intervals."""
        from scipy.stats import t as student

        assert fit.whitening is not None
        normal, pulls = self._white_normal(fit)
        normal[1, 1] += CLOCK_PPM**-2.0
        inverse = np.linalg.inv(normal)
        block = (fit.whitening.times_s / _BLOCK_S).astype(np.int64)
        sums = np.stack([pulls[block == b].sum(axis=0) for b in np.unique(block)])
        spread = sums.T @ sums * len(sums) / max(len(sums) - 3, 1)
        spread[1, 1] += CLOCK_PPM**-2.0
        covariance = inverse @ spread @ inverse.T
        wide = float(student.ppf(0.975, max(len(sums) - 3, 3)))
        half = wide * np.sqrt(np.diag(covariance))
        span = self._overlap(fit.values)
        residual = np.full_like(self.turn, np.nan)
        residual[fit.use] = self.misses(fit.values, fit.use)
        return Clocks(
            offset_s=float(fit.values[0]),
            offset_95_s=math.hypot(float(half[0]), _PLACE_S),
            rate_ppm=float(fit.values[1]),
            rate_95_ppm=math.hypot(float(half[1]), 1e6 * _DRIFT_S / (span[1] - span[0])),
            middle_s=self.middle,
            span_s=span,
            recording_from_monitoring=matrices(fit.values[2:]) @ self.aim,
            aim_covariance=covariance[2:, 2:] * (wide / NORMAL_95) ** 2,
            explained=explained,
            rival=rival,
            used=fit.use,
            residual_rad=residual,
        )

    def same_shaking(self, fit: _Fit) -> None:
        """Refuse where one camera shakes far more than the other above about 2 Hz: a stabilised clip, or a camera loose on its mount."""
        dt = (self.last - self.first)[fit.use]
        steps = max(3, round(_QUICK_S / float(np.median(dt))))
        rig = self.path.turned(self.times(fit.values, self.last[fit.use])) - self.path.turned(self.times(fit.values, self.first[fit.use]))
        sizes, quick_turns = [], []
        for rates in (rig / dt[:, None], self.turn[fit.use] / dt[:, None]):
            slow = np.stack([np.convolve(rates[:, i], np.ones(steps) / steps, mode="same") for i in range(3)], axis=1)
            quick_turns.append((rates - slow) * dt[:, None])
            quick = (rates - slow)[steps:-steps]
            sizes.append(math.degrees(float(np.median(np.linalg.norm(quick, axis=1)))) if len(quick) else 0.0)
        less, more = sorted(sizes)
        if more > 1.0 and more > _STEADIER * less and not self._shared(fit, *quick_turns):
            calm = self.recording if sizes[0] < sizes[1] else self.monitoring
            raise NotSuitable(
                f"shakes by {less:.1f} degrees a second above 2 Hz, the other camera by {more:.1f}: it has been stabilised, or the other moves on its mount",
                file=calm.name,
                fix="give the camera's own file with its stabiliser off, and check the mount",
            )

    def _shared(self, fit: _Fit, rig: Floats, other: Floats) -> bool:
        """Whether the calmer recorded clip's shaking is in the other's at its full size, so that what the other has besides is flex."""
        if fit.whitening is None:
            return False
        aim = matrices(fit.values[2:]) @ self.aim
        own, both = (fit.whitening(v) for v in (rig @ aim, other))
        told = float((own**2).sum())
        gain = float((own * both).sum()) / max(told, 1e-12)
        return told > _GAIN_SURE**-2.0 and abs(gain - 1) < _GAIN

    def steady_clock(self, fit: _Fit) -> None:
        """Refuse where pieces of the clip keep offsets of their own: frames are missing that the time stamps do not own up to."""
        shifts = np.arange(-_SHIFT_S, _SHIFT_S, _SHIFT_STEP_S)
        block = (self.first / _PIECE_S).astype(np.int64)
        found, at = [], []
        for b in np.unique(block):
            mine = self.short & (block == b)
            costs = np.full(len(shifts), np.inf)
            for i, shift in enumerate(shifts):
                values = fit.values + (shift, 0, 0, 0, 0)
                use = mine & self.path.whole(self.times(values, self.first), self.times(values, self.last))
                if use.sum() >= max(8, 0.9 * mine.sum()):
                    costs[i] = float((self.misses(values, use) ** 2).sum(axis=1).mean())
            known = costs[np.isfinite(costs)]
            if len(known) > len(shifts) / 2 and known.min() < 0.1 * np.median(known):  # a piece that hardly turns tells nothing
                found.append(float(shifts[int(costs.argmin())]))
                at.append(float(self.first[mine].mean()))
        pieces = np.array(found)
        worst, where = 0.0, 0
        for cut in range(1, len(pieces)):
            low, high = pieces[:cut], pieces[cut:]
            apart = abs(float(np.median(high) - np.median(low)))
            if apart > max(_JUMP_S, 4 * float(np.ptp(low) + np.ptp(high)) / 4) and apart > worst:
                worst, where = apart, cut
        if worst:
            raise NotSuitable(
                f"the clips' time stamps part by about {1000 * worst:.0f} ms near {(at[where - 1] + at[where]) / 2:.0f} s: "
                "frames are missing that they do not own up to",
                file=self.monitoring.name,
                fix="cut the clips there and give the pieces",
            )
