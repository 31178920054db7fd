"""Brown-Conrady: Brown's lens model with OpenCV's rational terms, on x/z and y/z."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.lens_model import RIGHT_ANGLE, ByFigures, Figures, Floats, LensModel, Mask, first_root, polynomial, solve_increasing, table

Ints = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class BrownConrady(LensModel):
    """With a = x/z, b = y/z, q = a^2 + b^2 and F = (1 + k1 q + k2 q^2 + k3 q^3) / (1 + k4 q + k5 q^2 + k6 q^3):

        u = a F + 2 p1 a b + p2 (q + 2 a^2),    v = b F + p1 (q + 2 b^2) + 2 p2 a b

    Sources: Brown, Photogrammetric Engineering 32(3), 1966 and 37(8), 1971, as OpenCV's ``projectPoints`` defines it.
    """

    def radius(self, figures: Figures, angle_rad: Floats) -> Floats:
        rho = np.tan(angle_rad)
        return np.asarray(rho * _factor(figures.k, rho * rho))

    def slope(self, figures: Figures, angle_rad: Floats) -> Floats:
        rho = np.tan(angle_rad)
        square = rho * rho
        top, bottom = _slope_fraction(figures.k)
        return np.asarray(polynomial(top, square) / polynomial(bottom, square) * (1 + square))

    def end_radius(self, figures: Figures) -> float:
        end = self.end_rad(figures)
        return math.inf if end == RIGHT_ANGLE else float(self.radius(figures, np.float64(end)))  # type: ignore[arg-type]

    def find_end(self, figures: Figures) -> float:
        square = min(first_root(_slope_fraction(figures.k)[0]), first_root(np.array([1, *figures.k[3:]])))
        end = math.atan(math.sqrt(square)) if math.isfinite(square) else RIGHT_ANGLE
        return _end_with_tangential(figures, end) if any(figures.p) else end

    def to_image(self, figures: Figures, x: Floats, y: Floats, z: Floats, *, end_rad: float) -> tuple[Floats, Floats, Mask]:
        inside = z > 0
        if end_rad < RIGHT_ANGLE:
            inside = inside & (np.sqrt(x * x + y * y) < z * math.tan(end_rad))
        return (*_distort(figures, x / z, y / z), inside)

    def to_rays(self, figures: Figures, u: Floats, v: Floats) -> tuple[Floats, Floats, Floats, Mask]:
        a, b, inside = self._undistort(figures, u, v)
        norm = np.sqrt(1 + a * a + b * b)
        return a / norm, b / norm, 1 / norm, inside

    def by_point(self, figures: Figures, x: Floats, y: Floats, z: Floats) -> Floats:
        a, b = x / z, y / z
        ua, ub, vb = _distort_slopes(figures, a, b)
        out = np.empty((*np.shape(x), 2, 3))
        out[..., 0, 0], out[..., 0, 1], out[..., 0, 2] = ua / z, ub / z, -(ua * a + ub * b) / z
        out[..., 1, 0], out[..., 1, 1], out[..., 1, 2] = ub / z, vb / z, -(ub * a + vb * b) / z
        return out

    def by_figures(self, figures: Figures, x: Floats, y: Floats, z: Floats) -> ByFigures:
        a, b = x / z, y / z
        q = a * a + b * b
        k4, k5, k6 = figures.k[3:]
        side, factor = np.stack([a, b], axis=1), _factor(figures.k, q)
        share = 1 / (1 + q * (k4 + q * (k5 + q * k6)))
        powers = [q, q * q, q * q * q]
        by_k = [side * (p * share)[:, None] for p in powers] + [side * (-factor * p * share)[:, None] for p in powers]
        cross = 2 * a * b
        by_p = [np.stack([cross, q + 2 * b * b], axis=1), np.stack([q + 2 * a * a, cross], axis=1)]
        return ByFigures(np.stack(_distort(figures, a, b), axis=1), by_k, by_p)

    def _undistort(self, figures: Figures, u: Floats, v: Floats) -> tuple[Floats, Floats, Mask]:
        """Points x/z, y/z whose distorted places are u, v, and whether each was found in the domain."""
        radius = np.hypot(u, v)
        reach = table(self, figures)[1][-1]
        theta, found = solve_increasing(self, figures, np.minimum(radius, reach))
        scale = np.divide(np.tan(theta), radius, out=np.ones_like(radius), where=radius > 0)
        x, y = u * scale, v * scale
        if not any(figures.p):
            return x, y, found & (radius <= reach)
        edge = math.tan(self.end_rad(figures))
        solved = np.zeros(len(u), dtype=bool)
        for shares in ((1.0,), (0.25, 0.5, 0.75, 0.9, 1.0)):  # straight there, else by small changes of p
            todo = np.flatnonzero(~solved)
            px, py = u[todo] * scale[todo], v[todo] * scale[todo]
            for share in shares:
                part = Figures(figures.k, (share * figures.p[0], share * figures.p[1]))
                px, py, good = _newton_2d(part, u[todo], v[todo], px, py, edge)
            x[todo], y[todo], solved[todo] = px, py, good
            if solved.all():
                break
        return x, y, solved & (np.hypot(x, y) < edge)


def _factor(k: tuple[float, ...], square: Floats) -> Floats:
    k1, k2, k3, k4, k5, k6 = k
    factor = 1 + square * (k1 + square * (k2 + square * k3))
    return factor / (1 + square * (k4 + square * (k5 + square * k6))) if k4 or k5 or k6 else factor


def _distort(figures: Figures, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    square = x * x + y * y
    factor = _factor(figures.k, square)
    if not any(figures.p):
        return x * factor, y * factor
    p1, p2 = figures.p
    factor = factor + 2 * (p1 * y + p2 * x)
    return x * factor + p2 * square, y * factor + p1 * square


def _distort_slopes(figures: Figures, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Derivatives dx'/dx, dx'/dy (= dy'/dx), dy'/dy of :func:`_distort`."""
    k1, k2, k3, k4, k5, k6 = figures.k
    square = x * x + y * y
    factor = _factor(figures.k, square)
    slope = 2 * (k1 + square * (2 * k2 + square * (3 * k3)))
    if k4 or k5 or k6:
        slope = (slope - 2 * factor * (k4 + square * (2 * k5 + square * (3 * k6)))) / (1 + square * (k4 + square * (k5 + square * k6)))
    p1, p2 = figures.p
    across = x * y * slope + 2 * (p1 * x + p2 * y)
    return factor + x * x * slope + 2 * p1 * y + 6 * p2 * x, across, factor + y * y * slope + 6 * p1 * y + 2 * p2 * x


