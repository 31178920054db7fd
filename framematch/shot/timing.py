"""The times of a path from the speeds that are wanted at its points, within what the aircraft is to be asked for.

Durations between points are first those of an even change from one wanted speed to the next; then they are
moved so that the speed along the whole curve comes closest to that (least squares); then stretches that ask
for too much acceleration, jerk, thrust or lean are slowed until nothing does. So a wanted speed between the ends
is met where the limits allow it. Speeds at the ends are flown exactly.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.shot.lean import GRAVITY_M_S2, Flying, lean_of, specific_thrust_m_s2
from framematch.shot.path import Heading, Motion, Path, checked_points, checked_speed

Floats = NDArray[np.float64]

MOST_FITTED = 40  # points up to which the durations are fitted; more keep the even change
MOST_SWING = 2.5  # way flown over the straight way between two points; a half circle is 1.57
_PER_STRETCH = 24
_ROUNDS = 200


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a path asks for most: a figure, its limit, when, and in which stretch (0 from the first point on)."""

    name: str
    value: float
    limit: float
    unit: str
    time_s: float
    stretch: int

    @property
    def says(self) -> str:
        where = f"between points {self.stretch + 1} and {self.stretch + 2}"
        return f"{self.name} of {self.value:.3g} {self.unit} at {self.time_s:.2f} s, {where} (limit {self.limit:g})"


def timed(points_m: ArrayLike, speeds_m_s: float | Sequence[float], *, flying: Flying | None = None, heading: Heading | None = None) -> Path:
    """A path through points at wanted speeds.

    Args:
        points_m: (N, 3), scene axes.
        speeds_m_s: one for all points or one for each; 0 is a rest.
        flying: gives drag, wind and limits; without it the defaults of :class:`Flying`.

    Raises:
        InputError: as :class:`Path`, or the speeds can't be flown within the limits.
    """
    points = checked_points(points_m)
    flying, heading = flying or Flying(), heading or Heading()
    given = np.atleast_1d(np.asarray(speeds_m_s, dtype=np.float64))
    if given.shape not in ((1,), (len(points),)):
        raise InputError(f"{given.size} speeds for {len(points)} points", field="path.speed_m_s", fix="give one, or one for each point")
    speeds = np.broadcast_to(given, (len(points),))
    for speed in speeds:
        checked_speed(float(speed))
    steady = float(speeds.max())
    _refuse_too_fast(steady, flying)
    stops = tuple(int(i) for i in np.flatnonzero(speeds[1:-1] == 0) + 1)

    def path(durations: Floats, nose: Heading = heading) -> Path:
        times = np.concatenate([[0.0], np.cumsum(durations)])
        return Path(points_m=points, times_s=times, start_m_s=float(speeds[0]), end_m_s=float(speeds[-1]), stops=stops, heading=nose)

    lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
    means = (speeds[1:] + speeds[:-1]) / 2
    # Between two rests nothing is wanted but to keep within the limits: start fast and be slowed.
    durations = np.where(means > 0, lengths / np.where(means > 0, means, 1.0), np.sqrt(lengths / flying.acceleration_m_s2))
    held = Heading(held_deg=0.0)  # times do not depend on it
    if 2 < len(points) <= MOST_FITTED:
        durations = _fitted(lambda d: path(d, held), durations, speeds)
    return _refuse_swings(path(_within(lambda d: path(d, held), durations, flying)), lengths)


def _refuse_swings(path: Path, chords_m: Floats) -> Path:
    """A curve of least snap may swing far out, or back up, to keep its speed round a sharp corner or from one speed to the next."""
    _, motion = _sampled(path)
    steps = np.linalg.norm(np.diff(motion.position_m, axis=0), axis=1).reshape(len(chords_m), -1).sum(axis=1)
    worst = int((steps / chords_m).argmax())
    if steps[worst] > MOST_SWING * chords_m[worst]:
        raise InputError(
            f"between points {worst + 1} and {worst + 2} the curve swings out to {steps[worst]:.1f} m of way for {chords_m[worst]:.1f} m",
            field="path",
            fix="bring the speeds there closer together or lower them, or add a point where it is to go",
        )
    return path


def asked(path: Path, flying: Flying) -> tuple[Asked, ...]:
    """What the path asks for most of lean, acceleration, jerk and (where the limit is known) thrust, against the limits."""
    times, motion = _sampled(path)
    out = []
    for name, unit, values, limit in _demands(motion, flying):
        i = int(values.argmax())
        stretch = min(int(np.searchsorted(path.times_s, times[i], side="right")) - 1, len(path.times_s) - 2)
        out.append(Asked(name=name, value=float(values[i]), limit=limit, unit=unit, time_s=float(times[i]), stretch=stretch))
    return tuple(out)


