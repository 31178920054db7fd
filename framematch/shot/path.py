"""The path flown: points and times joined by the curve of least snap.

Least snap means the least integral of the squared fourth derivative: a spline of degree 7 in time, smooth to
the sixth derivative at the points between. At an end at rest velocity, acceleration and jerk are 0; at
an end flown through the velocity is given and the two natural conditions (fourth and fifth derivative 0)
take the place of the others, which are free. A stop on the way is a rest, where two such curves meet.

Source: calculus of variations; Mellinger and Kumar, ICRA 2011 (doi 10.1109/ICRA.2011.5980409). The
splines are SciPy's ``make_interp_spline(k=7)``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError

Floats = NDArray[np.float64]
Point = tuple[float, float, float]

MOST_POINTS = 2000
FASTEST_M_S = 100.0
LONGEST_S = 3600.0
_STANDING_M_S = 1e-3  # below this the direction of motion is taken from the next derivative that is there


@dataclass(frozen=True, kw_only=True, eq=False)
class Motion:
    """Position and its four derivatives by time, (..., 3) each, scene axes, metres and seconds."""

    position_m: Floats
    velocity_m_s: Floats
    acceleration_m_s2: Floats
    jerk_m_s3: Floats
    snap_m_s4: Floats

    @property
    def speed_m_s(self) -> Floats:
        """(...), along the path."""
        out: Floats = np.linalg.norm(self.velocity_m_s, axis=-1)
        return out


@dataclass(frozen=True, kw_only=True)
class Heading:
    """Where the nose points: along the path, or held, or towards a subject.

    Args:
        held_deg: degrees right of -Z, for the whole path.
        towards_m: a place in scene axes that the nose is turned to.

    Raises:
        InputError: both are given, or not finite.
    """

    held_deg: float | None = None
    towards_m: Point | None = None

    def __post_init__(self) -> None:
        if self.held_deg is not None and self.towards_m is not None:
            raise InputError("a heading is held or turned to a subject, not both", field="heading", fix="give one of them")
        if not all(map(math.isfinite, (self.held_deg or 0.0, *(self.towards_m or ())))):
            raise InputError("is not a finite number", field="heading", fix="give degrees, or x, y, z in metres")


@dataclass(frozen=True, kw_only=True, eq=False)
class Path:
    """Points of the recording camera's entrance pupil and the times at which it is there.

    The few centimetres from there to the aircraft's middle of mass are neglected in its accelerations.

    Args:
        points_m: (N, 3), scene axes, at least two, no two neighbours in one place.
        times_s: (N,), rising, counted from the first.
        start_m_s, end_m_s: speed at the ends, 0 for rest; its direction is that of the parabola
            through the three points there.
        stops: numbers (from 0) of points between at which it comes to rest.
        heading: of the nose.

    Raises:
        InputError: points that coincide, times that do not rise, or figures out of range.
    """

    points_m: Floats
    times_s: Floats
    start_m_s: float = 0.0
    end_m_s: float = 0.0
    stops: tuple[int, ...] = ()
    heading: Heading = field(default_factory=Heading)

    def __post_init__(self) -> None:
        points = checked_points(self.points_m)
        times = np.asarray(self.times_s, dtype=np.float64)
        if times.shape != (len(points),) or not np.isfinite(times).all():
            raise InputError(f"{times.size} times for {len(points)} points", field="path.time_s", fix="give a time in seconds for each point")
        back = np.flatnonzero(np.diff(times) <= 0)
        if len(back):
            i = int(back[0])
            raise InputError(
                f"point {i + 2} at {times[i + 1]:g} s is not later than point {i + 1} at {times[i]:g} s", field="path.time_s", fix="give times that rise"
            )
        times = times - times[0]
        if times[-1] > LONGEST_S:
            raise InputError(f"the path takes {times[-1]:.0f} s", field="path", fix=f"fly at most {LONGEST_S:.0f} s")
        for name in ("start_m_s", "end_m_s"):
            checked_speed(getattr(self, name))
        object.__setattr__(self, "points_m", points)
        object.__setattr__(self, "times_s", times)
        object.__setattr__(self, "stops", tuple(sorted({i for i in self.stops if 0 < i < len(points) - 1})))
        if self.heading.held_deg is None and self.heading.towards_m is None:
            self._refuse_a_turn_on_the_spot()

    @property
    def duration_s(self) -> float:
        """From the first point to the last."""
        return float(self.times_s[-1])

    @cached_property
    def length_m(self) -> float:
        """Of the curve, by Simpson's rule over its speed."""
        from scipy.integrate import simpson

        times = np.linspace(0, self.duration_s, 40 * len(self.times_s) + 1)
        return float(simpson(self.at(times).speed_m_s, x=times))

    def at(self, times_s: ArrayLike) -> Motion:
        """Position, velocity, acceleration, jerk and snap at times (...); outside the path those of its ends."""
        t = np.clip(np.asarray(times_s, dtype=np.float64), 0.0, self.duration_s)
        return Motion(**{name: curve(t) for name, curve in zip(Motion.__dataclass_fields__, self._curves, strict=True)})

    def heading_rad(self, times_s: ArrayLike) -> Floats:
        """Heading (...) of the nose at times (...), right of -Z, without jumps of a full turn between neighbours."""
        t = np.clip(np.asarray(times_s, dtype=np.float64), 0.0, self.duration_s)
        if self.heading.held_deg is not None:
            return np.full(t.shape, math.radians(self.heading.held_deg))
        if self.heading.towards_m is not None:
            towards = np.array(self.heading.towards_m) - self.at(t).position_m
            if (np.hypot(towards[..., 0], towards[..., 2]) < 0.01).any():
                raise InputError(
                    "the path passes right over the subject that the nose is turned to", field="heading", fix="pass beside it, or hold the heading"
                )
        else:
            towards = self._ahead(t)
        turn = np.arctan2(towards[..., 0], -towards[..., 2])
        return np.asarray(np.unwrap(turn) if turn.ndim else turn)

    @cached_property
    def _curves(self) -> tuple[Any, ...]:
        from scipy.interpolate import PPoly, make_interp_spline

        last = len(self.points_m) - 1
        parts = []
        for a, b in zip((0, *self.stops), (*self.stops, last), strict=True):
            times, points = self.times_s[a : b + 1], self.points_m[a : b + 1]
            ends = (_end(points, self.start_m_s if a == 0 else 0.0), _end(points[::-1], -self.end_m_s if b == last else 0.0))
            curve = make_interp_spline(times, points, k=7, bc_type=ends)
            parts.append([curve(times[:-1], 7 - i) / math.factorial(7 - i) for i in range(8)])
        whole = PPoly(np.concatenate(parts, axis=1), self.times_s)
        return tuple(whole.derivative(n) if n else whole for n in range(5))

    def _ahead(self, times: Floats) -> Floats:
        """Direction (..., 3) of level motion; at rest that of the first derivative that is there, straight up and down that of the nearest level motion."""
        shape = times.shape
        t = times.reshape(-1)
        level = self._level(t)
        unknown = np.hypot(level[:, 0], level[:, 2]) < _STANDING_M_S
        if unknown.any():
            near = np.linspace(0, self.duration_s, 2001)
            known = self._level(near)
            moving = np.flatnonzero(np.hypot(known[:, 0], known[:, 2]) >= _STANDING_M_S)
            if not len(moving):
                level[unknown] = (0.0, 0.0, -1.0)
            else:
                nearest = np.abs(near[moving][None] - t[unknown][:, None]).argmin(axis=1)
                level[unknown] = known[moving[nearest]]
        return level.reshape(*shape, 3)

    def _level(self, t: Floats) -> Floats:
        out: Floats = self._curves[1](t) * (1.0, 0.0, 1.0)
        return out

    def _refuse_a_turn_on_the_spot(self) -> None:
        for i in self.stops:
            before, after = (self._level(np.array([self.times_s[i] + side * 0.01 * (self.times_s[i + side] - self.times_s[i]) * side]))[0] for side in (-1, 1))
            sizes = np.hypot(before[0], before[2]) * np.hypot(after[0], after[2])
            if sizes > 0 and (turn := math.degrees(math.acos(np.clip(before @ after / sizes, -1, 1)))) > 2.0:
                raise InputError(
                    f"it stops at point {i + 1} and leaves in another direction: a nose along the path would jump by {turn:.0f} deg",
                    field="path.heading",
                    fix="hold the heading, turn it to a subject, or keep some speed there",
                )


