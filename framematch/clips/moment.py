"""Pictures of two clips brought to one moment: as if both cameras had seen all their rows at once, at the same time.

A frame's rows were read one after another and the other clip's nearest frame is some milliseconds off. The camera's own turns say where every row
pointed; each pixel is fetched from where it stood then. What the camera's way draws within those milliseconds stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from framematch.clips.bearings import rotated
from framematch.clips.clock import Clocks, TurnedPath
from framematch.clips.turns import Turns
from framematch.geometry.camera import Camera
from framematch.measure.stills import Still

Floats = NDArray[np.float64]
_GRID_PX = 8  # where rays are worked out; between them it is all but straight
MOST_APART_S = 0.05
_ROUND, _UNEVEN = 3, 1.0  # steps before and after a frame that are to be even, and by how much each that is not counts against it
NEAR_S = 0.1  # a frame so near a wanted time will do


@dataclass(frozen=True, kw_only=True)
class Instant:
    """A frame of each clip that were taken all but together: their times, each in its own clip."""

    recording_s: float
    monitoring_s: float


def instants(recording: Turns, monitoring: Turns, clocks: Clocks, *, every_s: float, most: int, wanted_s: Sequence[float] = ()) -> list[Instant]:
    """Of each piece of the clips, the pair of frames in which the rig turned least and no frame is missing nearby.

    Args:
        wanted_s: times of the recording clip, of each of which the nearest pair is taken as well.
    """
    low, high = clocks.recording_s(np.array(clocks.span_s))
    pieces = max(1, min(most, int((high - low) / every_s)))
    edges = np.linspace(low, high, pieces + 1)
    path = TurnedPath(recording)
    own, theirs = recording.start_s, monitoring.start_s
    there = clocks.recording_s(theirs)
    speed = np.linalg.norm(path.rate(np.clip(own, path.knots[0], path.knots[-1])), axis=1)
    good, other = (turns.read & np.append(True, turns.read[:-1]) for turns in (recording, monitoring))
    uneven = [_uneven(turns) for turns in (recording, monitoring)]
    out = set()
    for start, end in [*pairwise(edges), *((t - NEAR_S, t + NEAR_S) for t in wanted_s)]:
        choice = []
        for i in np.flatnonzero(good & (own > start) & (own < end)):
            j = int(np.abs(there - own[i]).argmin())
            apart = abs(there[j] - own[i])
            if other[j] and apart < MOST_APART_S:
                choice.append((speed[i] * (1 + 20 * apart) * (1 + _UNEVEN * (uneven[0][i] + uneven[1][j])), i, j))
        if choice:
            _, i, j = min(choice)
            out.add((float(own[i]), float(theirs[j])))
    return [Instant(recording_s=a, monitoring_s=b) for a, b in sorted(out)]


def _uneven(turns: Turns) -> Floats:
    """(N,) how many of the steps round each frame are longer than usual or were not read: turns between frames, and flex, are badly known there."""
    long = ((turns.end_s - turns.start_s > 1.5 * turns.step_s) | ~turns.read).astype(float)
    return np.convolve(long, np.ones(2 * _ROUND), mode="full")[_ROUND - 1 : _ROUND - 1 + len(long)]


def at_one_time(still: Still, camera: Camera, path: TurnedPath, *, taken_s: float, wanted_s: float, flexed_rad: Floats | None = None) -> Still:
    """A frame as the camera would have seen it at a moment, all rows at once.

    Args:
        camera: at the still's size, with its read-out.
        path: the camera's own turns, in its clip's time.
        taken_s, wanted_s: when its middle row was read, and the moment.
        flexed_rad: (3,) by which the camera stood turned then, which is taken back; nothing if not given.
    """
    import cv2

    width, height = still.size_px
    readout = (camera.readout_ms or 0.0) / 1000
    x, y = (np.linspace(0, n, max(2, n // _GRID_PX) + 1) for n in (width, height))
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    rays, ok = camera.unproject(grid)
    if flexed_rad is not None:
        rays = rotated(-flexed_rad, rays)
    taken, wanted = (float(np.clip(t, path.knots[0], path.knots[-1])) for t in (taken_s, wanted_s))
    rays = rays @ path.between(wanted, taken)  # from the camera as it stood at the moment to the one at the frame's middle row
    source = grid
    for _ in range(3):
        times = taken_s + (source[:, 1] / height - 0.5) * readout
        turn = path.turned(np.clip(times, path.knots[0], path.knots[-1])) - path.turned(np.array(taken))
        there, seen = camera.project(rotated(-turn, rays))
        source = np.where((ok & seen)[:, None] & np.isfinite(there), there, grid)
    shape = (len(y), len(x))
    across, down = (_spread(source[:, i].reshape(shape), (width, height)) for i in range(2))
    pixels = cv2.remap(still.pixels, (across - 0.5).astype(np.float32), (down - 0.5).astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return Still(name=still.name, pixels=np.asarray(pixels, dtype=np.uint8))


def moved_on(still: Still, camera: Camera, *, move_rad_s: Floats, later_s: float) -> Still:
    """A frame brought to one moment as if the camera had stood where its way took it a little later than each row was read.

    What is at the typical distance lies where it would be seen; the rest all but does.

    Args:
        move_rad_s: (3,) the camera's speed over that distance, its own axes.
        later_s: than the frame's middle row.
    """
    import cv2

    width, height = still.size_px
    x, y = (np.linspace(0, n, max(2, n // _GRID_PX) + 1) for n in (width, height))
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    rays, ok = camera.unproject(grid)
    apart = later_s - (grid[:, 1] / height - 0.5) * (camera.readout_ms or 0.0) / 1000
    there, seen = camera.project(rays + move_rad_s * apart[:, None])
    source = np.where((ok & seen)[:, None] & np.isfinite(there), there, grid).reshape(len(y), len(x), 2)
    across, down = (_spread(source[..., i], (width, height)) for i in range(2))
    pixels = cv2.remap(still.pixels, (across - 0.5).astype(np.float32), (down - 0.5).astype(np.float32), cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return Still(name=still.name, pixels=np.asarray(pixels, dtype=np.uint8))


def _spread(nodes: Floats, size_px: tuple[int, int]) -> Floats:
    """(height, width) values at pixel centres of values (rows, columns) at evenly spaced nodes, edges included; straight between."""
    import cv2

    rows, columns = nodes.shape
    across = (np.arange(size_px[0]) + 0.5) / size_px[0] * (columns - 1)
    down = (np.arange(size_px[1]) + 0.5) / size_px[1] * (rows - 1)
    at = np.meshgrid(across.astype(np.float32), down.astype(np.float32))
    return np.asarray(cv2.remap(nodes, at[0], at[1], cv2.INTER_LINEAR), dtype=np.float64)
