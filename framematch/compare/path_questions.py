"""The questions the other way round: which camera tilt serves a whole flight best, and how fast it may be flown."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.compare.along import Thing
from framematch.errors import InputError
from framematch.flight.power import Pack, Rig, power_of
from framematch.geometry.pairing import Pairing
from framematch.guide.shown import metres, quantity
from framematch.optics.motion import image_velocity_px_s, in_frame_widths
from framematch.shot.contact import Box, Surfaces, room_along
from framematch.shot.flown import Flown
from framematch.shot.horizon import horizon_in
from framematch.shot.path import FASTEST_M_S, Path
from framematch.shot.timing import asked

Floats = NDArray[np.float64]

STEEPEST_DEG = 80.0
_MOMENTS = 1001
_SLOWEST, _FASTEST = 0.05, 20.0  # of the speeds as planned


@dataclass(frozen=True, kw_only=True)
class BestTilt:
    """The fixed tilt of the recording camera on the airframe that keeps something within bounds longest.

    Args:
        tilt_deg: middle of the tilts that do (``from_deg`` to ``to_deg``).
        share_percent: of the flight's time; ``now_percent`` with the tilt as it is.
    """

    tilt_deg: float
    from_deg: float
    to_deg: float
    share_percent: float
    now_percent: float


def best_tilt(pairing: Pairing, flown: Flown, *, low_percent: float, high_percent: float, subject: Thing | None = None) -> BestTilt:
    """The tilt that keeps the horizon, or a subject's middle, between two heights of the frame for the longest part.

    For each moment the tilts that do are one interval, since tilting up moves everything in the middle column down;
    the tilt in most of them is found exactly from their ends.

    Args:
        low_percent, high_percent: of the frame's height, 0 at its bottom edge.

    Raises:
        InputError: bounds that are not in order, or no tilt serves at any moment.
    """
    if not 0 <= low_percent < high_percent <= 100:
        raise InputError(f"{low_percent:g} to {high_percent:g} % are not bounds in the frame", field="bounds", fix="give the lower first, within 0 to 100")
    times = np.linspace(0, flown.duration_s, _MOMENTS)
    airframe = flown.airframe(times)

    def height(tilt_deg: Floats) -> Floats:
        turn = _tilted(airframe.rotation, tilt_deg)
        if subject is None:
            return horizon_in(pairing.recording, pairing.frame, replace(airframe, b="recording", rotation=turn))[0]
        middle = subject.points_m[len(subject.points_m) // 2] - airframe.translation_m
        pixel, ok = pairing.recording.project(np.einsum("tji,tj->ti", turn, middle))
        return np.where(ok, 100 * (pairing.frame.bottom - pixel[:, 1]) / pairing.frame.height, np.nan)

    grid = np.linspace(-STEEPEST_DEG, STEEPEST_DEG, 65)
    heights = np.stack([height(np.full(len(times), t)) for t in grid])  # falls with the tilt
    ends = [_crossing(grid, heights, height, level) for level in (high_percent, low_percent)]
    first, last = ends
    ok = np.isfinite(first) & np.isfinite(last)
    if not ok.any():
        raise InputError("no tilt brings it between these heights at any moment", field="bounds", fix="check the bounds and where it is flown")
    places = np.sort(np.concatenate([first[ok], last[ok]]))
    middles = (places[1:] + places[:-1]) / 2
    inside = ((first[ok] <= middles[:, None]) & (middles[:, None] <= last[ok])).sum(axis=1)
    most = int(inside.argmax())
    k = most
    while k + 1 < len(inside) and inside[k + 1] == inside[most]:
        k += 1
    low, high = float(places[most]), float(places[k + 1])
    now = height(np.full(len(times), flown.camera_tilt_deg))
    return BestTilt(
        tilt_deg=(low + high) / 2,
        from_deg=low,
        to_deg=high,
        share_percent=100 * float(inside[most]) / len(times),
        now_percent=100 * float(((now >= low_percent) & (now <= high_percent)).mean()),
    )


def _tilted(turn: Floats, tilt_deg: Floats) -> Floats:
    """Rotations (T, 3, 3) of the airframe with a camera tilted on it by (T,)."""
    c, s, none = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg)), np.zeros(len(tilt_deg))
    rows = np.stack([np.stack([none + 1, none, none], -1), np.stack([none, c, -s], -1), np.stack([none, s, c], -1)], -2)
    return np.asarray(turn @ rows)


def _crossing(grid: Floats, heights: Floats, height: Callable[[Floats], Floats], level: float) -> Floats:
    """Tilt (T,) at which the height falls through a level; NaN where it doesn't."""
    with np.errstate(invalid="ignore"):
        falls = (heights[:-1] >= level) & (heights[1:] < level)
    there, k = falls.any(axis=0), falls.argmax(axis=0)
    low, high = grid[k], grid[k + 1]
    for _ in range(30):
        middle = (low + high) / 2
        above = height(middle) >= level
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(there, (low + high) / 2, np.nan)


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """What is to stay right, each only where it is given.

    Args:
        blur_percent: of a still thing ``blur_at_m`` ahead in the middle of the frame, of its width.
        horizon_percent: lowest and highest height of the horizon in the frame.
        horizon_roll_deg: largest.
        pack_percent: of the pack's usable energy.
        clear_m: room to the surfaces, more than 0.
    """

    blur_percent: float | None = None
    blur_at_m: float = 5.0
    horizon_percent: tuple[float, float] | None = None
    horizon_roll_deg: float | None = None
    pack_percent: float | None = None
    clear_m: float | None = None


