"""A turn rate that is nowhere only its mean: a spline through what was read from frame to frame."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_RATE_ROUNDS, _SLOW_S = 4, 0.04  # rounds that bring a rate's mean to what was read; standard deviation of the Gaussian that leaves 4 Hz half its size


def rate_of(start_s: Floats, end_s: Floats, delay_s: Floats, turn_rad: Floats) -> Any:
    """The turn rate (.., 3) as a cubic spline in time whose mean over each step is what was read: a rate is not its mean in the step's middle."""
    from scipy.interpolate import CubicSpline

    first, last = start_s + delay_s, end_s + delay_s
    once = np.append(True, np.diff((first + last) / 2) > 1e-6)
    first, last, wanted = first[once], last[once], (turn_rad / (end_s - start_s)[:, None])[once]
    rates = wanted
    for _ in range(_RATE_ROUNDS):
        spline = CubicSpline((first + last) / 2, rates)
        turned = spline.antiderivative()
        rates = rates + wanted - (turned(last) - turned(first)) / (last - first)[:, None]
    return CubicSpline((first + last) / 2, rates)


def slowed(rate: Any) -> Callable[[Floats | float], Floats]:
    """The turn rate without what is quicker than some hertz: flex beyond half the frame rate shows as if it were slower and other within a frame."""
    from scipy.ndimage import gaussian_filter1d

    even = np.arange(rate.x[0], rate.x[-1], _SLOW_S / 4)
    slow = gaussian_filter1d(rate(even), 4.0, axis=0)

    def at(times: Floats | float) -> Floats:
        return np.stack([np.interp(times, even, slow[:, i]) for i in range(3)], axis=-1)

    return at
