"""One least-squares solve of cameras, the mount between them and every chart position at once.

Corners of the chart X (mm, on the paper) are seen by the recording camera at X_r = R_v X + t_v in
view v, and by the monitoring camera at X_m = R' (X_r - t) with the mount's R and t. Image points
come from the project's own ``Camera``; the derivatives are written out below. Levenberg and
Marquardt's steps on the normal equations, in which the chart's positions, each seen in its own view
alone, are eliminated first (Schur's complement); rotations are updated on the left.
``tests/test_measure_bundle.py`` holds the result against ``scipy.optimize.least_squares``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from framematch import progress
from framematch.geometry.camera import Camera
from framematch.measure.derivatives import image_derivatives
from framematch.measure.normal_equations import Normal
from framematch.measure.solved_figures import Model

Floats = NDArray[np.float64]
RECORDING, MONITORING = 0, 1
LOST_PX = 1e3  # what a corner outside the lens's domain costs, so that no step ends there


@dataclass(frozen=True, kw_only=True, eq=False)
class Corners:
    """Corners seen, all stills in one array.

    Args:
        camera: (N,) 0 recording, 1 monitoring.
        view: (N,) which position of the chart.
        board_mm: (N, 3) on the paper.
        pixels: (N, 2) in the still.
    """

    camera: NDArray[np.int64]
    view: NDArray[np.int64]
    board_mm: Floats
    pixels: Floats

    def only(self, keep: NDArray[np.bool_]) -> Corners:
        """Those corners alone."""
        return Corners(camera=self.camera[keep], view=self.view[keep], board_mm=self.board_mm[keep], pixels=self.pixels[keep])


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """Everything that is solved for.

    Args:
        cameras: one, or recording and monitoring.
        turn, shift_mm: (V, 3, 3) and (V, 3), chart to recording camera in each view.
        mount_turn, mount_mm: (3, 3) and (3,), ``recording_from_monitoring``.
    """

    cameras: tuple[Camera, ...]
    turn: Floats
    shift_mm: Floats
    mount_turn: Floats
    mount_mm: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Where the solve ended.

    Args:
        state: the best figures.
        residual_px: (N, 2), seen minus computed; NaN outside a lens's domain.
        covariance: of the cameras' figures (in order) and then, with two cameras, the mount's small
            rotation (rad, left, recording axes) and offset (mm), the chart positions marginalised.
            For corner noise of ``sigma_px``.
        sigma_px: (cameras,) noise of a coordinate of a corner, from the residuals.
        settled: whether the steps ended by themselves.
    """

    state: State
    residual_px: Floats
    covariance: Floats
    sigma_px: Floats
    settled: bool


def residuals(state: State, corners: Corners, *, exact: bool = True) -> Floats:
    """Seen minus computed pixels (N, 2); NaN where the lens has no image of the corner."""
    in_camera, _ = _in_camera(state, corners)
    out = np.empty((len(corners.view), 2))
    for index, camera in enumerate(state.cameras):
        mine = corners.camera == index
        out[mine] = corners.pixels[mine] - (camera.project(in_camera[mine])[0] if exact else _project(camera, in_camera[mine]))
    return out


def _project(camera: Camera, points: Floats) -> Floats:
    """As ``camera.project``, but the domain's end is looked up without the tangential terms, which takes a hundredth of the time."""
    if not any(camera.lens.p):
        return camera.project(points)[0]
    lens = camera.lens
    end = replace(lens, p=(0.0, 0.0)).end_rad
    with np.errstate(all="ignore"):
        u, v, ok = lens.model.to_image(lens.figures, *points.T, end_rad=end)
    pixels = np.stack([u, v], axis=1) * (lens.focal_mm * camera.pixels_per_mm / np.array([lens.squeeze, 1.0])) + camera.centre_px
    return np.where(ok[:, None], pixels, np.nan)


def _in_camera(state: State, corners: Corners) -> tuple[Floats, Floats]:
    turned = np.einsum("nij,nj->ni", state.turn[corners.view], corners.board_mm)
    in_recording = turned + state.shift_mm[corners.view]
    out = in_recording.copy()
    if len(state.cameras) == 2:
        mine = corners.camera == MONITORING
        out[mine] = (in_recording[mine] - state.mount_mm) @ state.mount_turn
    return out, turned


