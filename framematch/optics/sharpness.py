"""What is sharp: depth of field, hyperfocal distance, blur disks, diffraction, the stop that a wish needs.

Thin lens, focused by moving the whole lens; distances are depths along the axis from the lens. An
anamorphic lens is taken at its focal length down the picture. Aberrations, focus scales that are
out and field curvature are left out: a soft corner is not foreseen here.

Sources: the thin-lens formulas of any optics textbook; the Airy disk is the first zero of the
Bessel function J1 (2.44 wavelengths times the f-number, across). That a blur disk and an Airy disk
add as squares is practice, not theory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError

Floats = NDArray[np.float64]

WAVELENGTH_NM = 550.0
CIRCLES_PER_DIAGONAL = 1500.0
#: The minimum aperture that a wish may ask for; lenses for moving pictures end at f/16 or f/22 (practice).
MINIMUM_APERTURE = 22.0


@dataclass(frozen=True, kw_only=True)
class Depth:
    """What is sharp: from ``near_m`` to ``far_m`` (may be infinite), in metres from the lens."""

    near_m: float
    far_m: float


def circle_mm(*, frame_mm: tuple[float, float], per_diagonal: float = CIRCLES_PER_DIAGONAL) -> float:
    """Largest blur disk that passes for sharp: the shown frame's diagonal on the sensor / 1500."""
    return math.hypot(*frame_mm) / per_diagonal


def hyperfocal_m(*, focal_mm: float, f_number: float, circle_mm: float) -> float:
    """Nearest focus distance whose depth of field reaches infinity: f^2 / (N c) + f."""
    _above_0(focal_mm=focal_mm, f_number=f_number, circle_mm=circle_mm)
    return (focal_mm**2 / (f_number * circle_mm) + focal_mm) / 1000


def depth_of_field(*, focal_mm: float, f_number: float, circle_mm: float, focus_m: float) -> Depth:
    """Near and far limit of what is sharp.

    Args:
        focus_m: distance focused at, beyond the focal length; may be infinite.

    Raises:
        InputError: a figure that no lens has, or focus inside the focal length.
    """
    hyperfocal = hyperfocal_m(focal_mm=focal_mm, f_number=f_number, circle_mm=circle_mm)
    focal_m = _focal_m(focal_mm, focus_m)
    if math.isinf(focus_m):
        return Depth(near_m=hyperfocal - focal_m, far_m=math.inf)
    near = focus_m * (hyperfocal - focal_m) / (hyperfocal + focus_m - 2 * focal_m)
    far = focus_m * (hyperfocal - focal_m) / (hyperfocal - focus_m) if focus_m < hyperfocal else math.inf
    return Depth(near_m=near, far_m=far)


def blur_disk_mm(*, focal_mm: float, f_number: float, focus_m: float, depth_m: ArrayLike) -> Floats:
    """Diameter on the sensor of the disk that a point out of focus becomes.

    Args:
        depth_m: depth of the point along the axis, any shape.

    Returns:
        Same shape; NaN at or behind the lens's focal point, where there is no such image.
    """
    _above_0(focal_mm=focal_mm, f_number=f_number)
    focal_m = _focal_m(focal_mm, focus_m)
    depth = np.asarray(depth_m, dtype=np.float64)
    inside = depth > focal_m
    with np.errstate(all="ignore"):
        share = 1 / depth if math.isinf(focus_m) else np.abs(1 - focus_m / depth) / (focus_m - focal_m)
        out: Floats = np.where(inside, 1000 * focal_m * focal_m / f_number * share, np.nan)
    return out


def airy_disk_mm(*, f_number: float, wavelength_nm: float = WAVELENGTH_NM) -> float:
    """Diameter of the Airy disk (first dark ring) of a lens focused far away."""
    _above_0(f_number=f_number, wavelength_nm=wavelength_nm)
    return 2.44 * wavelength_nm * 1e-6 * f_number


def spot_mm(*, focal_mm: float, f_number: float, focus_m: float, depth_m: ArrayLike, wavelength_nm: float = WAVELENGTH_NM) -> Floats:
    """Blur disk and Airy disk together, as the root of the sum of their squares (practice)."""
    blur = blur_disk_mm(focal_mm=focal_mm, f_number=f_number, focus_m=focus_m, depth_m=depth_m)
    return np.hypot(blur, airy_disk_mm(f_number=f_number, wavelength_nm=wavelength_nm))


def f_number_for_near(*, focal_mm: float, circle_mm: float, focus_m: float, near_m: float) -> float:
    """Widest aperture whose near limit is ``near_m``, with the focus where it is.

    0 where any stop would do (near is no nearer than the focus).

    Raises:
        InputError: near is inside the focal length, or focus is.
    """
    _above_0(focal_mm=focal_mm, circle_mm=circle_mm)
    focal_m = _focal_m(focal_mm, focus_m)
    if not near_m > focal_m:
        raise InputError(f"{near_m:g} m is inside the lens's focal length", field="near_m", fix="no stop makes that sharp")
    if near_m >= focus_m:
        return 0.0
    share = 1 / near_m if math.isinf(focus_m) else (focus_m - near_m) / (near_m * (focus_m - focal_m))
    return 1000 * focal_m * focal_m / circle_mm * share


def focus_for_near(*, focal_mm: float, f_number: float, circle_mm: float, near_m: float) -> float:
    """Farthest focus distance whose near limit is ``near_m``; infinite where focus at infinity is."""
    hyperfocal, focal_m = hyperfocal_m(focal_mm=focal_mm, f_number=f_number, circle_mm=circle_mm), focal_mm / 1000
    if not near_m > focal_m:
        raise InputError(f"{near_m:g} m is inside the lens's focal length", field="near_m", fix="no focus makes that sharp")
    return math.inf if near_m >= hyperfocal - focal_m else near_m * (hyperfocal - 2 * focal_m) / (hyperfocal - focal_m - near_m)


def focal_before_focusing_mm(*, image_distance_mm: float, focus_m: float) -> float:
    """Focal length at infinity of a lens whose image distance at ``focus_m`` is known.

    The inverse of ``Lens.focused``: 1/f = 1/s + 1/image distance.
    """
    return image_distance_mm if math.isinf(focus_m) else 1 / (1 / image_distance_mm + 1 / (1000 * focus_m))


def _focal_m(focal_mm: float, focus_m: float) -> float:
    if not focus_m > focal_mm / 1000:
        raise InputError(f"{focus_m} m is not beyond the focal length of {focal_mm:g} mm", field="focus_m", fix="give metres, or inf")
    return focal_mm / 1000


def _above_0(**figures: float) -> None:
    for name, value in figures.items():
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{value} is not above 0", field=name, fix="give a number above 0")
