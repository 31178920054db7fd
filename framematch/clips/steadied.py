"""A clip's turns made to meet what was seen for a second and more, and, with the monitoring camera's clip beside it, that camera's way.

Both cameras go the same way, and a wide view tells it far better than a long lens: the key frames of the recorded clip are adjusted with the way that
the monitoring clip's own adjustment shows. Quick turns between key frames stay as they were read.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from framematch.clips.adjusted import Adjusted, Seen, adjusted
from framematch.clips.bearings import rotated
from framematch.clips.clock import Clocks, TurnedPath
from framematch.clips.corners import NOISE_PX
from framematch.clips.turns import Turns

Floats = NDArray[np.float64]
_AIM_S = 1.0  # standard deviation of the Gaussian over which the mount's quick flex is left out of the aim
_WAY_NOISE = 2.0  # times the scatter of the monitoring clip's details: standard deviation of its way from one key frame to the next (rendered flights)


def steadied(recording: Turns, monitoring: Turns | None = None, clocks: Clocks | None = None) -> Turns:
    """The clip's turns with slow errors taken out, each from its frame's middle row to that of the next; as they are where too little was seen."""
    from scipy.interpolate import CubicSpline
    from scipy.spatial.transform import Rotation

    path = TurnedPath(recording)
    seen = _seen(recording, path)
    if seen is None:
        return recording
    other = None
    if monitoring is not None and clocks is not None:
        theirs = _seen(monitoring, TurnedPath(monitoring))
        other = None if theirs is None else adjusted(theirs)
    steps = None if other is None or clocks is None else _steps(seen, other, clocks)
    if steps is not None:
        seen = replace(seen, way=np.concatenate([np.zeros((1, 3)), np.cumsum(steps[0], axis=0)]))
    found = adjusted(seen, steps=steps)
    if found is None:
        return recording
    recording = _along(recording, found)
    path, times = TurnedPath(recording), found.times_s
    more = CubicSpline(times, Rotation.from_matrix(found.attitude @ np.swapaxes(path.at(times), 1, 2)).as_rotvec())
    ends = np.append(recording.start_s, recording.end_s[-1])
    attitude = Rotation.from_rotvec(more(np.clip(ends, times[0], times[-1]))) * Rotation.from_matrix(path.at(ends))
    turn = (attitude[:-1].inv() * attitude[1:]).as_rotvec()
    return replace(recording, turn_rad=np.where(recording.read[:, None], turn, np.nan), row=np.zeros_like(recording.row), adjusted=found)


def _along(turns: Turns, found: Adjusted) -> Turns:
    """The turns with the way that was found, from frame to frame."""
    from scipy.interpolate import CubicSpline
    from scipy.spatial.transform import Rotation, Slerp

    times = found.times_s
    middle = np.clip((turns.start_s + turns.end_s) / 2, times[0], times[-1])
    axes = Slerp(times, Rotation.from_matrix(found.attitude))(np.clip(turns.start_s, times[0], times[-1])).inv()
    move = axes.apply(CubicSpline(times, found.way).derivative()(middle)) * np.interp(middle, times, found.nearness)[:, None]
    more = np.einsum("nij,nj->ni", turns.by_move, (move - turns.move_rad_s) * (turns.end_s - turns.start_s)[:, None])
    return replace(turns, turn_rad=turns.turn_rad + more, move_rad_s=np.where(turns.read[:, None], move, 0.0))


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
        way=np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)]),
        noise_rad=NOISE_PX / float(camera.lens.focal_mm * camera.pixels_per_mm.min()),
    )


def _steps(seen: Seen, other: Adjusted, clocks: Clocks) -> tuple[Floats, Floats]:
    """The way between key frames as the other camera has it, and its standard deviation; where that has none, as it was read."""
    from scipy.interpolate import CubicSpline
    from scipy.ndimage import gaussian_filter1d
    from scipy.spatial.transform import Rotation, Slerp

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
    way = CubicSpline(other.times_s, other.way)(within)
    both = inside[1:] & inside[:-1]
    own = np.diff(seen.way, axis=0)
    steps = np.where(both[:, None], np.einsum("kij,kj->ki", (axes[1:] + axes[:-1]) / 2, np.diff(way, axis=0)), own)
    lengths = np.linalg.norm(own, axis=1)
    loose = 5 * np.maximum(lengths, 0.3 * np.median(lengths)) + 1e-3
    return steps, np.where(both, _WAY_NOISE * other.scatter_rad, loose)