def _newton_2d(figures: Figures, u: Floats, v: Floats, x: Floats, y: Floats, edge: float) -> tuple[Floats, Floats, Mask]:
    """Newton's steps, halved while they do not help and kept on the disc where the map is one to one."""

    def miss(of: Ints, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        du, dv = _distort(figures, x, y)
        return du - u[of], dv - v[of], np.hypot(du - u[of], dv - v[of])

    limit = edge * (1 + 1e-9)
    shrink = np.minimum(1, limit / np.maximum(np.hypot(x, y), 1e-300))
    x, y = x * shrink, y * shrink
    size = 1 + np.hypot(u, v)
    every = todo = np.arange(len(x))
    for _ in range(50):
        eu, ev, error = miss(todo, x[todo], y[todo])
        far = error > 4e-16 * size[todo]
        todo = todo[far]
        eu, ev, error = (each[far] for each in (eu, ev, error))
        if not len(todo):
            break
        a, b, c = _distort_slopes(figures, x[todo], y[todo])
        det = a * c - b * b
        dx, dy = (b * ev - c * eu) / det, (b * eu - a * ev) / det
        part, left, helped = 1.0, np.arange(len(todo)), np.zeros(len(todo), dtype=bool)
        for _ in range(12):
            of = todo[left]
            nx, ny = x[of] + part * dx[left], y[of] + part * dy[left]
            reach = np.hypot(nx, ny)
            pull = np.where(reach > limit, limit / reach, 1)
            nx, ny = nx * pull, ny * pull
            better = miss(of, nx, ny)[2] < error[left]
            x[of[better]], y[of[better]], helped[left[better]] = nx[better], ny[better], True
            part, left = part / 2, left[~better]
            if not len(left):
                break
        todo = todo[helped]
    return x, y, miss(every, x, y)[2] <= 1e-13 * size


@lru_cache(maxsize=256)
def _slope_fraction(k: tuple[float, ...]) -> tuple[Floats, Floats]:
    """d(rho N/D)/d(rho) as two polynomials in rho^2, lowest power first, without zeros at the end."""
    top, bottom = np.array([1, *k[:3]]), np.array([1, *k[3:]])
    order = np.arange(4)
    above = np.convolve(top * (1 + 2 * order), bottom) - np.convolve(top, bottom * 2 * order)
    return np.trim_zeros(above, "b"), np.trim_zeros(np.convolve(bottom, bottom), "b")


def _end_with_tangential(figures: Figures, end: float) -> float:
    """Largest disc on which the distorted picture does not fold over: its Jacobian stays above 0."""
    azimuth = np.linspace(0, 2 * np.pi, 360, endpoint=False)[:, None]
    inside = min(end, RIGHT_ANGLE * (1 - 1e-6))

    def area(theta: Floats) -> Floats:
        rho = np.tan(theta)
        with np.errstate(all="ignore"):  # at a pole of the rational form
            a, b, c = _distort_slopes(figures, rho * np.cos(azimuth), rho * np.sin(azimuth))
            return a * c - b * b

    grid = np.linspace(0, inside, 721)[None, :]
    bad = ~(area(np.broadcast_to(grid, (360, 721))) > 0)
    if not bad.any():
        return end
    first = np.where(bad.any(axis=1), bad.argmax(axis=1), grid.size)
    nearest = int(first.min())
    azimuth = azimuth[first == nearest]  # what folds in a later cell folds farther out
    low, high = (np.full_like(azimuth, grid[0, i]) for i in (max(nearest - 1, 0), nearest))
    for _ in range(50):
        middle = (low + high) / 2
        folded = ~(area(middle) > 0)
        low, high = np.where(folded, low, middle), np.where(folded, middle, high)
    return float(low.min())
