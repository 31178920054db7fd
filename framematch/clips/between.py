"""The mean aim of a whole flight from its moments and from what the mount did between them.

Moments a second apart meet a mount that swings slowly where they happen to: their mean is not the flight's. What the monitoring camera turned more than
the rig, read from the turns, carries from one moment to the next; over longer it drifts, and where flex is quicker than the frames it shows what is not
there. So it counts by how much of the moments' own differences it explains: the slope of the one over the other.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.clock import Clocks
from framematch.clips.flex import Flex
from framematch.clips.flown import Flown
from framematch.measure.unknowns import AIM

Floats = NDArray[np.float64]
_EVERY_S = 0.02


def over_the_flight(solved: Flown, times_s: Floats, clocks: Clocks, flex: Flex) -> Flown:
    """The flight with its shared aim that of all the time that both clips show; each moment keeps its own.

    Args:
        times_s: (n,) of the moments, recording clip.
    """
    at = np.arange(flex.times_s[0], flex.times_s[-1], _EVERY_S)
    turned = flex.slow_at(at) @ clocks.recording_from_monitoring.T
    at = clocks.recording_s(at)
    own = _at(times_s, at, turned)
    steps, shown = np.diff(solved.turns_rad, axis=0), np.diff(own, axis=0)
    share = float(np.clip((steps * shown).sum() / max(float((shown**2).sum()), 1e-12), 0, 1))
    more = (share * turned + _at(at, times_s, solved.turns_rad - share * own)).mean(axis=0) - solved.turns_rad.mean(axis=0)
    values, covariance, left = solved.values.copy(), solved.covariance.copy(), steps - share * shown
    values[AIM] += more
    count = 2 * len(steps) * len(times_s)
    size, axes = np.linalg.eigh(covariance[AIM, AIM] - (steps.T @ steps - left.T @ left) / count)  # chance which part of a swing a moment meets
    covariance[AIM, AIM] = (axes * np.maximum(size, float((left**2).sum()) / 3 / count)) @ axes.T
    return replace(solved, values=values, covariance=covariance, turns_rad=solved.turns_rad - more)


def _at(wanted: Floats, times: Floats, values: Floats) -> Floats:
    return np.stack([np.interp(wanted, times, column) for column in values.T], axis=1)
