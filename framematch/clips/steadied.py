"""A clip's turns made to meet what was seen for a second and more, and, with the monitoring camera's clip beside it, that camera's way.

Both cameras go the same way, and a wide view tells it far better than a long lens: the key frames of the recorded clip are adjusted with the way that
the monitoring clip's own adjustment shows, once they have been by themselves (begun with it, what only one clip shows ends in a state that is none of the
best). Turns from frame to frame are read again along the way that was found: how a camera moves is what they tell worst, and turns read with another
move bend all rows. The other camera is carried round while the rig turns, by the offset, as quick as its own adjustment shows such a thing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.adjusted import Adjusted, Seen, adjusted
from framematch.clips.bearings import rotated
from framematch.clips.clock import Clocks, TurnedPath
from framematch.clips.corners import LEAST_NOISE_PX
from framematch.clips.held import Shown
from framematch.clips.turns import Turns

Floats = NDArray[np.float64]
_AIM_S = 1.0  # standard deviation of the Gaussian over which the mount's quick flex is left out of the aim
_ROUNDS = 2  # of adjusting, the turns read again between them
#: How well the way knows a step's mean speed over distance, along it, where distances are in it, and across it, as shares of it, and at least, rad/s.
_ALONG, _ACROSS, _LEAST_RAD_S = 0.05, 0.02, 0.001
_WAY_NOISE = 3.0  # times the scatter of the monitoring clip's details: standard deviation of its way from one key frame to the next (rendered flights)


@dataclass(frozen=True, kw_only=True, eq=False)
class Beside:
    """The monitoring clip of the same flight: its turns, how the clocks go together, and (3,) where its camera stands in the recording one's axes, m."""

    turns: Turns
    clocks: Clocks
    offset_m: Floats


def steadied(recording: Turns, beside: Beside | None = None) -> Turns:
    """The clip's turns with slow errors taken out, each from its frame's middle row to that of the next; as they are where too little was seen."""
    other = None if beside is None else _adjusted(beside.turns, rounds=1)[1]  # a wide view's turns are read well enough
    recording, found = _adjusted(recording, None if other is None or beside is None else (other, beside))
    if found is None:
        return recording
    return replace(_held(recording, found), adjusted=found, steps=())


def _adjusted(turns: Turns, other: tuple[Adjusted, Beside] | None = None, *, rounds: int = _ROUNDS) -> tuple[Turns, Adjusted | None]:
    """The turns read again along the way that their adjustment shows, and the adjustment of these: rows are brought to one time by them."""
    found = None
    for count in range(rounds):
        seen = _seen(turns, TurnedPath(turns))
        if seen is None:
            break
        if found is not None:
            seen = replace(seen, way=_carried(found, seen.attitude))
        shown = None
        if other is not None and count > 0:
            seen, shown = _shown(seen, *other)
        again = adjusted(seen, shown=shown)
        if again is None:
            break
        found = again
        if count < rounds - 1:
            turns = _along(turns, found)
    return turns, found


def _carried(found: Adjusted, attitude: Floats) -> Floats:
    """The way that was found, its steps in the camera's axes as before."""
    steps = np.einsum("kij,klj,kl->ki", attitude[:-1], found.attitude[:-1], np.diff(found.way, axis=0))
    return _summed(steps)


def _summed(steps: Floats) -> Floats:
    """(K, 3) places of (K - 1, 3) steps."""
    return np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])


def _held(turns: Turns, found: Adjusted) -> Turns:
    """The turns led through the attitudes of key frames."""
    from scipy.interpolate import CubicSpline
    from scipy.spatial.transform import Rotation

    path, times = TurnedPath(turns), found.times_s
    more = CubicSpline(times, Rotation.from_matrix(found.attitude @ np.swapaxes(path.at(times), 1, 2)).as_rotvec())
    ends = np.append(turns.start_s, turns.end_s[-1])
    attitude = Rotation.from_rotvec(more(np.clip(ends, times[0], times[-1]))) * Rotation.from_matrix(path.at(ends))
    turn = (attitude[:-1].inv() * attitude[1:]).as_rotvec()
    return replace(turns, turn_rad=np.where(turns.read[:, None], turn, np.nan), row=np.zeros_like(turns.row))


