"""From when to when something holds along a flight."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def stays(times: Floats, holds: Mask, state: Callable[[Floats], Mask]) -> tuple[tuple[float, float], ...]:
    """From when to when something holds, its changes between moments (T,) found by halving to a tenth of a millisecond."""
    changes = np.flatnonzero(holds[1:] != holds[:-1])
    low, high = times[changes], times[changes + 1]
    for _ in range(max(1, math.ceil(math.log2(max(float(np.diff(times).max()) / 1e-4, 2.0))))):
        if not len(changes):
            break
        middle = (low + high) / 2
        same = state(middle) == holds[changes]
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    ends = [float(t) for t in (low + high) / 2]
    if holds[0]:
        ends.insert(0, float(times[0]))
    if holds[-1]:
        ends.append(float(times[-1]))
    return tuple(zip(ends[::2], ends[1::2], strict=True))
