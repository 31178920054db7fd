"""The rig on its way: a straight run through a gap, or a smooth path through points, true to time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from framematch.errors import InputError
from framematch.scene.model import Floats, Scene, ViewPose
from framematch.text.whole import read_text

Point = tuple[float, float, float]

GRAVITY_M_PER_S2 = 9.80665
STEPS = 4096
MOST_POINTS = 2000
FASTEST_M_PER_S = 100.0


@dataclass(frozen=True, kw_only=True)
class Run:
    """A flight of the recording camera along points, at a speed.

    Two points are a straight run. More are joined by a cubic spline over the length of their chords,
    walked by its arc length, so that the speed is the one given wherever the points lie.

    Args:
        points_m: scene axes, at least two, no two neighbours in one place.
        speed_m_per_s: one for the whole run, or one for each point; between points it changes evenly
            with the way flown.
        heading_deg: held for the whole run; None looks along the path.
        pitch_deg: of the recording camera against the horizon, + up.
        bank_deg: held for the whole run, + clockwise seen from behind; None banks as a level turn
            of that radius at that speed needs: tan(bank) = v^2 / (r g).

    Raises:
        InputError: too few points, points that coincide, or a speed out of range.
    """

    points_m: tuple[Point, ...]
    speed_m_per_s: float | tuple[float, ...] = 5.0
    heading_deg: float | None = None
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
        for name in ("heading_deg", "pitch_deg", "bank_deg"):
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

    def pose(self, time_s: float) -> ViewPose:
        """Where the rig is and looks at a time from the start; before and after the run it stands at its ends."""
        places, ahead, _, times = self._table
        t = min(max(time_s, 0.0), float(times[-1]))
        x, y, z = (float(np.interp(t, times, places[:, i])) for i in range(3))
        dx, _, dz = (float(np.interp(t, times, ahead[:, i])) for i in range(3))
        along = math.degrees(math.atan2(dx, -dz)) if math.hypot(dx, dz) > 1e-9 else 0.0
        bank = self.bank_deg if self.bank_deg is not None else self._bank_deg(t)
        return ViewPose(position_m=(x, y, z), heading_deg=along if self.heading_deg is None else self.heading_deg, pitch_deg=self.pitch_deg, bank_deg=bank)

    def speed(self, time_s: float) -> float:
        """Speed in m/s at a time from the start."""
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


def run_through(
    scene: Scene,
    *,
    from_m: float = 8.0,
    to_m: float = -3.0,
    speed_m_per_s: float = 5.0,
    height_m: float | None = None,
    pitch_deg: float = 0.0,
    bank_deg: float = 0.0,
) -> Run:
    """A straight level run through the middle of a scene's gap, square to it.

    A scene without a gap (one's own mesh) is flown along -Z over the middle of its bounds, distances
    counted from its front, at eye height or half its height, whichever is lower.

    Args:
        from_m, to_m: where it starts and ends, in metres before the gap's plane; behind it is below 0.
        height_m: over the ground, the middle of the gap if not given.

    Raises:
        InputError: no way between start and end, or out of range.
    """
    for name, value in (("from", from_m), ("to", to_m), ("height", 0.0 if height_m is None else height_m)):
        if not (math.isfinite(value) and abs(value) <= 1000):
            raise InputError(f"{value:g} m is out of range", field=name, fix="give metres, at most 1000")
    if from_m - to_m < 0.01:
        raise InputError(f"the run from {from_m:g} m to {to_m:g} m does not go forwards", field="from", fix="start farther before the gap than it ends")
    if scene.gap is not None:
        (x, y, z), (nx, _, nz) = scene.gap.centre_m, scene.gap.normal
    else:
        low, high = (tuple(float(v) for v in corner) for corner in scene.surface.bounds)
        x, y, z, nx, nz = (low[0] + high[0]) / 2, min((low[1] + high[1]) / 2, scene.ground_m + 1.6), high[2], 0.0, 1.0
    up = y if height_m is None else scene.ground_m + height_m
    start, end = ((x + nx * d, up, z + nz * d) for d in (from_m, to_m))
    return Run(points_m=(start, end), speed_m_per_s=speed_m_per_s, pitch_deg=pitch_deg, bank_deg=bank_deg)


def run_from(
    scene: Scene,
    file: Path | None = None,
    *,
    from_m: float = 8.0,
    to_m: float = -3.0,
    speed_m_per_s: float = 5.0,
    height_m: float | None = None,
    pitch_deg: float = 0.0,
    bank: str = "0",
) -> Run:
    """The run that a person asked for: through the points of a file, or straight through the gap.

    Args:
        file: see :func:`read_points`; its own speeds, where it has them, go before ``speed_m_per_s``.
        bank: degrees, or ``turn`` to bank as level turns need.

    Raises:
        InputError: as :class:`Run`, :func:`run_through` and :func:`read_points`, or no bank.
    """
    try:
        bank_deg = None if bank == "turn" else float(bank)
    except ValueError:
        raise InputError(f"'{bank}' is no bank", field="bank", fix="give degrees, or turn") from None
    if file is None:
        straight = run_through(scene, from_m=from_m, to_m=to_m, speed_m_per_s=speed_m_per_s, height_m=height_m, pitch_deg=pitch_deg)
        return replace(straight, bank_deg=bank_deg)
    points, speeds = read_points(file)
    try:
        return Run(points_m=points, speed_m_per_s=speeds or speed_m_per_s, pitch_deg=pitch_deg, bank_deg=bank_deg)
    except InputError as error:
        raise error.within(file=str(file)) from None


def read_points(path: Path) -> tuple[tuple[Point, ...], tuple[float, ...] | None]:
    """Points and, if every line has one, speeds from a text file: ``x, y, z`` or ``x, y, z, speed`` on each line.

    Metres in scene axes, metres per second. Lines that are empty or start with # are passed over.

    Raises:
        InputError: a line that is not three or four numbers.
    """
    rows: list[list[float]] = []
    for number, line in enumerate(read_text(path).splitlines(), start=1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        try:
            row = [float(word) for word in text.replace(",", " ").replace(";", " ").split()]
        except ValueError:
            row = []
        if len(row) not in (3, 4) or (rows and len(row) != len(rows[0])):
            raise InputError(
                f"line {number} is not x, y, z or x, y, z, speed", file=str(path), fix="write three or four numbers on every line, the same on all"
            )
        rows.append(row)
        if len(rows) > MOST_POINTS:
            raise InputError(f"has more than {MOST_POINTS} points", file=str(path), fix="leave some out")
    if len(rows) < 2:
        raise InputError(f"has {len(rows)} points", file=str(path), fix="give two at least")
    points: tuple[Point, ...] = tuple((row[0], row[1], row[2]) for row in rows)
    return points, tuple(row[3] for row in rows) if len(rows[0]) == 4 else None
