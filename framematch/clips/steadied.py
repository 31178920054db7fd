"""The recorded clip's turns made sure by the monitoring camera's wide view.

A long lens hardly tells a turn from a step aside; a wide one does. Both cameras move alike, so the recording camera's speed over distance lies along the
monitoring camera's, and only the typical distance of what each sees differs: one factor that changes slowly. It is the one that makes both cameras' turns
agree over a second or two; what the mount flexes does not go with the speed and stays.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.clock import Clocks, TurnedPath
from framematch.clips.turns import Turns

Floats = NDArray[np.float64]
FACTOR_S = 1.0  # standard deviation of the Gaussian over which one factor holds
MOVE_S = 0.3  # the same of the monitoring camera's speed over distance: flex that it reads as speed is mostly quicker
_LEAST_RAD_S = 0.01  # a speed over distance below which no factor is told


def steadied(recording: Turns, monitoring: Turns, clocks: Clocks) -> Turns:
    """The recording clip's turns with the monitoring clip's way; where that was not read, as they are."""
    from scipy.ndimage import gaussian_filter1d

    other, aim = TurnedPath(monitoring), clocks.recording_from_monitoring
    first, last = (clocks.monitoring_s(t) for t in recording.moments_s((recording.camera.readout_ms or 0.0) / 1000))
    seen = other.whole(first, last) & recording.read
    dt = recording.end_s - recording.start_s
    ends = np.clip(np.stack([first, last]), other.knots[0], other.knots[-1])
    theirs = (other.turned(ends[1]) - other.turned(ends[0])) @ aim.T
    known = monitoring.read[:, None].astype(float)
    steps = MOVE_S / monitoring.step_s
    speed = gaussian_filter1d(monitoring.move_rad_s * known, steps, axis=0) / np.maximum(gaussian_filter1d(known, steps, axis=0), 1e-6)
    middle = (monitoring.start_s + monitoring.end_s) / 2
    move = np.stack([np.interp((first + last) / 2, middle, speed[:, i]) for i in range(3)], axis=1) @ aim.T * dt[:, None]
    own = recording.turn_rad - np.einsum("nij,nj->ni", recording.by_move, recording.move_rad_s * dt[:, None])  # as if it had not moved
    drawn = np.einsum("nij,nj->ni", recording.by_move, move)

    def over_time(values: Floats) -> Floats:
        out: Floats = gaussian_filter1d(np.where(seen, values, 0.0), FACTOR_S / recording.step_s, mode="constant")
        return out

    least = (_LEAST_RAD_S * recording.step_s) ** 2  # where the rig hardly moves the factor is not told, and is 1
    factor = (over_time((drawn * (theirs - own)).sum(1)) + least) / (over_time((drawn**2).sum(1)) + least)
    some = seen[:, None]
    return replace(
        recording,
        steadied=True,
        turn_rad=np.where(some, own + factor[:, None] * drawn, recording.turn_rad),
        move_rad_s=np.where(some, factor[:, None] * move / dt[:, None], recording.move_rad_s),
    )