def _along(turns: Turns, found: Adjusted) -> Turns:
    """The turns read again along the way that was found."""
    from scipy.interpolate import CubicSpline
    from scipy.spatial.transform import Rotation, Slerp

    times = found.times_s
    middle = np.clip((turns.start_s + turns.end_s) / 2, times[0], times[-1])
    axes = Slerp(times, Rotation.from_matrix(found.attitude))(np.clip(turns.start_s, times[0], times[-1])).inv()
    move = axes.apply(CubicSpline(times, found.way).derivative()(middle)) * np.interp(middle, times, found.nearness)[:, None]
    size = (move**2).sum(axis=1)[:, None, None]
    return turns.again(move, _ALONG**2 * move[:, :, None] * move[:, None, :] + (_ACROSS**2 * size + _LEAST_RAD_S**2) * np.eye(3))


def _seen(turns: Turns, path: TurnedPath) -> Seen | None:
    """Details of a clip's key frames, brought to their times."""
    camera, keyed = turns.camera, turns.keyed
    if keyed is None:
        return None
    inside = (keyed.times_s >= path.knots[0]) & (keyed.times_s <= path.knots[-1])
    if inside.sum() < 2:
        return None
    times = keyed.times_s[inside]
    use = inside[keyed.key]
    key, places = (np.cumsum(inside) - 1)[keyed.key[use]], keyed.places_px[use]
    rays, _ = camera.unproject(places)
    later = (places[:, 1] / camera.raster_px[1] - 0.5) * (camera.readout_ms or 0.0) / 1000
    attitude = path.at(times)
    middle = (turns.start_s + turns.end_s) / 2
    speed = np.einsum("kij,kj->ki", attitude, np.stack([np.interp(times, middle, turns.move_rad_s[:, i]) for i in range(3)], axis=1))
    steps = (speed[1:] + speed[:-1]) / 2 * np.diff(times)[:, None]
    return Seen(
        times_s=times,
        key=key,
        track=keyed.track[use],
        rays=rotated(path.turned(times[key] + later) - path.turned(times[key]), rays),
        later_s=later,
        attitude=attitude,
        way=_summed(steps),
        noise_rad=LEAST_NOISE_PX / camera.pixels_per_rad,
    )


def _shown(seen: Seen, other: Adjusted, beside: Beside) -> tuple[Seen, Shown]:
    """Key frames with the way as the other camera has it, where that shows it."""
    from scipy.interpolate import CubicSpline
    from scipy.ndimage import gaussian_filter1d
    from scipy.spatial.transform import Rotation, Slerp

    clocks = beside.clocks
    times = clocks.monitoring_s(seen.times_s)
    within = np.clip(times, other.times_s[0], other.times_s[-1])
    theirs = Slerp(other.times_s, Rotation.from_matrix(other.attitude))(within).as_matrix()
    axes = np.einsum("kij,jl,kml->kim", seen.attitude, clocks.recording_from_monitoring, theirs)  # ours from theirs
    inside = within == times
    weight = inside.astype(float) + 1e-6
    width = _AIM_S / float(np.median(np.diff(seen.times_s)))
    mean = gaussian_filter1d(axes * weight[:, None, None], width, axis=0)
    left, _, right = np.linalg.svd(mean)
    axes = left @ right
    carried = other.shows(other.attitude @ clocks.recording_from_monitoring.T @ beside.offset_m)
    both = inside[1:] & inside[:-1]
    own, axes = np.diff(seen.way, axis=0), (axes[1:] + axes[:-1]) / 2
    shown, lever = (np.einsum("kij,kj->ki", axes, np.diff(CubicSpline(other.times_s, way)(within), axis=0)) for way in (other.way, carried))
    if both.any():  # one unit for all
        own = own * (np.linalg.norm(shown[both], axis=1).sum() / max(float(np.linalg.norm(own[both], axis=1).sum()), 1e-9))
    seen = replace(seen, way=_summed(np.where(both[:, None], shown, own)))
    return seen, Shown(steps=both, noise=_WAY_NOISE * other.scatter_rad, lever=lever, jerk=other.jerk)
