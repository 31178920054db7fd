"""How the monitoring camera turned against the rig while it flew: flex of the mount, read from both cameras' turns.

What it turned more than the rig is summed up; what is slower than about two hertz is left out, since the reading's own drift is in it, and the moments
of ``flown`` tell it better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.clips.clock import DEGREE, Clocks
from framematch.clips.turns import Turns

Floats = NDArray[np.float64]
SLOW_S = 0.12  # standard deviation of the Gaussian that parts slow from quick
BANDS_HZ = ((1.0, 2.0), (2.0, 4.0), (4.0, 8.0), (8.0, 16.0), (16.0, 60.0))


@dataclass(frozen=True, kw_only=True)
class Band:
    """Flex within a band of frequencies: root mean square of both directions across together, degrees. The reading's own noise is in it: at most so much."""

    low_hz: float
    high_hz: float
    rms_deg: float


class Flex:
    """Quick flex over a clip, in the monitoring camera's axes."""

    def __init__(self, clocks: Clocks, monitoring: Turns) -> None:
        from scipy.interpolate import make_interp_spline

        used = np.flatnonzero(clocks.used)
        part = slice(used[0], used[-1] + 1)
        own = np.where(clocks.used[part, None], clocks.residual_rad[part], 0.0)
        self._step = monitoring.step_s
        self.times_s = np.append(monitoring.start_s[used[0]], monitoring.end_s[part])
        summed = np.concatenate([np.zeros((1, 3)), np.cumsum(own, axis=0)])
        self._slow_rad = _slow(summed, self.times_s, SLOW_S)
        self.turned_rad = summed - self._slow_rad
        self._turned, whole = (make_interp_spline(self.times_s, v, k=DEGREE) for v in (self.turned_rad, summed))  # as the camera's own turns are
        self._even = np.arange(self.times_s[0], self.times_s[-1] - self._step, self._step)
        self._rates = np.asarray(whole(self._even + self._step) - whole(self._even)) / self._step

    def at(self, time_s: float) -> Floats:
        """(3,) rotation vector from the camera as it mostly stands to the camera as it stood, monitoring axes; the clip's ends hold on outside it."""
        return np.asarray(self._turned(np.clip(time_s, self.times_s[0], self.times_s[-1])), dtype=np.float64)

    def slow_at(self, times_s: Floats) -> Floats:
        """(n, 3) what is left out of that, the reading's drift with it."""
        return np.stack([np.interp(times_s, self.times_s, column) for column in self._slow_rad.T], axis=1)

    @property
    def rms_deg(self) -> float:
        """Root mean square of both directions across together."""
        return math.degrees(float(np.sqrt((self.turned_rad[:, :2] ** 2).sum(axis=1).mean())))

    @property
    def most_deg(self) -> float:
        """Largest angle across."""
        return math.degrees(float(np.hypot(*self.turned_rad[:, :2].T).max()))

    @property
    def bands(self) -> tuple[Band, ...]:
        """By frequency: the spectrum of the rate over the angular frequency (Parseval, Hann's window)."""
        window = np.hanning(len(self._even))
        across = (self._rates - self._rates.mean(axis=0))[:, :2]
        power = 2 * (np.abs(np.fft.rfft(across * window[:, None], axis=0)) ** 2).sum(axis=1) / (len(self._even) * (window**2).sum())
        hz = np.fft.rfftfreq(len(self._even), self._step)
        out = []
        for low, high in BANDS_HZ:
            mine = (hz >= low) & (hz < high)
            if mine.any() and low < 0.45 / self._step:
                out.append(Band(low_hz=low, high_hz=high, rms_deg=math.degrees(math.sqrt(float((power[mine] / (2 * math.pi * hz[mine]) ** 2).sum())))))
        return tuple(out)


def _slow(values: Floats, times_s: Floats, sd_s: float) -> Floats:
    """Mean over time under a Gaussian with a straight line fitted under the same weights."""
    out = np.empty_like(values)
    for k, now in enumerate(times_s):
        low, high = np.searchsorted(times_s, (now - 3 * sd_s, now + 3 * sd_s))
        t = times_s[low:high] - now
        weight = np.exp(-((t / sd_s) ** 2) / 2)
        mean_t, mean = np.average(t, weights=weight), np.average(values[low:high], weights=weight, axis=0)
        spread = float((weight * (t - mean_t) ** 2).sum())
        slope = (weight * (t - mean_t)) @ (values[low:high] - mean) / spread
        out[k] = mean - slope * mean_t
    return out
