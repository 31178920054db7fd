"""The rig on its way, true to time: a straight run through an opening, or a smooth path through points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.pose import Pose
from framematch.shot.place import standing
from framematch.shot.run import Run

Floats = NDArray[np.float64]
Point = tuple[float, float, float]

GRAVITY_M_PER_S2 = 9.80665
STEPS = 4096
MOST_POINTS = 2000
FASTEST_M_PER_S = 100.0


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


@dataclass(frozen=True, kw_only=True)
class Track:
    """A flight of the recording camera along points, at a speed.

    Two points are a straight run. More are joined by a cubic spline over the length of their chords,
    walked by its arc length, so that the speed is the one given wherever the points lie.

    Args:
        points_m: scene axes, at least two, no two neighbours in one place.
        speed_m_per_s: one for the whole run, or one for each point; between points it changes evenly
            with the way flown.
        heading_deg: held for the whole run; None looks along the path, turned right by ``pan_deg``.
        pitch_deg: of the recording camera against the horizon, + up.
        bank_deg: held for the whole run, + clockwise seen from behind; None banks as a level turn
            of that radius at that speed needs: tan(bank) = v^2 / (r g).

    Raises:
        InputError: too few points, points that coincide, or a speed out of range.
    """

    points_m: tuple[Point, ...]
    speed_m_per_s: float | tuple[float, ...] = 5.0
    heading_deg: float | None = None
    pan_deg: float = 0.0
    pitch_deg: float = 0.0
    bank_deg: float | None = 0.0

    def __post_init__(self) -> None:
        if not 2 <= len(self.points_m) <= MOST_POINTS:
            raise InputError(f"{len(self.points_m)} points are no path", field="path", fix=f"give 2 to {MOST_POINTS}")
        points = np.array(self.points_m, dtype=np.float64)
        if points.shape[1:] != (3,) or not np.isfinite(points).all() or np.abs(points).max() > 1e5:
            raise InputError("points must be three finite numbers each, within 100 km", field="path", fix="give x, y, z in metres")
        close = np.flatnonzero(np.linalg.norm(np.diff(points, axis=0), axis=1) < 1e-6)
        if len(close):
            raise InputError(f"points {close[0] + 1} and {close[0] + 2} are in one place", field="path", fix="leave one of them out")
        speeds = (self.speed_m_per_s,) if isinstance(self.speed_m_per_s, int | float) else self.speed_m_per_s
        if len(speeds) not in (1, len(points)):
            raise InputError(f"{len(speeds)} speeds for {len(points)} points", field="speed", fix="give one, or one for each point")
        for speed in speeds:
            if not 0.01 <= speed <= FASTEST_M_PER_S:
                raise InputError(f"{speed:g} m/s is out of range", field="speed", fix=f"give 0.01 to {FASTEST_M_PER_S:g} m/s")
        for name in ("heading_deg", "pan_deg", "pitch_deg", "bank_deg"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise InputError(f"{value} is not a number", field=name, fix="give a finite number")

    @cached_property
    def _table(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Places (K, 3), directions (K, 3), way flown (K,) and time (K,) at even steps of the spline's parameter."""
        points = np.array(self.points_m, dtype=np.float64)
        chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        speeds = np.broadcast_to(np.asarray(self.speed_m_per_s, dtype=np.float64), (len(points),))
        if len(points) == 2:
            places, u = points, chord
            ahead = np.repeat(np.diff(points, axis=0), 2, axis=0)
        else:
            from scipy.interpolate import CubicSpline

            spline = CubicSpline(chord, points)
            counts = np.maximum(2, np.ceil(STEPS * np.diff(chord) / chord[-1]).astype(int))
            u = np.concatenate([[0.0], *(np.linspace(a, b, n + 1)[1:] for a, b, n in zip(chord, chord[1:], counts, strict=False))])
            places, ahead = spline(u), spline(u, 1)
        way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(places, axis=0), axis=1))])
        if len(points) == 2 and speeds[0] != speeds[1]:  # even steps of way, so that time can be read off between them
            way = np.linspace(0, way[-1], STEPS)
            places, ahead = points[0] + (points[1] - points[0]) * (way / way[-1])[:, None], np.repeat(ahead[:1], STEPS, axis=0)
            u = way
        at_points = np.interp(chord, u, way)
        v = np.interp(way, at_points, speeds)
        step, v0, v1 = np.diff(way), v[:-1], v[1:]
        # Speed is even in the way flown, so a step takes step * ln(v1 / v0) / (v1 - v0).
        same = np.abs(v1 - v0) < 1e-9 * v0
        seconds = np.where(same, step / v0, step * np.log(v1 / v0) / np.where(same, 1.0, v1 - v0))
        return places, ahead / np.linalg.norm(ahead, axis=1, keepdims=True), way, np.concatenate([[0.0], np.cumsum(seconds)])

    @property
    def length_m(self) -> float:
        return float(self._table[2][-1])

    @property
    def duration_s(self) -> float:
        return float(self._table[3][-1])

    def pose(self, time_s: float) -> Pose:
        places, ahead, _, times = self._table
        t = min(max(time_s, 0.0), float(times[-1]))
        x, y, z = (float(np.interp(t, times, places[:, i])) for i in range(3))
        dx, _, dz = (float(np.interp(t, times, ahead[:, i])) for i in range(3))
        along = math.degrees(math.atan2(dx, -dz)) if math.hypot(dx, dz) > 1e-9 else 0.0
        bank = self.bank_deg if self.bank_deg is not None else self._bank_deg(t)
        heading = along + self.pan_deg if self.heading_deg is None else self.heading_deg
        return standing((x, y, z), heading_deg=heading, pitch_deg=self.pitch_deg, bank_deg=bank)

    def speed(self, time_s: float) -> float:
        _, _, way, times = self._table
        if isinstance(self.speed_m_per_s, int | float):
            return float(self.speed_m_per_s)
        return float(np.interp(min(max(time_s, 0.0), float(times[-1])), times, np.gradient(way, times)))

    def _bank_deg(self, t: float) -> float:
        _, ahead, way, times = self._table
        if len(way) < 3:
            return 0.0
        heading = np.unwrap(np.arctan2(ahead[:, 0], -ahead[:, 2]))
        curvature = float(np.interp(t, times, np.gradient(heading, way)))
        return math.degrees(math.atan(self.speed(t) ** 2 * curvature / GRAVITY_M_PER_S2))
