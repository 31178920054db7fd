"""Where the recording camera stands, for the browser: at each stop of a slider, and along the run in even steps of time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.live.parts import packed
from framematch.scene.model import Gap
from framematch.scene.opening import outline

Floats = NDArray[np.float64]

RATE_HZ = 60.0


def path_part(
    *,
    stops: Floats,
    run: Floats | None = None,
    before_m: ArrayLike = (),
    rate_hz: float = RATE_HZ,
    fps: float = 24.0,
    openings: Sequence[Floats] = (),
) -> bytes:
    """The path's part.

    Args:
        stops: (n, 4, 4) scene_from_recording at each stop of the distance slider.
        run: (m, 4, 4) the same along the run, ``rate_hz`` a second; None without a run.
        before_m: (m,) before the opening at each of them, below 0 past it.
        fps: of the recording camera; one step of the run is one of its frames.
        openings: outlines (k, 3), scene axes, metres.
    """
    along = np.zeros((0, 4, 4)) if run is None else np.asarray(run)
    before = np.broadcast_to(np.asarray(before_m, dtype=np.float64), (len(along),)) if len(along) else np.zeros(0)
    origin = stops[0, :3, 3]
    head = {
        "origin": origin.tolist(),
        "rate": rate_hz,
        "fps": fps,
        "crossing": int(np.argmin(np.abs(before))) if len(before) else 0,
        "openings": [np.asarray(ring).tolist() for ring in openings],
    }
    arrays = {"stops": _rows(stops, origin), "run": _rows(along, origin), "before": before.astype(np.float32)}
    return packed("path", head, arrays)


def ring_of(gap: Gap) -> Floats:
    """An opening's outline (k, 3) in scene axes."""
    flat = np.array(outline(gap).exterior.coords)[:-1]
    nx, _, nz = gap.normal
    right = np.array([nz, 0.0, -nx])
    x = flat[:, 0] - flat[:, 0].min() / 2 - flat[:, 0].max() / 2
    y = flat[:, 1] - flat[:, 1].min() / 2 - flat[:, 1].max() / 2
    out: Floats = np.array(gap.centre_m) + x[:, None] * right + y[:, None] * np.array([0.0, 1.0, 0.0])
    return out


def _rows(poses: Floats, origin: Floats) -> NDArray[np.float32]:
    """Place from the origin and quaternion x, y, z, w of each pose, (n, 7)."""
    if not len(poses):
        return np.zeros((0, 7), dtype=np.float32)
    from scipy.spatial.transform import Rotation

    turn = Rotation.from_matrix(poses[:, :3, :3]).as_quat()
    return np.concatenate([poses[:, :3, 3] - origin, turn], axis=1).astype(np.float32)
