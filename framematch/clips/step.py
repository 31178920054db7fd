"""What one frame of a clip adds to the one before."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.clips.bearings import BearingTurn, turn_of
from framematch.geometry.camera import Camera

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]  # half the memory: a flight has millions of details
_NOISE_PX = 0.12  # of a tracked corner, in working pixels


@dataclass(frozen=True, kw_only=True, eq=False)
class Step:
    """What one frame adds to the one before: times, and details as bearings and rows (share of the height from the middle) in both."""

    start_s: float
    end_s: float
    before: Singles = field(default_factory=lambda: np.empty((0, 3), np.float32))
    after: Singles = field(default_factory=lambda: np.empty((0, 3), np.float32))
    rows: Singles = field(default_factory=lambda: np.empty((2, 0), np.float32))
    turn: BearingTurn | None = None

    @property
    def row(self) -> float:
        """Mean row of the details that agreed; of all, as long as no turn is read from them."""
        rows = self.rows if self.turn is None else self.rows[:, self.turn.agreed]
        return float(rows.mean()) if rows.size else 0.0

    def moments_s(self, readout_s: float) -> tuple[Floats, Floats, float]:
        """(N,) and (N,): when each detail was seen before and after; and by how much later than its frame's middle the mean row is read."""
        rows = self.rows.astype(np.float64) * readout_s
        return self.start_s + rows[0], self.end_s + rows[1], self.row * readout_s

    def again(self, turned: Any, readout_s: float, noise_rad: float, move: tuple[Floats, Floats]) -> tuple[BearingTurn | None, Floats]:
        """The turn, and how much more each detail saw the camera turn (N, 3), given the turn up to any time and the move over the step."""
        before, after = (v.astype(np.float64) for v in (self.before, self.after))
        first, last, delay = self.moments_s(readout_s)
        whole = turned(self.end_s + delay) - turned(self.start_s + delay)
        extra = turned(last) - turned(first) - whole
        start = whole if self.turn is None else self.turn.turn_rad
        return turn_of(before, after, noise_rad=noise_rad, extra=extra, start=start, move=move) or self.turn, extra


def noise_rad(camera: Camera) -> float:
    """Standard deviation of a tracked corner's bearing."""
    return _NOISE_PX / camera.pixels_per_rad
