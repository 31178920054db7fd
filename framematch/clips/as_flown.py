"""How far the guide was off at moments of a flight, and what would have served better."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.distances import Typical
from framematch.clips.flex import Flex
from framematch.clips.flown import Flown
from framematch.clips.moment import Instant
from framematch.geometry.pairing import Pairing
from framematch.guide.best import best_set_distance
from framematch.guide.tolerance import edge_places, frame_errors
from framematch.guide.transfer import inverse_m, to_display
from framematch.measure.check import Checked
from framematch.measure.corrected import guide_off_percent
from framematch.measure.figure import NORMAL_95
from framematch.measure.unknowns import AIM, COUNT, mounted, moved

Floats = NDArray[np.float64]
#: Of slopes: in each of the values, and in an inverse distance, 1/m.
_STEP = np.array([1e-4] * 3 + [1e-3] * 3 + [1e-3] * 2 + [1e-4] * 4 + [1e-3] * 2)
_STEP_W = 1e-3


@dataclass(frozen=True, kw_only=True, eq=False)
class Moment:
    """One instant of the flight.

    Args:
        instant: its frames' times.
        details: that both frames show.
        aim_deg, aim_95_deg: pan, tilt, roll, quick flex left out (a mean under a Gaussian of ``flex.SLOW_S``: what is slower than about
            2 Hz is in it), and half-widths of their 95 % intervals.
        distance_m: typical one of what both show; infinite where none shows.
        off_percent: how far the guide as flown, its outline as the file sets it, was off from what was recorded at that distance: worst edge, percent
            of the frame.
        off_95_percent: half-width of its 95 % interval.
    """

    instant: Instant
    details: int
    aim_deg: tuple[float, float, float]
    aim_95_deg: tuple[float, float, float]
    distance_m: float
    off_percent: float
    off_95_percent: float


def moments_of(rig: Pairing, solved: Flown, instants: Sequence[Instant], *, fewest: int) -> list[Moment]:
    """Each instant of a flight of which so many details agree, the guide as the file sets it."""
    lines, _ = to_display(rig, edge_places(rig), inverse_m(best_set_distance(rig)[0]))
    return [_moment(rig, lines, solved, i, instant) for i, instant in enumerate(instants) if solved.sights[i].good.sum() >= fewest]


def _moment(rig: Pairing, lines: Floats, solved: Flown, index: int, instant: Instant) -> Moment:
    """A moment's own aim and distance, and how far the guide's lines (edges, points, 2) on the display were off there."""
    values, covariance, sight = solved.values_at(index), solved.covariance_at(index), solved.sights[index]
    shown = solved.typical[index]
    w = shown.w
    off, slopes, along = _guide_off(rig, lines, values, shown)
    spread = np.sqrt(np.maximum(np.einsum("pi,ij,pj->p", slopes, covariance, slopes), 0) + along**2 * shown.variance)
    worst = int(np.abs(off).argmax())
    turns = np.stack([(_aim(rig, values + m) - _aim(rig, values - m)) / 2e-6 for m in 1e-6 * np.eye(COUNT)[:3]], axis=1)
    half = NORMAL_95 * np.sqrt(np.diag(turns @ covariance[:3, :3] @ turns.T))
    pan, tilt, roll = (float(a) for a in _aim(rig, values))
    return Moment(
        instant=instant,
        details=int(sight.good.sum()),
        aim_deg=(pan, tilt, roll),
        aim_95_deg=(float(half[0]), float(half[1]), float(half[2])),
        distance_m=1 / w if w > 1e-3 else math.inf,
        off_percent=float(np.abs(off[worst])),
        off_95_percent=float(NORMAL_95 * spread[worst]),
    )


def _aim(rig: Pairing, values: Floats) -> Floats:
    now = mounted(rig.mount, values)
    return np.array([now.pan_deg, now.tilt_deg, now.roll_deg])


def _guide_off(rig: Pairing, lines: Floats, values: Floats, shown: Typical) -> tuple[Floats, Floats, Floats]:
    """By how much lines miss what is shown.

    Returns:
        (P,) percent at points of the edges; (P, 18) slopes with the moment's values, with the turn at which the distance, which goes along, was found, and
        with the factor of the relative distances; (P,) slopes with the inverse distance.
    """

    def errors(v: Floats, inverse: float) -> Floats:
        return np.asarray(frame_errors(moved(rig, v), lines, inverse)).ravel()

    w = shown.w
    here = errors(values, w)
    along = (errors(values, w + _STEP_W) - errors(values, max(w - _STEP_W, 0.0))) / (_STEP_W + min(w, _STEP_W))
    slopes = []
    for i in range(COUNT):
        move = np.zeros(COUNT)
        move[i] = _STEP[i]
        slopes.append((errors(values + move, w) - errors(values - move, w)) / (2 * _STEP[i]))
    drawn = along[:, None] * shown.slope
    own = np.stack(slopes, axis=-1)
    own[:, AIM.stop :] += drawn[:, AIM.stop :]
    out = np.column_stack([own, drawn[:, AIM], along * shown.by_unit])
    good = np.isfinite(here) & np.isfinite(out).all(axis=1)
    return here[good], out[good], along[good]


def quick_percent(checked: Checked, flex: Flex) -> float:
    """Of a turn each way across that 95 % of normal flex stays within."""
    now = checked.after.mount
    each = NORMAL_95 * flex.rms_deg / math.sqrt(2)
    turned = (replace(now, pan_deg=now.pan_deg + each), replace(now, tilt_deg=now.tilt_deg + each))
    return max(guide_off_percent(checked.after, replace(checked.after, mount=mount), checked.distance_m) for mount in turned)


def set_distance_for(rig: Pairing, distances_m: Sequence[float]) -> float:
    """Set distance of the outline that serves best for what was filmed: from the nearest twentieth of the moments to the farthest."""
    inverse = np.array([0.0 if math.isinf(d) else 1 / d for d in distances_m])
    low, high = np.percentile(inverse, (5, 95))
    near = 1 / max(float(high), 1e-6)
    far = math.inf if low < 1e-4 else 1 / float(low)
    return best_set_distance(replace(rig, near_m=max(near, rig.mount.forward_mm / 1000 + 0.05), far_m=max(far, near)))[0]