def _end(points: Floats, speed_m_s: float) -> list[tuple[int, Floats]]:
    """Conditions at the first of some points: rest, or a speed (- against the points' order) and what is natural for it."""
    none = np.zeros(3)
    if speed_m_s == 0:
        return [(1, none), (2, none), (3, none)]
    lengths = np.linalg.norm(np.diff(points[:3], axis=0), axis=1)
    slopes = np.diff(points[:3], axis=0) / lengths[:, None]
    slope = slopes[0] + (slopes[0] - slopes[-1]) * lengths[0] / lengths.sum()
    return [(1, speed_m_s * slope / np.linalg.norm(slope)), (4, none), (5, none)]


def checked_points(points_m: ArrayLike | Sequence[Point]) -> Floats:
    """Points as (N, 3).

    Raises:
        InputError: too few or too many, not finite, farther than 100 km, or two neighbours in one place.
    """
    points = np.asarray(points_m, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all() or np.abs(points).max(initial=0.0) > 1e5:
        raise InputError("points must be three finite numbers each, within 100 km", field="path", fix="give x, y, z in metres")
    if not 2 <= len(points) <= MOST_POINTS:
        raise InputError(f"{len(points)} points are not a path", field="path", fix=f"give 2 to {MOST_POINTS}")
    close = np.flatnonzero(np.linalg.norm(np.diff(points, axis=0), axis=1) < 1e-6)
    if len(close):
        raise InputError(f"points {close[0] + 1} and {close[0] + 2} are in one place", field="path", fix="leave one of them out")
    return points


def checked_speed(speed_m_s: float) -> float:
    """A speed of a path's point: 0, or 0.01 to 100 m/s.

    Raises:
        InputError: any other.
    """
    if not (speed_m_s == 0 or 0.01 <= speed_m_s <= FASTEST_M_S):
        raise InputError(f"{speed_m_s:g} m/s is out of range", field="path.speed_m_s", fix=f"give 0, or 0.01 to {FASTEST_M_S:g} m/s")
    return float(speed_m_s)