def refuse_beyond(path: Path, flying: Flying) -> Path:
    """The path, if it stays within the limits.

    Raises:
        InputError: it does not; the first figure that is beyond its limit by the largest share is named.
    """
    worst = max(asked(path, flying), key=lambda each: each.value / each.limit)
    if worst.value > worst.limit * (1 + 1e-6):
        raise InputError(f"asks for a {worst.says}", field="path.time_s", fix="allow more time there, or raise the limit")
    return path


def _refuse_too_fast(speed: float, flying: Flying) -> None:
    """Steady level flight at the fastest wanted speed, in still air."""
    drag = flying.drag_per_m * speed**2
    lean = float(np.degrees(np.arctan2(drag, GRAVITY_M_S2)))
    if lean > flying.lean_deg:
        most = (GRAVITY_M_S2 * np.tan(np.radians(flying.lean_deg)) / flying.drag_per_m) ** 0.5
        raise InputError(
            f"{speed:g} m/s leans by {lean:.0f} deg even in steady flight (limit {flying.lean_deg:g})",
            field="path.speed_m_s",
            fix=f"give at most {most:.1f} m/s",
        )
    if flying.thrust_n is not None and (need := flying.mass_kg * float(np.hypot(drag, GRAVITY_M_S2))) > flying.thrust_n:
        raise InputError(f"{speed:g} m/s takes {need:.0f} N even in steady flight (limit {flying.thrust_n:g})", field="path.speed_m_s", fix="fly slower")


def _sampled(path: Path) -> tuple[Floats, Motion]:
    share = np.linspace(0, 1, _PER_STRETCH, endpoint=False)
    times = np.append((path.times_s[:-1, None] + np.diff(path.times_s)[:, None] * share).ravel(), path.duration_s)
    return times, path.at(times)


def _demands(motion: Motion, flying: Flying) -> list[tuple[str, str, Floats, float]]:
    force = specific_thrust_m_s2(motion, flying)
    found = [
        ("lean", "deg", lean_of(force), flying.lean_deg),
        ("acceleration", "m/s2", np.linalg.norm(motion.acceleration_m_s2, axis=-1), flying.acceleration_m_s2),
        ("jerk", "m/s3", np.linalg.norm(motion.jerk_m_s3, axis=-1), flying.jerk_m_s3),
    ]
    if flying.thrust_n is not None:
        found.append(("thrust", "N", flying.mass_kg * np.linalg.norm(force, axis=-1), flying.thrust_n))
    return found


def _fitted(path: Callable[[Floats], Path], durations: Floats, speeds: Floats) -> Floats:
    """Durations that bring the speed along the curve closest to an even change between the wanted ones."""
    from scipy.optimize import least_squares

    share = (np.arange(4) + 0.5) / 4
    wanted = speeds[:-1, None] + (speeds[1:] - speeds[:-1])[:, None] * np.append(share, 1.0)
    known = np.broadcast_to(((speeds[1:] + speeds[:-1]) > 0)[:, None], wanted.shape)
    scale = max(float(speeds.max()), 0.1)

    def off(log_d: Floats) -> Floats:
        d = np.exp(log_d)
        curve = path(d)
        times = curve.times_s[:-1, None] + d[:, None] * np.append(share, 1.0)
        miss = np.where(known, curve.at(times).speed_m_s - wanted, 0.0) / scale
        return np.concatenate([miss.ravel(), 0.03 * (log_d - np.log(durations))])

    start = np.log(durations)
    found = least_squares(off, start, bounds=(start - 0.6, start + 0.6), max_nfev=30)
    return np.exp(np.asarray(found.x, dtype=np.float64))


def _within(path: Callable[[Floats], Path], durations: Floats, flying: Flying) -> Floats:
    """Durations made longer, stretch by stretch, until nothing is beyond its limit."""
    for _ in range(_ROUNDS):
        curve = path(durations)
        _, motion = _sampled(curve)
        over = np.ones(len(durations))
        for name, _, values, limit in _demands(motion, flying):
            # The last sample of a stretch is the first of the next; both are to be slowed.
            rows = np.concatenate(
                [values[:-1].reshape(len(durations), _PER_STRETCH), np.append(values[_PER_STRETCH:-1:_PER_STRETCH], values[-1])[:, None]], axis=1
            )
            ratio = rows.max(axis=1) / (limit * (1 - 1e-6))
            over = np.maximum(over, np.where(ratio > 1, 1 + (ratio - 1) * (0.35 if name == "jerk" else 0.5), 1.0))
        if (over <= 1).all():
            return durations
        durations = durations * np.minimum(over + 1e-4, 1.3)
        if durations.sum() > 3000:
            break
    worst = max(asked(curve, flying), key=lambda each: each.value / each.limit)
    raise InputError(
        f"these speeds ask for a {worst.says}", field="path.speed_m_s", fix="bring the speeds closer together, the points farther apart, or raise the limit"
    )
