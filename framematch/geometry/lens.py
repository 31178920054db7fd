"""Lenses: rays to image points and back.

Camera axes are +x right, +y down, +z out through the lens. Image points are in mm on the sensor,
from the point where the lens axis meets it, x right and y down. Every map returns the values and
a mask: outside the lens's domain the value is NaN and the mask False.

Results are float64 whatever goes in. Close to the end of a domain the image radius hardly changes
with the angle (an orthographic lens at 89.91 degrees: 1/600 of the rate at the axis), so an image
point rounded to float32 could not be turned back into its ray to better than 4e-5 rad there.

The projections themselves, with their sources, are in ``lens_models.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.lens_model import Figures, Floats, LensModel, Mask
from framematch.geometry.lens_models import MODELS

_BLOCK = 16384  # points worked on at once, so that the temporaries stay in the processor's cache


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A lens at one focus setting.

    Its domain ends at ``end_rad`` off the axis; maps give NaN and False outside it. Brown-Conrady is
    Brown's model (Photogrammetric Engineering 37(8), 1971) with OpenCV's rational terms, Kannala-Brandt
    theta + k1 theta^3 + ... (IEEE PAMI 28(8), 2006); the others are the textbook projections.

    Args:
        projection: the name of one of ``lens_models.MODELS``.
        focal_mm: focal length, above 0.
        k: radial coefficients: up to 4 for Kannala-Brandt, up to 6 for Brown-Conrady in the order
            k1, k2, k3, k4, k5, k6 (OpenCV's vector is k1, k2, p1, p2, k3, ...), else none.
        p: tangential coefficients p1, p2 (Brown-Conrady only).
        squeeze: anamorphic squeeze; the image's x is divided by it.

    Raises:
        InputError: a figure that no lens has.
    """

    projection: str
    focal_mm: float
    k: tuple[float, ...] = ()
    p: tuple[float, float] = (0.0, 0.0)
    squeeze: float = 1.0
    figures: Figures = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.projection not in MODELS:
            raise InputError(f"{self.projection!r} is not a projection", field="projection", fix=f"use one of {', '.join(MODELS)}")
        for name, value in (("focal_mm", self.focal_mm), ("squeeze", self.squeeze)):
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"{value} is not a length above 0", field=name, fix="give a number above 0")
        full = self.model.coefficients
        if len(self.k) > full or not all(map(math.isfinite, (*self.k, *self.p))):
            raise InputError(f"{list(self.k)} does not fit", field="distortion.k", fix=f"{self.projection} takes at most {full} finite numbers")
        if any(self.p) and not self.model.tangential:
            able = " and ".join(name for name, model in MODELS.items() if model.tangential)
            raise InputError("tangential terms", field="distortion.p", fix=f"only {able} has them")
        object.__setattr__(self, "figures", self.model.figures(self.k, self.p))

    @property
    def model(self) -> LensModel:
        """The projection as a value."""
        return MODELS[self.projection]

    @property
    def end_rad(self) -> float:
        """Largest angle off the axis that the lens images: where the radius stops growing."""
        return self.model.end_rad(self.figures)

    @property
    def end_mm(self) -> float:
        """Image radius at ``end_rad``, along y (infinite for a rectilinear lens)."""
        return self.focal_mm * self.model.end_radius(self.figures)

    def radius_mm(self, angle_rad: ArrayLike) -> Floats:
        """Image radius along y (no squeeze, no tangential terms) at angles off the axis, any shape."""
        return self.focal_mm * self.model.radius(self.figures, np.asarray(angle_rad, dtype=np.float64))

    def focused(self, distance_m: float) -> Lens:
        """The lens focused at a distance: the image distance grows by m = f / (s - f).

        Thin lens, focused by moving the whole lens. ``inf`` changes nothing.

        Raises:
            InputError: the distance is not beyond the focal length.
        """
        if math.isinf(distance_m) and distance_m > 0:
            return self
        distance_mm = 1000 * distance_m
        if not distance_mm > self.focal_mm:
            raise InputError(f"{distance_m} m is not beyond the focal length of {self.focal_mm} mm", field="focus_m", fix="give a distance in metres, or inf")
        return replace(self, focal_mm=self.focal_mm * (1 + self.focal_mm / (distance_mm - self.focal_mm)))

    def project(self, rays: ArrayLike) -> tuple[Floats, Mask]:
        """Image points of rays.

        Args:
            rays: (..., 3), camera axes, any length from 1e-140 to 1e140.

        Returns:
            Points in mm (..., 2) and whether each ray is in the domain (...).
        """
        rays = np.asarray(rays)
        flat = rays.reshape(-1, 3)
        points, ok = np.empty((len(flat), 2)), np.empty(len(flat), dtype=bool)
        for start in range(0, len(flat), _BLOCK):
            part = slice(start, start + _BLOCK)
            _project_block(self, flat[part], points[part], ok[part])
        return points.reshape(*rays.shape[:-1], 2), ok.reshape(rays.shape[:-1])

    def unproject(self, points_mm: ArrayLike) -> tuple[Floats, Mask]:
        """Unit rays of image points, the inverse of :meth:`project`.

        Args:
            points_mm: (..., 2).

        Returns:
            Unit rays (..., 3) and whether each point is the image of a ray in the domain (...).
            Where the inverse is found step by step, a point that did not settle is False.
        """
        points = np.asarray(points_mm, dtype=np.float64)
        flat = points.reshape(-1, 2)
        rays, ok = np.empty((len(flat), 3)), np.empty(len(flat), dtype=bool)
        for start in range(0, len(flat), _BLOCK):
            part = slice(start, start + _BLOCK)
            _unproject_block(self, flat[part], rays[part], ok[part])
        return rays.reshape(*points.shape[:-1], 3), ok.reshape(points.shape[:-1])


def _project_block(lens: Lens, rays: NDArray[Any], points: Floats, ok: Mask) -> None:
    x, y, z = (np.array(rays[:, axis], dtype=np.float64) for axis in range(3))
    with np.errstate(all="ignore"):
        u, v, inside = lens.model.to_image(lens.figures, x, y, z, end_rad=lens.end_rad)
        inside &= np.isfinite(u + v)
        np.multiply(u, lens.focal_mm / lens.squeeze, out=points[:, 0])
        np.multiply(v, lens.focal_mm, out=points[:, 1])
    ok[:] = inside
    if not inside.all():
        points[~inside] = np.nan


def _unproject_block(lens: Lens, points: Floats, rays: Floats, ok: Mask) -> None:
    with np.errstate(all="ignore"):
        u = points[:, 0] * (lens.squeeze / lens.focal_mm)
        v = points[:, 1] / lens.focal_mm
        rays[:, 0], rays[:, 1], rays[:, 2], inside = lens.model.to_rays(lens.figures, u, v)
        inside &= np.isfinite(rays).all(axis=1)
    ok[:] = inside
    if not inside.all():
        rays[~inside] = np.nan
