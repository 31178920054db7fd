"""How the monitoring camera turned against the rig while it flew: flex of the mount, read from both cameras' turns.

What it turned more than the rig is summed up; what is slower than about two hertz is left out, since the reading's own drift is in it, and the moments
of ``flown`` tell it better.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framematch.clips.clock import Clocks
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
        used = clocks.used
        dt = monitoring.end_s - monitoring.start_s
        middle = (monitoring.start_s + monitoring.end_s) / 2
        self._step = monitoring.step_s
        self._even = np.arange(middle[used][0], middle[used][-1], self._step)
        rates = clocks.residual_rad[used] / dt[used, None]
        self._rates = np.stack([np.interp(self._even, middle[used], rates[:, i]) for i in range(3)], axis=1)
        summed = np.cumsum(np.concatenate([np.zeros((1, 3)), self._rates * self._step]), axis=0)
        self.times_s = np.append(self._even, self._even[-1] + self._step) - self._step / 2
        self.turned_rad = summed - _slow(summed, SLOW_S / self._step)

    def at(self, time_s: float) -> Floats:
        """(3,) rotation vector from the camera as it mostly stands to the camera as it stood, monitoring axes; nothing outside the clip's middle."""
        return np.array([np.interp(time_s, self.times_s, self.turned_rad[:, i]) for i in range(3)])

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


def _slow(values: Floats, steps: float) -> Floats:
    """Mean over time under a Gaussian, of steps' standard deviation, with a straight line fitted under the same weights."""
    index = np.arange(len(values), dtype=np.float64)
    out = np.empty_like(values)
    for k in range(len(values)):
        low, high = max(0, int(k - 3 * steps)), min(len(values), int(k + 3 * steps) + 1)
        t = index[low:high] - k
        weight = np.exp(-((t / steps) ** 2) / 2)
        mean_t, mean = np.average(t, weights=weight), np.average(values[low:high], weights=weight, axis=0)
        spread = float((weight * (t - mean_t) ** 2).sum())
        slope = (weight * (t - mean_t)) @ (values[low:high] - mean) / spread
        out[k] = mean - slope * mean_t
    return out