def skew(v: Floats) -> Floats:
    out = np.zeros((len(v), 3, 3))
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = -v[:, 2], v[:, 1], -v[:, 0]
    return out - np.swapaxes(out, 1, 2)


def _jacobian(state: State, corners: Corners, models: Sequence[Model]) -> tuple[Floats, Floats]:
    """d computed pixels / d what all views share (N, 2, H), and / d the corner's own view (N, 2, 6)."""
    in_camera, turned = _in_camera(state, corners)
    counts = [len(m.figures) for m in models]
    two = len(state.cameras) == 2
    shared = np.zeros((len(corners.view), 2, sum(counts) + (6 if two else 0)))
    own = np.zeros((len(corners.view), 2, 6))
    start = 0
    for index, (camera, model) in enumerate(zip(state.cameras, models, strict=True)):
        mine = np.flatnonzero(corners.camera == index)
        by_point, by_figures = image_derivatives(camera, in_camera[mine], model)
        shared[mine, :, start : start + counts[index]] = by_figures
        start += counts[index]
        if index == MONITORING:
            by_point = by_point @ state.mount_turn.T  # now by the point in recording axes
            from_pupil = turned[mine] + state.shift_mm[corners.view[mine]] - state.mount_mm
            shared[mine, :, -6:-3] = by_point @ skew(from_pupil)
            shared[mine, :, -3:] = -by_point
        own[mine] = np.concatenate([-by_point @ skew(turned[mine]), by_point], axis=2)
    return shared, own


def _moved(state: State, step: Floats, models: Sequence[Model]) -> State:
    cameras = []
    at = 0
    for camera, model in zip(state.cameras, models, strict=True):
        values = model.values(camera) + step[at : at + len(model.figures)]
        cameras.append(model.camera(camera, values))
        at += len(model.figures)
    turn, shift = state.mount_turn, state.mount_mm
    if len(cameras) == 2:
        turn, shift = Rotation.from_rotvec(step[at : at + 3]).as_matrix() @ turn, shift + step[at + 3 : at + 6]
        at += 6
    views = step[at:].reshape(-1, 6)
    return State(
        cameras=tuple(cameras),
        turn=Rotation.from_rotvec(views[:, :3]).as_matrix() @ state.turn,
        shift_mm=state.shift_mm + views[:, 3:],
        mount_turn=turn,
        mount_mm=shift,
    )


def solve(
    state: State,
    corners: Corners,
    models: Sequence[Model],
    *,
    noise_px: Sequence[float] | None = None,
    robust: bool = False,
    priors: Sequence[tuple[int, float, float]] = (),
    steps: int = 60,
) -> Solution:
    """Bring the computed corners onto the seen ones.

    Args:
        state: where to start.
        corners: what was seen.
        models: what is free in each camera.
        noise_px: of each camera's corners, to weigh the two against each other; 1 each if not given.
        robust: weigh each corner by Cauchy's 1/(1 + (e/2 s)^2), s the typical residual now.
        priors: (index into all cameras' figures and the mount, value, standard deviation); the mount's
            values are its offset alone (indices after the three of its rotation).
        steps: at most.
    """
    noise = np.ones(len(state.cameras)) if noise_px is None else np.asarray(noise_px, dtype=np.float64)
    per_corner = noise[corners.camera][:, None]
    damping = 1e-4
    e = residuals(state, corners, exact=False) / per_corner
    weight = _weights(e, robust=robust)
    cost = _cost(e, weight, state, models, priors)
    settled = False
    for _ in range(steps):
        progress.step()
        normal = _normal(state, corners, models, e, weight, per_corner, priors)
        for _ in range(12):
            trial = _try(state, normal.step(damping), models)
            if trial is not None:
                e_trial = residuals(trial, corners, exact=False) / per_corner
                cost_trial = _cost(e_trial, weight, trial, models, priors)
                if cost_trial < cost:
                    break
            trial = None
            damping = max(damping * 6, 1e-10)
        if trial is None:
            settled = True
            break
        gain = (cost - cost_trial) / max(cost, 1e-300)
        state, e, damping = trial, e_trial, max(damping / 8, 1e-12)
        weight = _weights(e, robust=robust)
        cost = _cost(e, weight, state, models, priors)
        if gain < 1e-9:
            settled = True
            break
    return _finished(state, corners, models, residuals(state, corners), priors, settled=settled)


