"""Where a flat chart stands in one still, on a lens that is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from framematch.geometry.camera import Camera
from framematch.measure.bundle import LOST_PX, Corners, State, skew, solve
from framematch.measure.solved_figures import Model

Floats = NDArray[np.float64]


def place_chart(camera: Camera, corners: Corners) -> tuple[Floats, Floats, float] | None:
    """Where the chart stands in one still: (3, 3), (3,) chart to camera, and the RMS in pixels; None if it can't be placed.

    A small flat chart looks nearly the same tilted one way and the other; both are solved and the better kept.
    """
    alone = replace(corners, view=np.zeros(len(corners.view), dtype=np.int64), camera=np.zeros(len(corners.view), dtype=np.int64))
    rays, ok = camera.unproject(corners.pixels)
    first = pose_from_rays(rays[ok], corners.board_mm[ok]) if ok.sum() >= 0.7 * len(ok) else None
    if first is None:
        return None
    turn, shift, _ = first
    middle = corners.board_mm.mean(axis=0)
    centre = turn @ middle + shift
    line, normal = centre / np.linalg.norm(centre), turn[:, 2]
    twice = np.cross(normal, line)
    angle = np.arcsin(np.clip(np.linalg.norm(twice), 0, 1)) * (1 if normal @ line > 0 else -1)
    other = Rotation.from_rotvec(2 * angle * twice / max(float(np.linalg.norm(twice)), 1e-12)).as_matrix() @ turn
    held = Model(projection=camera.lens.projection, focal=False, centre=False)
    best = None
    for start in (turn, other):
        state = State(cameras=(camera,), turn=start[None], shift_mm=(centre - start @ middle)[None], mount_turn=np.eye(3), mount_mm=np.zeros(3))
        solution = solve(state, alone, [held], robust=True, steps=25)
        size = np.hypot(*np.nan_to_num(solution.residual_px, nan=LOST_PX).T)
        miss = float(np.median(size))
        if best is None or miss < best[2]:
            best = solution.state.turn[0], solution.state.shift_mm[0], miss
    return best


def pose_from_rays(rays: Floats, board_mm: Floats) -> tuple[Floats, Floats, float] | None:
    """Where a flat chart stands: (3, 3), (3,) chart to camera, and the typical miss in rad.

    From the rays (N, 3) of its corners (N, 3): the direct linear solution on directions, which serves
    any lens, also past 90 degrees off the axis. None if the corners do not fix it.
    """
    if len(rays) < 6:
        return None
    middle, size = board_mm[:, :2].mean(axis=0), max(float(np.ptp(board_mm[:, :2], axis=0).max()), 1e-9)
    flat = np.column_stack([(board_mm[:, :2] - middle) / size, np.ones(len(board_mm))])
    rows = (skew(rays)[:, :, :, None] * flat[:, None, None, :]).reshape(-1, 9)
    _, singular, vt = np.linalg.svd(rows, full_matrices=False)
    if singular[-2] < 1e-9 * singular[0]:
        return None
    h = vt[-1].reshape(3, 3)
    if np.sum((flat @ h.T) * rays) < 0:
        h = -h
    length = np.sqrt(np.linalg.norm(h[:, 0]) * np.linalg.norm(h[:, 1]))
    if length < 1e-12:
        return None
    h = h / length
    u, _, v = np.linalg.svd(np.column_stack([h[:, 0], h[:, 1], np.cross(h[:, 0], h[:, 1])]))
    turn = u @ np.diag([1, 1, np.linalg.det(u @ v)]) @ v
    shift = size * h[:, 2] - turn[:, :2] @ middle
    seen = board_mm @ turn.T + shift
    seen /= np.linalg.norm(seen, axis=1)[:, None]
    return turn, shift, float(np.median(2 * np.arcsin(np.clip(np.linalg.norm(seen - rays, axis=1) / 2, 0, 1))))