@dataclass(frozen=True, kw_only=True)
class Fastest:
    """How fast the path may be flown.

    Args:
        speed_m_s: the path's highest speed then; ``factor`` over the planned one.
        first_wrong: what goes wrong first above that, in words, with where.
        each: for everything on the list how fast the path may be flown for it alone.
        at_least: what is wrong below a speed too, as a pack that slow flying empties, and that speed.
        wrong_anyway: what is wrong at every speed.
    """

    speed_m_s: float
    factor: float
    first_wrong: str
    each: tuple[tuple[str, float], ...]
    at_least: tuple[tuple[str, float], ...]
    wrong_anyway: tuple[str, ...]


def fastest(
    pairing: Pairing,
    flown: Flown,
    bounds: Bounds,
    *,
    shutter_s: float = 1 / 48,
    rig: Rig | None = None,
    pack: Pack | None = None,
    box: Box | None = None,
    surfaces: Surfaces | None = None,
) -> Fastest:
    """The highest speed at which nothing on the list goes wrong: the whole path flown faster or slower by one factor.

    Always on the list are the aircraft's own limits: lean, acceleration, jerk and, where they are known, thrust and
    turn rate. For each the first speeds at which it is right, from slow to fast, are looked for in steps of 8 % (room: of a
    third), their ends then halved to 0.01 %; the answer is the highest that all of these share.

    Raises:
        InputError: the flight is a log, or there is no such speed from a twentieth to twenty times those planned.
    """
    path = flown.course
    if not isinstance(path, Path):
        raise InputError("a log was flown as fast as it was", field="path", fix="give a path for this question")
    peak = float(flown.at(np.linspace(0, flown.duration_s, 2001)).speed_m_s.max())
    checks = _checks(pairing, flown, bounds, shutter_s=shutter_s, rig=rig, pack=pack, box=box, surfaces=surfaces)
    top = min(_FASTEST, 0.999 * FASTEST_M_S / peak)
    right = {name: _right(lambda factor, over=over: over(at_speed(flown, path, factor)), top, 1.33 if name.endswith("room") else 1.08) for name, over in checks}  # type: ignore[misc]
    anyway = tuple(name for name, ends in right.items() if ends is None)
    found = {name: ends for name, ends in right.items() if ends is not None}
    if not found:
        raise InputError(f"{', '.join(anyway)}: wrong at every speed", field="bounds", fix="loosen the bounds, or change the path")
    slow, fast = max(found, key=lambda name: found[name][0]), min(found, key=lambda name: found[name][1])
    factor = found[fast][1]
    if found[slow][0] > factor:
        raise InputError(
            f"{slow} is wrong below {quantity(peak * found[slow][0], 'm/s', '.1f')}, {fast} above {quantity(peak * factor, 'm/s', '.1f')}",
            field="bounds",
            fix="loosen one of them",
        )
    return Fastest(
        speed_m_s=peak * factor,
        factor=factor,
        first_wrong=fast if factor < top else "nothing up to there",
        each=tuple((name, peak * ends[1]) for name, ends in sorted(found.items(), key=lambda each: each[1][1])),
        at_least=tuple((name, peak * ends[0]) for name, ends in found.items() if ends[0] > _SLOWEST),
        wrong_anyway=anyway,
    )


def at_speed(flown: Flown, path: Path, factor: float) -> Flown:
    """The same flight at ``factor`` times its speeds, on the same curve."""
    quicker = replace(path, times_s=path.times_s / factor, start_m_s=path.start_m_s * factor, end_m_s=path.end_m_s * factor)
    return replace(flown, course=quicker)


