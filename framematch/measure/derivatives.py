"""Derivatives of image points by the point and by the lens's figures, written out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.lens import BROWN_CONRADY, KANNALA_BRANDT, Lens
from framematch.measure.solved_figures import Model

Floats = NDArray[np.float64]


def image_derivatives(camera: Camera, points: Floats, model: Model) -> tuple[Floats, Floats]:
    """d pixel / d point (N, 2, 3) and d pixel / d figures (N, 2, M) for points (N, 3) in camera axes."""
    x, y, z = points.T
    lens = camera.lens
    with np.errstate(all="ignore"):
        flat, by_point, by_k, by_p = straight(lens, x, y, z) if lens.projection == BROWN_CONRADY else _central(lens, x, y, z)
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


def straight(lens: Lens, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, list[Floats], list[Floats]]:
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
