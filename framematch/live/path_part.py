"""Where the recording camera stands, for the browser: at each stop of a slider, and along the run in even steps of time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.pose import Pose
from framematch.live.parts import packed
from framematch.shot.opening import Opening
from framematch.shot.shot import Shot

Floats = NDArray[np.float64]

RATE_HZ = 60.0
FROM_M, TO_M = 12.0, -3.0  # of the run that is shown, before the opening
LONGEST_S = 60.0  # a slow run is shown from nearer
MOST_POSES = 7200  # a long course is sampled less often


def path_part(*, stops: Pose, run: Pose, before_m: ArrayLike, rate_hz: float = RATE_HZ, fps: float = 24.0, openings: Sequence[Opening] = ()) -> bytes:
    """The path's part.

    Args:
        stops: ``scene_from_recording`` (n) at each stop of the distance slider.
        run: the same (m) along the run, ``rate_hz`` a second.
        before_m: (m,) before the opening at each of them, below 0 past it.
        fps: of the recording camera; one step of the run is one of its frames.
        openings: that are flown.
    """
    before = np.asarray(before_m, dtype=np.float64)
    origin = stops.translation_m[0]
    head = {
        "origin": origin.tolist(),
        "rate": rate_hz,
        "fps": fps,
        "crossing": int(np.argmin(np.abs(before))),
        "openings": [opening.scene_from_opening.points(opening.outline(12)).tolist() for opening in openings],
    }
    arrays = {"stops": _rows(stops, origin), "run": _rows(run, origin), "before": before.astype(np.float32)}
    return packed("path", head, arrays)


def shot_path(shot: Shot, stops_m: Sequence[float]) -> bytes:
    """The part of a shot: its course with the aircraft's lean where it has one, else its straight run past the opening, at its own speed.

    Raises:
        InputError: the shot has no opening, or a course that can't be flown.
    """
    flown, opening = shot.flown, shot.opening.scene_from_opening
    rate = RATE_HZ
    if flown is None:
        start = min(FROM_M, TO_M + shot.run.speed_m_s * LONGEST_S)
        before = np.arange(start, TO_M, -shot.run.speed_m_s / rate)
        run = shot.scene_from_recording(before)
    else:
        rate = min(rate, MOST_POSES / flown.duration_s)
        run = flown.recording(np.arange(0.0, flown.duration_s, 1 / rate))
        before = -opening.inverse.points(run.translation_m)[..., 2]
    return path_part(stops=shot.scene_from_recording(np.array(stops_m)), run=run, before_m=before, rate_hz=rate, fps=shot.run.rate_fps, openings=shot.openings)


def _rows(poses: Pose, origin: Floats) -> NDArray[np.float32]:
    """Place from the origin and quaternion x, y, z, w of each pose, (n, 7)."""
    return np.concatenate([poses.translation_m - origin, _quaternions(poses.rotation)], axis=1).astype(np.float32)


def _quaternions(turn: Floats) -> Floats:
    """Unit quaternions (n, 4), x, y, z, w, of rotations (n, 3, 3): the row of their products with the largest of the four, as Shepperd (1978) takes it.

    SciPy's would do, but reading it takes longer than all else that the first picture waits for.
    """
    (xx, xy, xz), (yx, yy, yz), (zx, zy, zz) = np.moveaxis(turn, (1, 2), (0, 1))
    products = np.stack(
        [
            np.stack([1 + xx - yy - zz, xy + yx, xz + zx, zy - yz], axis=-1),
            np.stack([xy + yx, 1 - xx + yy - zz, yz + zy, xz - zx], axis=-1),
            np.stack([xz + zx, yz + zy, 1 - xx - yy + zz, yx - xy], axis=-1),
            np.stack([zy - yz, xz - zx, yx - xy, 1 + xx + yy + zz], axis=-1),
        ],
        axis=1,
    )
    largest = products[np.arange(len(turn)), np.argmax(np.einsum("nii->ni", products), axis=1)]
    return np.asarray(largest / np.linalg.norm(largest, axis=1, keepdims=True))
