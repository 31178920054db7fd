"""What a lens model is: one value that holds everything the project asks of a projection.

A model works on what does not depend on the focal length: image points over the focal length (u, v), without
squeeze. Its figures are its coefficients, padded with zeros to their full number.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
RIGHT_ANGLE = math.pi / 2


class Figures(NamedTuple):
    """Radial coefficients k (all that the model has) and tangential ones p."""

    k: tuple[float, ...] = ()
    p: tuple[float, float] = (0.0, 0.0)


class Example(NamedTuple):
    """Figures of a lens that a model is tested with."""

    focal_mm: float
    k: tuple[float, ...] = ()
    p: tuple[float, float] = (0.0, 0.0)
    squeeze: float = 1.0


class ByFigures(NamedTuple):
    """Image points (N, 2) over the focal length and their derivatives (N, 2) by each k and each p."""

    image: Floats
    by_k: list[Floats]
    by_p: list[Floats]


@dataclass(frozen=True, kw_only=True, eq=False)
class LensModel(ABC):
    """A projection.

    Args:
        name: in pairing files and everywhere else.
        words: what it is, for a list to choose from.
        coefficients: how many k it has; one without any has a closed form and can be chosen by its name alone.
        tangential: whether it has p1, p2.
        bare: the model that it is with all of its coefficients at 0; its own name if left out.
        opencv: which of OpenCV's two lens models holds it exactly, if one does.
        series: a, b, ... of theta (1 + a theta^2 + b theta^4 + ...), so that a measurement can bend it.
        start: whether a measurement from stills tries it first, before any is bent.
        solved: how many k, and whether p too, a measurement from stills tries.
        examples: lenses by name that the battery of tests runs over, besides those with no coefficients.
    """

    name: str
    words: str
    coefficients: int = 0
    tangential: bool = False
    bare: str = ""
    opencv: Literal["pinhole", "fisheye"] | None = None
    series: tuple[float, ...] | None = None
    start: bool = False
    solved: tuple[tuple[int, bool], ...] = ()
    examples: Mapping[str, Example] = field(default_factory=dict)

    @property
    def bare_name(self) -> str:
        """Its name, or that of the model that its coefficients bend."""
        return self.bare or self.name

    def figures(self, k: tuple[float, ...], p: tuple[float, float]) -> Figures:
        """k padded with zeros to as many as the model has."""
        return Figures((*k, *(0.0,) * (self.coefficients - len(k))), p)

    def end_rad(self, figures: Figures) -> float:
        """Largest angle off the axis that is imaged: where the radius stops growing."""
        return _end(self, figures)

    def includes_end(self, end_rad: float) -> bool:
        """Whether a ray at the very end of the domain is imaged."""
        return False

    def angle(self, figures: Figures, radius: Floats) -> tuple[Floats, Mask]:
        """Angles off the axis of radii over focal length (no tangential terms), and whether each was found."""
        return solve_increasing(self, figures, radius)

    @abstractmethod
    def find_end(self, figures: Figures) -> float:
        """:meth:`end_rad`, worked out."""

    @abstractmethod
    def end_radius(self, figures: Figures) -> float:
        """Image radius over focal length at the end of the domain; infinite where the image has no edge."""

    @abstractmethod
    def radius(self, figures: Figures, angle_rad: Floats) -> Floats:
        """Image radius over focal length at angles off the axis (no tangential terms)."""

    @abstractmethod
    def slope(self, figures: Figures, angle_rad: Floats) -> Floats:
        """Derivative of :meth:`radius` by the angle."""

    @abstractmethod
    def to_image(self, figures: Figures, x: Floats, y: Floats, z: Floats, *, end_rad: float) -> tuple[Floats, Floats, Mask]:
        """Image points u, v over the focal length of rays of any length, and which rays a domain that ends there holds."""

    @abstractmethod
    def to_rays(self, figures: Figures, u: Floats, v: Floats) -> tuple[Floats, Floats, Floats, Mask]:
        """Unit rays x, y, z of image points over the focal length, and which of them were found in the domain."""

    @abstractmethod
    def by_point(self, figures: Figures, x: Floats, y: Floats, z: Floats) -> Floats:
        """Derivative of u, v by x, y, z: (..., 2, 3)."""

    @abstractmethod
    def by_figures(self, figures: Figures, x: Floats, y: Floats, z: Floats) -> ByFigures:
        """Image points and their derivatives by the coefficients, for x, y, z (N,)."""


@lru_cache(maxsize=1024)
def _end(model: LensModel, figures: Figures) -> float:
    return model.find_end(figures)


@lru_cache(maxsize=256)
def table(model: LensModel, figures: Figures) -> tuple[Floats, Floats]:
    """Angles over the domain and the radii there, denser towards the end, where the curve flattens or soars."""
    end = model.end_rad(figures)
    if math.isinf(model.end_radius(figures)):
        end = float(np.nextafter(end, 0))
    theta = end * np.sin(np.linspace(0, RIGHT_ANGLE, 1025))
    theta[-1] = end
    return theta, np.maximum.accumulate(model.radius(figures, theta))


def solve_increasing(model: LensModel, figures: Figures, radius: Floats) -> tuple[Floats, Mask]:
    """Angles off the axis of radii over focal length, and whether each was found.

    Newton's steps kept inside a bracket that shrinks at every step; ends with a verdict.
    """
    shape, radius = np.shape(radius), np.ravel(radius)
    table_theta, table_radius = table(model, figures)
    cell = np.clip(np.searchsorted(table_radius, radius) - 1, 0, len(table_theta) - 2)
    low, high = table_theta[cell], table_theta[cell + 1]
    theta = np.clip(np.interp(radius, table_radius, table_theta), low, high)
    inside = radius <= table_radius[-1]
    step = np.full_like(theta, np.inf)
    todo = np.flatnonzero(inside)
    at, wanted, low, high = theta[todo], radius[todo], low[todo], high[todo]
    for _ in range(60):
        error = model.radius(figures, at) - wanted
        low, high = np.where(error <= 0, at, low), np.where(error >= 0, at, high)
        newton = at - error / model.slope(figures, at)
        after = np.where((newton >= low) & (newton <= high), newton, 0.5 * (low + high))
        moved, at = np.abs(after - at), after
        going = moved > 4e-16 * (1 + at)
        if len(going) and going.all():
            continue
        theta[todo], step[todo] = at, moved
        todo = todo[going]
        at, wanted, low, high = (each[going] for each in (at, wanted, low, high))
        if not len(todo):
            break
    theta[todo], step[todo] = at, moved[going]
    return theta.reshape(shape), (inside & (step <= 1e-12)).reshape(shape)


def polynomial(coefficients: Floats, x: Floats) -> Floats:
    """Its values, lowest power first, by Horner's scheme: ``numpy.polynomial`` alone takes a tenth of numpy's own start."""
    value: Floats = np.full_like(x, coefficients[-1])
    for each in coefficients[-2::-1]:
        value = each + value * x
    return value


def first_root(coefficients: Floats) -> float:
    """Smallest root above 0 of a polynomial that starts with 1, lowest power first; infinite if there is none.

    Found as the largest root of the same polynomial in 1/x: however small the last coefficients are,
    nothing is divided by them.
    """
    roots = np.roots(coefficients)
    real = roots[np.abs(roots.imag) <= 1e-7 * np.abs(roots)].real
    with np.errstate(divide="ignore", over="ignore"):
        return float(1 / real.max(initial=0.0))
