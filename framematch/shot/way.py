"""The rig on its way, true to time: a straight run through an opening; a flight that leans is :class:`~framematch.shot.flown.Flown`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from framematch.errors import InputError
from framematch.geometry.pose import Pose
from framematch.shot.run import Run


class Way(Protocol):
    """A flight, true to time."""

    @property
    def length_m(self) -> float: ...

    @property
    def duration_s(self) -> float: ...

    def pose(self, time_s: float) -> Pose:
        """``scene_from_recording`` at a time from the start; before and after the flight it stands at its ends."""
        ...

    def speed(self, time_s: float) -> float:
        """Speed in m/s at a time from the start."""
        ...


@dataclass(frozen=True, kw_only=True, eq=False)
class Straight:
    """A straight run between two distances before the opening's near face; behind it they are below 0.

    Raises:
        InputError: no way between start and end, or out of range.
    """

    scene_from_opening: Pose
    run: Run
    from_m: float = 8.0
    to_m: float = -3.0

    def __post_init__(self) -> None:
        for name, value in (("from", self.from_m), ("to", self.to_m)):
            if not (math.isfinite(value) and abs(value) <= 1000):
                raise InputError(f"{value:g} m is out of range", field=name, fix="give metres, at most 1000")
        if self.length_m < 0.01:
            raise InputError(
                f"the run from {self.from_m:g} m to {self.to_m:g} m does not go forwards", field="from", fix="start farther before the gap than it ends"
            )

    @property
    def length_m(self) -> float:
        return self.from_m - self.to_m

    @property
    def duration_s(self) -> float:
        return self.length_m / self.run.speed_m_s

    def pose(self, time_s: float) -> Pose:
        flown = min(max(time_s * self.run.speed_m_s, 0.0), self.length_m)
        return self.scene_from_opening @ self.run.opening_from_recording(self.from_m - flown)

    def speed(self, time_s: float) -> float:
        return self.run.speed_m_s
