"""Lenses: rays to image points and back, for every projection the project knows.

Camera axes are +x right, +y down, +z out through the lens. Image points are in mm on the sensor,
from the point where the lens axis meets it, x right and y down. Every map returns the values and
a mask: outside the lens's domain the value is NaN and the mask False.

Results are float64 whatever goes in. Close to the end of a domain the image radius hardly changes
with the angle (an orthographic lens at 89.91 degrees: 1/600 of the rate at the axis), so an image
point rounded to float32 could not be turned back into its ray to better than 4e-5 rad there.

Sources: Kannala and Brandt, IEEE PAMI 28(8), 2006, as OpenCV's ``fisheye`` module defines it;
Brown, Photogrammetric Engineering 32(3), 1966, as OpenCV's ``projectPoints`` defines it (the
rational form with k1..k6); the other five are the textbook projections.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_BLOCK = 16384  # points worked on at once, so that the temporaries stay in the processor's cache
_RIGHT_ANGLE = math.pi / 2


@dataclass(frozen=True)
class _Central:
    """A projection that depends on the angle alone: radius over focal length, slope, inverse."""

    radius: Callable[[Any], Any]
    slope: Callable[[Any], Any]
    angle: Callable[[Any], Any]
    end_rad: float
    end_included: bool


# To add a projection with a closed form, add a line here; tests/test_lens.py runs over all of them.
CENTRAL: Mapping[str, _Central] = {
    "rectilinear": _Central(np.tan, lambda t: 1 / np.cos(t) ** 2, np.arctan, _RIGHT_ANGLE, False),
    "equidistant": _Central(lambda t: t, np.ones_like, lambda r: r, math.pi, False),
    "equisolid": _Central(lambda t: 2 * np.sin(t / 2), lambda t: np.cos(t / 2), lambda r: 2 * np.arcsin(np.minimum(r / 2, 1)), math.pi, True),
    "stereographic": _Central(lambda t: 2 * np.tan(t / 2), lambda t: 1 / np.cos(t / 2) ** 2, lambda r: 2 * np.arctan(r / 2), math.pi, False),
    "orthographic": _Central(np.sin, np.cos, lambda r: np.arcsin(np.minimum(r, 1)), _RIGHT_ANGLE, True),
}
KANNALA_BRANDT = "kannala-brandt"
BROWN_CONRADY = "brown-conrady"
PROJECTIONS: tuple[str, ...] = (*CENTRAL, KANNALA_BRANDT, BROWN_CONRADY)
_LENGTH_OF_K = {KANNALA_BRANDT: 4, BROWN_CONRADY: 6}


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A lens at one focus setting.

    Its domain ends at ``end_rad`` off the axis; maps give NaN and False outside it. Brown-Conrady is
    Brown's model (Photogrammetric Engineering 37(8), 1971) with OpenCV's rational terms, Kannala-Brandt
    theta + k1 theta^3 + ... (IEEE PAMI 28(8), 2006); the others are the textbook projections.

    Args:
        projection: one of ``PROJECTIONS``.
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
    _k: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.projection not in PROJECTIONS:
            raise InputError(f"{self.projection!r} is no projection", field="projection", fix=f"use one of {', '.join(PROJECTIONS)}")
        for name, value in (("focal_mm", self.focal_mm), ("squeeze", self.squeeze)):
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"{value} is not a length above 0", field=name, fix="give a number above 0")
        full = _LENGTH_OF_K.get(self.projection, 0)
        if len(self.k) > full or not all(map(math.isfinite, (*self.k, *self.p))):
            raise InputError(f"{list(self.k)} does not fit", field="distortion.k", fix=f"{self.projection} takes at most {full} finite numbers")
        if any(self.p) and self.projection != BROWN_CONRADY:
            raise InputError("tangential terms", field="distortion.p", fix="only brown-conrady has them")
        object.__setattr__(self, "_k", (*self.k, *(0.0,) * (full - len(self.k))))

    @property
    def end_rad(self) -> float:
        """Largest angle off the axis that the lens images: where the radius stops growing."""
        return _end(self.projection, self._k, self.p)

    @property
    def end_mm(self) -> float:
        """Image radius at ``end_rad``, along y (infinite for a rectilinear lens)."""
        if self.end_rad in (_RIGHT_ANGLE, math.pi) and self.projection not in ("equisolid", "orthographic", KANNALA_BRANDT):
            return math.pi * self.focal_mm if self.projection == "equidistant" else math.inf
        return float(self.radius_mm(self.end_rad))

    def radius_mm(self, angle_rad: ArrayLike) -> Floats:
        """Image radius along y (no squeeze, no tangential terms) at angles off the axis, any shape."""
        return self.focal_mm * _radius(self, np.asarray(angle_rad, dtype=np.float64))

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
        rho = np.sqrt(x * x + y * y)
        if lens.projection == BROWN_CONRADY:
            end = lens.end_rad
            inside = (z > 0) & (rho < z * math.tan(end)) if end < _RIGHT_ANGLE else z > 0
            x /= z
            y /= z
            u, v = _distort(lens._k, lens.p, x, y)
        else:
            theta = np.arctan2(rho, z)
            inside = _within(lens, theta)
            scale = _radius(lens, theta)
            scale /= rho
            on_axis = rho == 0
            if on_axis.any():
                inside &= ~on_axis | (z > 0)
                scale[on_axis] = 1.0  # multiplies 0
            u, v = x * scale, y * scale
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
        if lens.projection == BROWN_CONRADY:
            x, y, inside = _undistort(lens, u, v)
            norm = np.sqrt(1 + x * x + y * y)
            rays[:, 0], rays[:, 1], rays[:, 2] = x / norm, y / norm, 1 / norm
        else:
            radius = np.hypot(u, v)
            theta, inside = _angle(lens, radius)
            scale = np.divide(np.sin(theta), radius, out=np.ones_like(radius), where=radius > 0)
            rays[:, 0], rays[:, 1], rays[:, 2] = u * scale, v * scale, np.cos(theta)
            inside &= _within(lens, theta)
        inside &= np.isfinite(rays).all(axis=1)
    ok[:] = inside
    if not inside.all():
        rays[~inside] = np.nan


def _within(lens: Lens, theta: Floats) -> Mask:
    end = lens.end_rad
    included = CENTRAL[lens.projection].end_included if lens.projection in CENTRAL else end < math.pi
    return theta <= end if included else theta < end


def _radius(lens: Lens, theta: Floats) -> Floats:
    """Radius over focal length at angles off the axis."""
    if lens.projection in CENTRAL:
        return np.array(CENTRAL[lens.projection].radius(theta), dtype=np.float64)
    if lens.projection == KANNALA_BRANDT:
        k1, k2, k3, k4 = lens._k
        square = theta * theta
        out = k4 * square
        for k in (k3, k2, k1):
            out += k
            out *= square
        out += 1
        out *= theta
        return out
    rho = np.tan(theta)
    radius: Floats = rho * _radial_factor(lens._k, rho * rho)
    return radius


def _slope(lens: Lens, theta: Floats) -> Floats:
    """Derivative of :func:`_radius`."""
    if lens.projection in CENTRAL:
        return np.asarray(CENTRAL[lens.projection].slope(theta), dtype=np.float64)
    if lens.projection == KANNALA_BRANDT:
        return np.asarray(np.polynomial.polynomial.polyval(theta * theta, _kannala_brandt_slope(lens._k)), dtype=np.float64)
    rho = np.tan(theta)
    square = rho * rho
    top, bottom = _slope_fraction(lens._k)
    slope: Floats = np.polynomial.polynomial.polyval(square, top) / np.polynomial.polynomial.polyval(square, bottom) * (1 + square)
    return slope


def _angle(lens: Lens, radius: Floats) -> tuple[Floats, Mask]:
    """Angle off the axis of radii over focal length, and whether each was found."""
    if lens.projection in CENTRAL:
        central = CENTRAL[lens.projection]
        theta = np.asarray(central.angle(radius), dtype=np.float64)
        # A ray at the very end may be drawn a rounding beyond it.
        end = central.radius(central.end_rad) * (1 + 4e-16) if central.end_included else math.inf
        return theta, radius <= end
    return _solve_increasing(lens, radius)


@lru_cache(maxsize=256)
def _table(lens: Lens) -> tuple[Floats, Floats]:
    end = lens.end_rad
    if lens.projection == BROWN_CONRADY and end >= _RIGHT_ANGLE:
        end = float(np.nextafter(_RIGHT_ANGLE, 0))
    # Denser towards the end, where the curve flattens or soars.
    theta = end * np.sin(np.linspace(0, _RIGHT_ANGLE, 1025))
    theta[-1] = end
    return theta, np.maximum.accumulate(_radius(lens, theta))


def _solve_increasing(lens: Lens, radius: Floats) -> tuple[Floats, Mask]:
    """Newton's steps kept inside a bracket that shrinks at every step; ends with a verdict."""
    table_theta, table_radius = _table(lens)
    cell = np.clip(np.searchsorted(table_radius, radius) - 1, 0, len(table_theta) - 2)
    low, high = table_theta[cell], table_theta[cell + 1]
    theta = np.clip(np.interp(radius, table_radius, table_theta), low, high)
    inside = radius <= table_radius[-1]
    step = np.full_like(theta, np.inf)
    for _ in range(60):
        error = _radius(lens, theta) - radius
        low, high = np.where(error <= 0, theta, low), np.where(error >= 0, theta, high)
        newton = theta - error / _slope(lens, theta)
        middle = 0.5 * (low + high)
        after = np.where((newton >= low) & (newton <= high), newton, middle)
        step, theta = np.abs(after - theta), after
        if not (step[inside] > 4e-16 * (1 + theta[inside])).any():
            break
    return theta, inside & (step <= 1e-12)


