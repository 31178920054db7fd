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

from framematch.camera import Camera
from framematch.lens import BROWN_CONRADY, KANNALA_BRANDT, Lens

Floats = NDArray[np.float64]
RECORDING, MONITORING = 0, 1
_LOST_PX = 1e3  # what a corner outside the lens's domain costs, so that no step ends there


@dataclass(frozen=True, kw_only=True)
class Model:
    """Which figures of a camera are solved for.

    Args:
        projection: of the lens.
        radial: how many of the lens's k.
        tangential: whether p1, p2 too.
        focal, centre: whether the focal length and the lens centre.
    """

    projection: str
    radial: int = 0
    tangential: bool = False
    focal: bool = True
    centre: bool = True

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures, in the order of every vector of them."""
        names: tuple[str, ...] = ("focal_mm",) if self.focal else ()
        names += ("centre_x_px", "centre_y_px") if self.centre else ()
        names += tuple(f"k{i + 1}" for i in range(self.radial))
        return names + (("p1", "p2") if self.tangential else ())

    @property
    def label(self) -> str:
        """For a table."""
        return f"{self.projection}, {self.radial} radial" + (", 2 tangential" if self.tangential else "")

    def values(self, camera: Camera) -> Floats:
        """The figures of a camera."""
        k = (*camera.lens.k, *(0.0,) * 8)
        every = {"focal_mm": camera.lens.focal_mm, "centre_x_px": camera.centre_px[0], "centre_y_px": camera.centre_px[1]}
        every |= {f"k{i + 1}": k[i] for i in range(8)} | {"p1": camera.lens.p[0], "p2": camera.lens.p[1]}
        return np.array([every[name] for name in self.figures])

    def camera(self, like: Camera, values: Floats) -> Camera:
        """A camera with these figures, and all else as in ``like``."""
        given = dict(zip(self.figures, map(float, values), strict=True))
        lens = like.lens
        k = tuple(given[f"k{i + 1}"] for i in range(self.radial)) if self.radial else lens.k
        p = (given["p1"], given["p2"]) if self.tangential else lens.p
        centre = (given.get("centre_x_px", like.centre_px[0]), given.get("centre_y_px", like.centre_px[1]))
        return replace(like, lens=replace(lens, focal_mm=given.get("focal_mm", lens.focal_mm), k=k, p=p), centre_px=centre)


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


def image_derivatives(camera: Camera, points: Floats, model: Model) -> tuple[Floats, Floats]:
    """d pixel / d point (N, 2, 3) and d pixel / d figures (N, 2, M) for points (N, 3) in camera axes."""
    x, y, z = points.T
    lens = camera.lens
    with np.errstate(all="ignore"):
        flat, by_point, by_k, by_p = _straight(lens, x, y, z) if lens.projection == BROWN_CONRADY else _central(lens, x, y, z)
    gain = lens.focal_mm * camera.pixels_per_mm / np.array([lens.squeeze, 1.0])
    columns = []
    if model.focal:
        columns.append(flat * (gain / lens.focal_mm))
    if model.centre:
        columns += [np.broadcast_to(axis, flat.shape) for axis in np.eye(2)]
    columns += [by_k[i] * gain for i in range(model.radial)]
    if model.tangential:
        columns += [column * gain for column in by_p]
    figures = np.stack(columns, axis=-1) if columns else np.empty((len(points), 2, 0))
    return by_point * gain[:, None], figures


def _central(lens: Lens, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, list[Floats], list[Floats]]:
    rho = np.maximum(np.hypot(x, y), 1e-9 * np.abs(z) + 1e-12)
    theta = np.arctan2(rho, z)
    step = 1e-5
    low, high = np.maximum(theta - step, 0), theta + step
    radius = lens.radius_mm(theta) / lens.focal_mm
    slope = (lens.radius_mm(high) - lens.radius_mm(low)) / (lens.focal_mm * (high - low))
    scale = radius / rho
    square = rho**2 + z**2
    by_rho = (slope * z / square - scale) / rho
    by_z = slope * (-rho / square) / rho
    side = np.stack([x, y], axis=1)
    by_point = np.empty((len(x), 2, 3))
    by_point[:, :, :2] = np.einsum("ni,nj->nij", side, side) * (by_rho / rho)[:, None, None] + scale[:, None, None] * np.eye(2)
    by_point[:, :, 2] = side * by_z[:, None]
    count = 4 if lens.projection == KANNALA_BRANDT else 0
    by_k = [side * (theta ** (2 * i + 3) / rho)[:, None] for i in range(count)]
    return side * scale[:, None], by_point, by_k, []


def _straight(lens: Lens, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, list[Floats], list[Floats]]:
    a, b = x / z, y / z
    k1, k2, k3, k4, k5, k6 = (*lens.k, *(0.0,) * (6 - len(lens.k)))
    p1, p2 = lens.p
    q = a * a + b * b
    top, bottom = 1 + q * (k1 + q * (k2 + q * k3)), 1 + q * (k4 + q * (k5 + q * k6))
    factor = top / bottom
    by_q = ((k1 + q * (2 * k2 + 3 * q * k3)) - factor * (k4 + q * (2 * k5 + 3 * q * k6))) / bottom
    side = np.stack([a, b], axis=1)
    flat = side * factor[:, None] + np.stack([2 * p1 * a * b + p2 * (q + 2 * a * a), p1 * (q + 2 * b * b) + 2 * p2 * a * b], axis=1)
    by_side = 2 * by_q[:, None, None] * np.einsum("ni,nj->nij", side, side) + factor[:, None, None] * np.eye(2)
    cross = 2 * (p1 * a + p2 * b)
    by_side[:, 0, 0] += 2 * p1 * b + 6 * p2 * a
    by_side[:, 1, 1] += 6 * p1 * b + 2 * p2 * a
    by_side[:, 0, 1] += cross
    by_side[:, 1, 0] += cross
    by_point = np.empty((len(x), 2, 3))
    by_point[:, :, :2] = by_side / z[:, None, None]
    by_point[:, :, 2] = -(by_side @ side[:, :, None])[:, :, 0] / z[:, None]
    powers = [q, q**2, q**3]
    by_k = [side * (p / bottom)[:, None] for p in powers] + [side * (-factor * p / bottom)[:, None] for p in powers]
    by_p = [np.stack([2 * a * b, q + 2 * b * b], axis=1), np.stack([q + 2 * a * a, 2 * a * b], axis=1)]
    return flat, by_point, by_k, by_p


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
    without = replace(camera, lens=replace(camera.lens, p=(0.0, 0.0)))
    _, ok = without.project(points)
    with np.errstate(all="ignore"):
        flat = _straight(camera.lens, *points.T)[0]
    pixels = flat * (camera.lens.focal_mm * camera.pixels_per_mm / np.array([camera.lens.squeeze, 1.0])) + camera.centre_px
    return np.where(ok[:, None], pixels, np.nan)


def _in_camera(state: State, corners: Corners) -> tuple[Floats, Floats]:
    turned = np.einsum("nij,nj->ni", state.turn[corners.view], corners.board_mm)
    in_recording = turned + state.shift_mm[corners.view]
    out = in_recording.copy()
    if len(state.cameras) == 2:
        mine = corners.camera == MONITORING
        out[mine] = (in_recording[mine] - state.mount_mm) @ state.mount_turn
    return out, turned


def _skew(v: Floats) -> Floats:
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
            shared[mine, :, -6:-3] = by_point @ _skew(from_pupil)
            shared[mine, :, -3:] = -by_point
        own[mine] = np.concatenate([-by_point @ _skew(turned[mine]), by_point], axis=2)
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
    size = np.hypot(*np.nan_to_num(e, nan=_LOST_PX).T)
    typical = max(float(np.median(size)) / 1.1774, 1e-9)  # median of a Rayleigh distribution
    out: Floats = 1 / (1 + (size / (2.5 * typical)) ** 2)
    return out


def _cost(e: Floats, weight: Floats, state: State, models: Sequence[Model], priors: Sequence[tuple[int, float, float]]) -> float:
    cost = float((np.nan_to_num(e, nan=_LOST_PX) ** 2 * weight[:, None]).sum())
    values = _vector(state, models)
    return cost + float(sum(((values[i] - mean) / sigma) ** 2 for i, mean, sigma in priors))


def _vector(state: State, models: Sequence[Model]) -> Floats:
    parts = [m.values(c) for m, c in zip(models, state.cameras, strict=True)]
    return np.concatenate([*parts, np.zeros(3), state.mount_mm]) if len(state.cameras) == 2 else np.concatenate(parts)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Normal:
    """Normal equations by blocks: shared (H, H), shared by own (V, H, 6), own (V, 6, 6), and the right sides."""

    shared: Floats
    between: Floats
    own: Floats
    right_shared: Floats
    right_own: Floats

    def step(self, damping: float) -> Floats:
        """The step for Marquardt's damping, the shared figures first and then each view's."""
        own = self.own + damping * self.own * np.eye(6) + 1e-12 * np.eye(6)
        shared = self.shared + damping * np.diag(np.diag(self.shared)) + 1e-12 * np.eye(len(self.shared))
        both = np.concatenate([np.swapaxes(self.between, 1, 2), self.right_own[:, :, None]], axis=2)
        try:
            solved = np.linalg.solve(own, both)  # (V, 6, H + 1)
            left, right = _reduced(shared, self.right_shared, self.between, solved)
            scale = 1 / np.sqrt(np.maximum(np.diag(left), 1e-300))
            first = scale * np.linalg.solve(left * scale[:, None] * scale, scale * right) if len(left) else right
        except np.linalg.LinAlgError:
            return np.full(len(self.right_shared) + self.right_own.size, np.nan)
        return np.concatenate([first, (solved[:, :, -1] - solved[:, :, :-1] @ first).ravel()])

    def covariance(self) -> Floats:
        """Of the shared figures, the views' own marginalised."""
        scale = 1 / np.sqrt(np.maximum(np.diagonal(self.own, axis1=1, axis2=2), 1e-300))
        own = self.own * scale[:, :, None] * scale[:, None, :]
        solved = scale[:, :, None] * np.linalg.pinv(own, hermitian=True) @ (scale[:, :, None] * np.swapaxes(self.between, 1, 2))
        left, _ = _reduced(self.shared, self.right_shared, self.between, np.concatenate([solved, np.zeros((*solved.shape[:2], 1))], axis=2))
        unit = 1 / np.sqrt(np.maximum(np.diag(left), 1e-300))
        out: Floats = np.linalg.pinv(left * unit[:, None] * unit, hermitian=True) * unit[:, None] * unit
        return out


def _reduced(shared: Floats, right: Floats, between: Floats, solved: Floats) -> tuple[Floats, Floats]:
    return shared - np.einsum("vhi,vij->hj", between, solved[:, :, :-1]), right - np.einsum("vhi,vi->h", between, solved[:, :, -1])


def _normal(
    state: State,
    corners: Corners,
    models: Sequence[Model],
    e: Floats,
    weight: Floats,
    per_corner: Floats,
    priors: Sequence[tuple[int, float, float]],
) -> _Normal:
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
    return _Normal(shared=left, between=blocks[:, :head, head:-1], own=blocks[:, head:-1, head:-1], right_shared=right, right_own=blocks[:, head:-1, -1])


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
        size = np.hypot(*np.nan_to_num(solution.residual_px, nan=_LOST_PX).T)
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
    rows = (_skew(rays)[:, :, :, None] * flat[:, None, None, :]).reshape(-1, 9)
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
