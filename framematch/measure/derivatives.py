"""Derivatives of image points by the point and by the lens's figures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.measure.solved_figures import Model

Floats = NDArray[np.float64]


def image_derivatives(camera: Camera, points: Floats, model: Model) -> tuple[Floats, Floats]:
    """d pixel / d point (N, 2, 3) and d pixel / d figures (N, 2, M) for points (N, 3) in camera axes."""
    lens = camera.lens
    with np.errstate(all="ignore"):
        by_point = lens.model.by_point(lens.figures, *points.T)
        flat, by_k, by_p = lens.model.by_figures(lens.figures, *points.T)
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