def _radial_factor(k: tuple[float, ...], square: Any) -> Any:
    k1, k2, k3, k4, k5, k6 = k
    factor = 1 + square * (k1 + square * (k2 + square * k3))
    return factor / (1 + square * (k4 + square * (k5 + square * k6))) if k4 or k5 or k6 else factor


def _distort(k: tuple[float, ...], p: tuple[float, float], x: Floats, y: Floats) -> tuple[Floats, Floats]:
    square = x * x + y * y
    factor = _radial_factor(k, square)
    if not any(p):
        return x * factor, y * factor
    p1, p2 = p
    cross = 2 * x * y
    return x * factor + p1 * cross + p2 * (square + 2 * x * x), y * factor + p1 * (square + 2 * y * y) + p2 * cross


def _distort_slopes(k: tuple[float, ...], p: tuple[float, float], x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Derivatives dx'/dx, dx'/dy (= dy'/dx), dy'/dy of :func:`_distort`."""
    square = x * x + y * y
    value = np.polynomial.polynomial.polyval
    top, bottom = np.array([1, *k[:3]]), np.array([1, *k[3:]])
    n, d = value(square, top), value(square, bottom)
    dn, dd = value(square, top[1:] * [1, 2, 3]), value(square, bottom[1:] * [1, 2, 3])
    factor, slope = n / d, 2 * (dn * d - n * dd) / (d * d)
    p1, p2 = p
    across = x * y * slope + 2 * (p1 * x + p2 * y)
    return factor + x * x * slope + 2 * p1 * y + 6 * p2 * x, across, factor + y * y * slope + 6 * p1 * y + 2 * p2 * x


def _undistort(lens: Lens, u: Floats, v: Floats) -> tuple[Floats, Floats, Mask]:
    """Points x/z, y/z whose distorted places are u, v, and whether each was found in the domain."""
    radius = np.hypot(u, v)
    reach = _table(lens)[1][-1]
    theta, found = _solve_increasing(lens, np.minimum(radius, reach))
    scale = np.divide(np.tan(theta), radius, out=np.ones_like(radius), where=radius > 0)
    x, y = u * scale, v * scale
    if not any(lens.p):
        return x, y, found & (radius <= reach)
    edge = math.tan(lens.end_rad)
    solved = np.zeros(len(u), dtype=bool)
    for shares in ((1.0,), (0.25, 0.5, 0.75, 0.9, 1.0)):  # straight there, else by small changes of p
        todo = np.flatnonzero(~solved)
        px, py = u[todo] * scale[todo], v[todo] * scale[todo]
        for share in shares:
            px, py, good = _newton_2d(lens._k, (share * lens.p[0], share * lens.p[1]), u[todo], v[todo], px, py, edge)
        x[todo], y[todo], solved[todo] = px, py, good
        if solved.all():
            break
    return x, y, solved & (np.hypot(x, y) < edge)


def _newton_2d(k: tuple[float, ...], p: tuple[float, float], u: Floats, v: Floats, x: Floats, y: Floats, edge: float) -> tuple[Floats, Floats, Mask]:
    """Newton's steps, halved while they do not help and kept on the disc where the map is one to one."""

    def miss(x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        du, dv = _distort(k, p, x, y)
        return du - u, dv - v, np.hypot(du - u, dv - v)

    limit = edge * (1 + 1e-9)
    shrink = np.minimum(1, limit / np.maximum(np.hypot(x, y), 1e-300))
    x, y = x * shrink, y * shrink
    goal = 4e-16 * (1 + np.hypot(u, v))
    for _ in range(50):
        eu, ev, error = miss(x, y)
        if not (error > goal).any():
            break
        a, b, c = _distort_slopes(k, p, x, y)
        det = a * c - b * b
        dx, dy = (b * ev - c * eu) / det, (b * eu - a * ev) / det
        part = np.ones_like(x)
        for _ in range(12):
            nx, ny = x + part * dx, y + part * dy
            reach = np.hypot(nx, ny)
            pull = np.where(reach > limit, limit / reach, 1)
            nx, ny = nx * pull, ny * pull
            worse = ~(miss(nx, ny)[2] < error) & (error > goal)
            if not worse.any():
                break
            part = np.where(worse, part / 2, part)
        better = miss(nx, ny)[2] < error
        if not better.any():
            break
        x, y = np.where(better, nx, x), np.where(better, ny, y)
    return x, y, miss(x, y)[2] <= 1e-13 * (1 + np.hypot(u, v))


@lru_cache(maxsize=256)
def _kannala_brandt_slope(k: tuple[float, ...]) -> Floats:
    return np.array([1, 3 * k[0], 5 * k[1], 7 * k[2], 9 * k[3]])


@lru_cache(maxsize=256)
def _slope_fraction(k: tuple[float, ...]) -> tuple[Floats, Floats]:
    """d(rho N/D)/d(rho) as two polynomials in rho^2, lowest power first."""
    top, bottom = np.array([1, *k[:3]]), np.array([1, *k[3:]])
    order = np.arange(4)
    multiply, subtract = np.polynomial.polynomial.polymul, np.polynomial.polynomial.polysub  # both drop zeros at the end
    return subtract(multiply(top * (1 + 2 * order), bottom), multiply(top, bottom * 2 * order)), multiply(bottom, bottom)


def _first_root(coefficients: Floats) -> float:
    """Smallest root above 0 of a polynomial that starts with 1, lowest power first; infinite if there is none.

    Found as the largest root of the same polynomial in 1/x: however small the last coefficients are,
    nothing is divided by them.
    """
    roots = np.polynomial.polynomial.polyroots(coefficients[::-1])
    real = roots[np.abs(roots.imag) <= 1e-7 * np.abs(roots)].real
    with np.errstate(divide="ignore", over="ignore"):
        return float(1 / real.max(initial=0.0))


@lru_cache(maxsize=1024)
def _end(projection: str, k: tuple[float, ...], p: tuple[float, float]) -> float:
    if projection in CENTRAL:
        return CENTRAL[projection].end_rad
    if projection == KANNALA_BRANDT:
        return min(math.sqrt(_first_root(_kannala_brandt_slope(k))), math.pi)
    square = min(_first_root(_slope_fraction(k)[0]), _first_root(np.array([1, *k[3:]])))
    end = math.atan(math.sqrt(square)) if math.isfinite(square) else _RIGHT_ANGLE
    return _end_with_tangential(k, p, end) if any(p) else end


def _end_with_tangential(k: tuple[float, ...], p: tuple[float, float], end: float) -> float:
    """Largest disc on which the distorted picture does not fold over: its Jacobian stays above 0."""
    azimuth = np.linspace(0, 2 * np.pi, 360, endpoint=False)[:, None]
    inside = min(end, _RIGHT_ANGLE * (1 - 1e-6))

    def area(theta: Floats) -> Floats:
        rho = np.tan(theta)
        with np.errstate(all="ignore"):  # at a pole of the rational form
            a, b, c = _distort_slopes(k, p, rho * np.cos(azimuth), rho * np.sin(azimuth))
            return a * c - b * b

    grid = np.linspace(0, inside, 721)[None, :]
    bad = ~(area(np.broadcast_to(grid, (360, 721))) > 0)
    if not bad.any():
        return end
    first = np.where(bad.any(axis=1), bad.argmax(axis=1), 720)
    low, high = grid[0, np.maximum(first - 1, 0)][:, None], grid[0, first][:, None]
    for _ in range(50):
        middle = (low + high) / 2
        folded = ~(area(middle) > 0)
        low, high = np.where(folded, low, middle), np.where(folded, middle, high)
    return float(low[bad.any(axis=1)].min())