def _right(over: Callable[[float], float], top: float, step: float) -> tuple[float, float] | None:
    """The first factors, from slow to fast, between which ``over`` stays at or below 1 without a break; None where it never is."""

    def right(factor: float) -> bool:
        try:
            return over(factor) <= 1
        except InputError:  # no longer to be followed upright
            return False

    def end(good: float, bad: float) -> float:
        while abs(bad - good) > 1e-4 * good:
            middle = (good + bad) / 2
            good, bad = (middle, bad) if right(middle) else (good, middle)
        return good

    factors = np.exp(np.arange(math.log(_SLOWEST), math.log(top), math.log(step))).tolist() + [top]
    first = next((i for i, f in enumerate(factors) if right(f)), None)
    if first is None:
        return None
    wrong = next((i for i in range(first + 1, len(factors)) if not right(factors[i])), None)
    return (
        end(factors[first], factors[first - 1]) if first else _SLOWEST,
        top if wrong is None else end(factors[wrong - 1], factors[wrong]),
    )


def _checks(
    pairing: Pairing,
    flown: Flown,
    bounds: Bounds,
    *,
    shutter_s: float,
    rig: Rig | None,
    pack: Pack | None,
    box: Box | None,
    surfaces: Surfaces | None,
) -> list[tuple[str, Callable[[Flown], float]]]:
    """Name and a figure that is above 1 where it goes wrong."""
    flying = flown.flying

    def times(f: Flown, count: int = 961) -> Floats:
        return np.linspace(0, f.duration_s, count)

    def limit(name: str) -> Callable[[Flown], float]:
        def ratio(f: Flown) -> float:
            assert isinstance(f.course, Path)
            return next(each.value / each.limit for each in asked(f.course, flying) if each.name == name)

        return ratio

    out: list[tuple[str, Callable[[Flown], float]]] = [(name, limit(name)) for name in ("lean", "acceleration", "jerk")]
    if flying.thrust_n is not None:
        out.append(("thrust", limit("thrust")))
    if flying.turn_deg_s is not None:
        most = math.radians(flying.turn_deg_s)
        out.append(("turn rate", lambda f: float(np.linalg.norm(f.turn_rad_s(times(f)), axis=1).max()) / most))
    if bounds.blur_percent is not None:
        ahead = _ahead(pairing, bounds.blur_at_m)
        blur = bounds.blur_percent

        def blurs(f: Flown) -> float:
            t = times(f)
            speed = image_velocity_px_s(pairing.recording, ahead, velocity_m_s=f.velocity_m_s(t), turn_rad_s=f.turn_rad_s(t))
            return float(100 * shutter_s * in_frame_widths(pairing.recording, pairing.frame, speed).max()) / blur

        out.append((f"blur {metres(bounds.blur_at_m)} ahead", blurs))
    if bounds.horizon_percent is not None:
        low, high = bounds.horizon_percent
        out.append(("horizon's height", lambda f: _outside(horizon_in(pairing.recording, pairing.frame, f.recording(times(f)))[0], low, high)))
    if bounds.horizon_roll_deg is not None:
        roll = bounds.horizon_roll_deg
        out.append(("horizon's roll", lambda f: _outside(horizon_in(pairing.recording, pairing.frame, f.recording(times(f)))[1], -roll, roll)))
    if bounds.pack_percent is not None and rig is not None and pack is not None:
        usable = pack.usable_wh * bounds.pack_percent / 100

        def used(f: Flown) -> float:
            t = times(f)
            air = f.at(t).velocity_m_s - np.array(flying.wind_m_s)
            drawn = power_of(rig, density_kg_m3=flying.density_kg_m3, thrust_n=flying.mass_kg * f.thrust_m_s2(t), air_m_s=air)
            return float(np.trapezoid(drawn, t)) / 3600 / usable

        out.append(("pack", used))
    if bounds.clear_m is not None and box is not None and surfaces is not None:
        grown, against = bounds.clear_m, surfaces

        def touches(f: Flown) -> float:
            closest = room_along(f, box, against).closest
            return math.inf if closest is not None and closest.distance_m < grown else 0.0

        out.append((f"{quantity(100 * grown, 'cm', '.0f')} of room", touches))
    return out


def _ahead(pairing: Pairing, distance_m: float) -> Floats:
    f = pairing.frame
    ray, _ = pairing.recording.unproject(((f.left + f.right) / 2, (f.top + f.bottom) / 2))
    out: Floats = ray / ray[2] * distance_m
    return out


def _outside(values: Floats, low: float, high: float) -> float:
    """1 at a bound, above 1 outside, infinite where not to be seen."""
    middle, half = (low + high) / 2, (high - low) / 2
    if np.isnan(values).any():
        return math.inf
    return float(np.abs(values - middle).max()) / half