def _try(state: State, step: Floats, models: Sequence[Model]) -> State | None:
    try:
        return _moved(state, step, models) if np.isfinite(step).all() else None
    except ValueError:  # a focal length below 0
        return None


def _weights(e: Floats, *, robust: bool) -> Floats:
    if not robust:
        return np.ones(len(e))
    size = np.hypot(*np.nan_to_num(e, nan=LOST_PX).T)
    typical = max(float(np.median(size)) / 1.1774, 1e-9)  # median of a Rayleigh distribution
    out: Floats = 1 / (1 + (size / (2.5 * typical)) ** 2)
    return out


def _cost(e: Floats, weight: Floats, state: State, models: Sequence[Model], priors: Sequence[tuple[int, float, float]]) -> float:
    cost = float((np.nan_to_num(e, nan=LOST_PX) ** 2 * weight[:, None]).sum())
    values = _vector(state, models)
    return cost + float(sum(((values[i] - mean) / sigma) ** 2 for i, mean, sigma in priors))


def _vector(state: State, models: Sequence[Model]) -> Floats:
    parts = [m.values(c) for m, c in zip(models, state.cameras, strict=True)]
    return np.concatenate([*parts, np.zeros(3), state.mount_mm]) if len(state.cameras) == 2 else np.concatenate(parts)


def _normal(
    state: State,
    corners: Corners,
    models: Sequence[Model],
    e: Floats,
    weight: Floats,
    per_corner: Floats,
    priors: Sequence[tuple[int, float, float]],
) -> Normal:
    seen = np.asarray(np.isfinite(e).all(axis=1))
    shared, own = _jacobian(state, corners.only(seen), models)
    rows = np.concatenate([shared, own, np.zeros((*own.shape[:2], 1))], axis=2) / per_corner[seen][:, None]
    rows[:, :, -1] = e[seen]
    rows = np.nan_to_num(rows * np.sqrt(weight[seen])[:, None, None], nan=0.0, posinf=0.0, neginf=0.0)
    head = shared.shape[2]
    view = corners.view[seen]
    order = np.argsort(view, kind="stable")
    rows = rows[order]
    ends = np.searchsorted(view[order], np.arange(len(state.turn) + 1))
    blocks = np.zeros((len(state.turn), head + 7, head + 7))
    for v in range(len(state.turn)):
        part = rows[ends[v] : ends[v + 1]].reshape(-1, head + 7)
        blocks[v] = part.T @ part
    left, right = blocks[:, :head, :head].sum(axis=0), blocks[:, :head, -1].sum(axis=0)
    values = _vector(state, models) if priors else np.empty(0)
    for i, mean, sigma in priors:
        left[i, i] += 1 / sigma**2
        right[i] += (mean - values[i]) / sigma**2
    return Normal(shared=left, between=blocks[:, :head, head:-1], own=blocks[:, head:-1, head:-1], right_shared=right, right_own=blocks[:, head:-1, -1])


def _finished(
    state: State,
    corners: Corners,
    models: Sequence[Model],
    residual_px: Floats,
    priors: Sequence[tuple[int, float, float]],
    *,
    settled: bool,
) -> Solution:
    total = sum(len(m.figures) for m in models) + (6 if len(state.cameras) == 2 else 0) + 6 * len(state.turn)
    finite = np.isfinite(residual_px).all(axis=1)
    sigma = np.full(len(state.cameras), np.nan)
    for index in range(len(state.cameras)):
        mine = finite & (corners.camera == index)
        count = 2 * int(mine.sum())
        share = count / max(2 * int(finite.sum()), 1)
        sigma[index] = np.sqrt((residual_px[mine] ** 2).sum() / max(count - total * share, 1.0))
    real = np.where(np.isfinite(sigma), np.maximum(sigma, 1e-9), 1.0)[corners.camera][:, None]
    normal = _normal(state, corners, models, residual_px / real, np.ones(len(residual_px)), real, priors)
    return Solution(state=state, residual_px=residual_px, covariance=normal.covariance(), sigma_px=sigma, settled=settled)
