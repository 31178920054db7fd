"""Lens models whose image radius depends on the angle off the axis alone."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from framematch.geometry.lens_model import ByFigures, Figures, Floats, LensModel, Mask

K = tuple[float, ...]


def _no_coefficients(angle: Floats, k: K) -> list[Floats]:
    return []


@dataclass(frozen=True, kw_only=True, eq=False)
class Central(LensModel):
    """u, v = r(theta) (x, y) / rho, with rho^2 = x^2 + y^2 and theta = atan2(rho, z), so 90 degrees and more work.

    Args:
        radius_of, slope_of: r over focal length and its derivative by theta, each of theta and k.
        end_of: largest theta imaged, of k.
        end_included: whether that one still is; if left out, wherever it lies before straight behind.
        edge: r at the end, where the formula does not give it (infinite where the image has no edge).
        angle_of: theta of r in closed form; found by Newton's steps if left out.
        by_k_of: derivatives of r by each k, of theta and k.
    """

    radius_of: Callable[[Floats, K], Floats]
    slope_of: Callable[[Floats, K], Floats]
    end_of: Callable[[K], float]
    end_included: bool | None = None
    edge: float | None = None
    angle_of: Callable[[Floats], Floats] | None = None
    by_k_of: Callable[[Floats, K], list[Floats]] = _no_coefficients

    def radius(self, figures: Figures, angle_rad: Floats) -> Floats:
        return np.asarray(self.radius_of(angle_rad, figures.k), dtype=np.float64)

    def slope(self, figures: Figures, angle_rad: Floats) -> Floats:
        return np.asarray(self.slope_of(angle_rad, figures.k), dtype=np.float64)

    def find_end(self, figures: Figures) -> float:
        return self.end_of(figures.k)

    def end_radius(self, figures: Figures) -> float:
        return float(self.radius(figures, np.float64(self.end_rad(figures)))) if self.edge is None else self.edge  # type: ignore[arg-type]

    def includes_end(self, end_rad: float) -> bool:
        return end_rad < math.pi if self.end_included is None else self.end_included

    def angle(self, figures: Figures, radius: Floats) -> tuple[Floats, Mask]:
        if self.angle_of is None:
            return super().angle(figures, radius)
        # A ray at the very end may be drawn a rounding beyond it.
        end = self.end_radius(figures) * (1 + 4e-16) if self.end_included else math.inf
        return np.asarray(self.angle_of(radius), dtype=np.float64), radius <= end

    def to_image(self, figures: Figures, x: Floats, y: Floats, z: Floats, *, end_rad: float) -> tuple[Floats, Floats, Mask]:
        rho = np.sqrt(x * x + y * y)
        theta = np.arctan2(rho, z)
        inside = self._within(theta, end_rad)
        scale = self.radius(figures, theta) / rho
        on_axis = rho == 0
        if on_axis.any():
            inside &= ~on_axis | (z > 0)
            scale[on_axis] = 1.0  # multiplies 0
        return x * scale, y * scale, inside

    def to_rays(self, figures: Figures, u: Floats, v: Floats) -> tuple[Floats, Floats, Floats, Mask]:
        radius = np.hypot(u, v)
        theta, inside = self.angle(figures, radius)
        scale = np.divide(np.sin(theta), radius, out=np.ones_like(radius), where=radius > 0)
        return u * scale, v * scale, np.cos(theta), inside & self._within(theta, self.end_rad(figures))

    def _within(self, theta: Floats, end_rad: float) -> Mask:
        return theta <= end_rad if self.includes_end(end_rad) else theta < end_rad

    def by_point(self, figures: Figures, x: Floats, y: Floats, z: Floats) -> Floats:
        rho = np.hypot(x, y)
        square = rho * rho + z * z
        theta = np.arctan2(rho, z)
        on_axis, some = rho == 0, np.where(rho == 0, 1.0, rho)
        slope = self.slope(figures, theta)
        across = np.where(on_axis, 1 / z, self.radius(figures, theta) / some)
        extra = slope * z / square - across
        ex, ey = np.where(on_axis, 1.0, x / some), y / some
        out = np.empty((*np.shape(x), 2, 3))
        out[..., 0, 0] = across + extra * ex * ex
        out[..., 0, 1] = out[..., 1, 0] = extra * ex * ey
        out[..., 1, 1] = across + extra * ey * ey
        out[..., 0, 2], out[..., 1, 2] = -slope * rho / square * ex, -slope * rho / square * ey
        return out

    def by_figures(self, figures: Figures, x: Floats, y: Floats, z: Floats) -> ByFigures:
        rho = np.hypot(x, y)
        theta = np.arctan2(rho, z)
        outward = np.stack([x, y], axis=-1) / np.where(rho == 0, 1.0, rho)[:, None]  # nothing moves on the axis
        image = outward * self.radius(figures, theta)[:, None]
        return ByFigures(image, [outward * by[:, None] for by in self.by_k_of(theta, figures.k)], [])
