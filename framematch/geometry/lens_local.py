"""What a lens does to small things: the derivative of its projection, and its stretch off the axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


def lens_jacobian(lens: Lens, rays: ArrayLike) -> tuple[Floats, Mask]:
    """Derivative of ``lens.project`` by the ray's three coordinates.

    Args:
        rays: (..., 3), camera axes, any length but 0.

    Returns:
        (..., 2, 3) in mm per unit of the rays, and whether each ray is in the lens's domain. Outside
        it NaN and False. At the closed end of a domain the derivative along the radius is what the
        formula gives (0 for an orthographic lens).
    """
    rays = np.asarray(rays, dtype=np.float64)
    _, ok = lens.project(rays)
    with np.errstate(all="ignore"):
        out = lens.model.by_point(lens.figures, rays[..., 0], rays[..., 1], rays[..., 2])
    out *= lens.focal_mm
    out[..., 0, :] /= lens.squeeze
    out[~ok] = np.nan
    return out, ok


def camera_jacobian(camera: Camera, rays: ArrayLike) -> tuple[Floats, Mask]:
    """Derivative of ``camera.project``: (..., 2, 3) in pixels per unit of the rays, and validity."""
    out, ok = lens_jacobian(camera.lens, rays)
    return out * camera.pixels_per_mm[:, None], ok


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """How much larger a small thing is imaged than on the axis, at the same range from the lens.

    Args:
        along: away from the centre, over that on the axis.
        across: at right angles to it.
    """

    along: float
    across: float

    @property
    def ratio(self) -> float:
        """Above 1: a face is drawn out away from the centre; below 1: pressed flat against the edge."""
        return self.along / self.across


def stretch_at(camera: Camera, pixel: tuple[float, float]) -> Stretch:
    """Stretch of the de-squeezed picture at a pixel; NaN where the lens shows nothing there.

    Of a thing turned towards the lens (a head, a ball). Flat things parallel to the sensor keep
    their shape in a rectilinear picture whatever this says.
    """
    ray, _ = camera.unproject(pixel)
    jacobian, _ = lens_jacobian(camera.lens, ray)
    jacobian = jacobian * np.array([[camera.lens.squeeze], [1.0]]) / camera.lens.focal_mm
    rho = float(np.hypot(ray[0], ray[1]))
    if rho == 0:
        return Stretch(along=1.0, across=1.0)
    outward = np.array([ray[0] * ray[2], ray[1] * ray[2], -rho * rho]) / rho  # on the sphere, away from the axis
    sideways = np.array([-ray[1], ray[0], 0.0]) / rho
    return Stretch(along=float(np.linalg.norm(jacobian @ outward)), across=float(np.linalg.norm(jacobian @ sideways)))
