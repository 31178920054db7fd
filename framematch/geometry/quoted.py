"""A lens from quoted angles of view, as spec sheets give them, with by how much it misses each.

The angles are those between the middles of opposite edges (or opposite corners) of the area read
out, with the lens's axis through its middle; so each full angle is twice the angle off the axis at
half the side. With squeeze s the width counts s times.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import PLAIN

Floats = NDArray[np.float64]

DIRECTIONS = ("horizontal", "vertical", "diagonal")


@dataclass(frozen=True, kw_only=True)
class LensFit:
    """A lens found from quoted angles.

    Args:
        lens: the lens.
        residual_deg: for each quoted angle, that of the lens less that quoted.
    """

    lens: Lens
    residual_deg: dict[str, float]


@dataclass(frozen=True, kw_only=True)
class _Quoted:
    """Quoted angles as radii over angles off the axis, sorted by radius."""

    names: tuple[str, ...]
    radius_mm: Floats
    angle_rad: Floats
    corner_mm: float
    squeeze: float

    @property
    def different(self) -> int:
        """How many different radii there are (a square picture's sides count once)."""
        return 1 + int(np.count_nonzero(np.diff(self.radius_mm) > 1e-9 * self.radius_mm[-1]))


def lens_from_angles(*, angles_deg: Mapping[str, float], width_mm: float, height_mm: float, projection: str | None, squeeze: float = 1.0) -> LensFit:
    """The lens whose angles of view come closest to the quoted ones.

    One angle and a projection give the focal length. Two or three give the focal length and k1 (and
    k2) of Kannala-Brandt if the projection is ``equidistant`` or left open, by least squares in
    degrees; fewer terms if that curve would stop growing before the corner of the picture. With any
    other projection they give the focal length alone, by least squares in degrees.

    Args:
        angles_deg: full angles by ``horizontal``, ``vertical``, ``diagonal``: one to three of them.
        width_mm, height_mm: of the area read out, still squeezed.
        projection: one with a closed form (``lens_models.PLAIN``), or None with two or three angles.
        squeeze: anamorphic squeeze.

    Raises:
        InputError: an angle that the projection can't have, or that contradicts another one.
    """
    if projection is not None and projection not in PLAIN:
        raise InputError(f"{projection!r} can't be found from quoted angles", field="projection", fix=f"use one of {', '.join(PLAIN)}")
    quoted = _checked(angles_deg, width_mm, height_mm, projection or "equidistant", squeeze)
    if projection is None and quoted.different == 1:
        raise InputError("one quoted angle does not say how the lens bends", field="projection", fix=f"add one of {', '.join(PLAIN)}")
    lens = None
    if projection in (None, "equidistant"):
        terms = quoted.different
        while terms > 1 and lens is None:
            lens = _kannala_brandt(quoted, terms)
            terms -= 1
    lens = lens or _focal_alone(quoted, projection or "equidistant")
    miss = np.degrees(2 * (_angle_at(lens, quoted.radius_mm) - quoted.angle_rad))
    return LensFit(lens=lens, residual_deg={name: float(value) for name, value in zip(quoted.names, miss, strict=True)})


def _checked(angles_deg: Mapping[str, float], width_mm: float, height_mm: float, projection: str, squeeze: float) -> _Quoted:
    for field, value in (("sensor_mm", width_mm), ("sensor_mm", height_mm), ("squeeze", squeeze)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{value} is not above 0", field=field, fix="give a number above 0")
    if not angles_deg:
        raise InputError("no angle of view is given", field="angle_deg", fix=f"give one to three of {', '.join(DIRECTIONS)}")
    wide, high = width_mm * squeeze / 2, height_mm / 2
    radii = {"horizontal": wide, "vertical": high, "diagonal": math.hypot(wide, high)}
    unit = Lens(projection=projection, focal_mm=1.0)
    included = unit.model.includes_end(unit.end_rad)
    end_deg = 2 * math.degrees(unit.end_rad)
    limit = f"{'at most' if included else 'less than'} {end_deg:g}"
    for name, angle in angles_deg.items():
        if name not in radii:
            raise InputError(f"{name!r} is not a direction of an angle of view", field=f"angle_deg.{name}", fix=f"use {', '.join(DIRECTIONS)}")
        if not (0 < angle < end_deg or (angle == end_deg and included)):
            raise InputError(
                f"{angle:g} degrees can't be had with {projection} projection",
                field=f"angle_deg.{name}",
                fix=f"give more than 0 and {limit} degrees, or another projection",
            )
    names = tuple(sorted(angles_deg, key=lambda name: (radii[name], angles_deg[name])))
    for smaller, larger in pairwise(names):
        if radii[larger] > radii[smaller] * (1 + 1e-9) and angles_deg[larger] <= angles_deg[smaller]:
            raise InputError(
                f"{angles_deg[larger]:g} degrees {larger} can't go with {angles_deg[smaller]:g} degrees {smaller}",
                field=f"angle_deg.{larger}",
                fix=f"the {larger} of the area read out is the longer one, so its angle is the larger",
            )
    return _Quoted(
        names=names,
        radius_mm=np.array([radii[name] for name in names]),
        angle_rad=np.radians([angles_deg[name] / 2 for name in names]),
        corner_mm=radii["diagonal"],
        squeeze=squeeze,
    )


def _angle_at(lens: Lens, radius_mm: Floats) -> Floats:
    """Angles off the axis at image radii (NaN beyond the lens's domain)."""
    rays, _ = lens.unproject(np.stack([np.zeros_like(radius_mm), radius_mm], axis=-1))
    out: Floats = np.arctan2(np.hypot(rays[:, 0], rays[:, 1]), rays[:, 2])
    return out


def _focal_alone(quoted: _Quoted, projection: str) -> Lens:
    unit = Lens(projection=projection, focal_mm=1.0)
    each = quoted.radius_mm / unit.radius_mm(quoted.angle_rad)
    # Every angle falls as the focal length grows, so the best one lies between those that each angle
    # asks for; a shorter one than the last line would put a quoted angle out of the domain.
    low, high = float(each.min()), float(each.max())
    if unit.model.includes_end(unit.end_rad):
        low = max(low, float(quoted.radius_mm[-1] / unit.end_mm))

    def missed(focal_mm: Floats) -> Floats:
        angle = unit.model.angle(unit.figures, quoted.radius_mm / focal_mm[:, None])[0]
        out: Floats = np.sum((angle - quoted.angle_rad) ** 2, axis=1)
        return out

    while high - low > 4e-16 * high:
        tried = np.linspace(low, high, 65)
        best = int(np.argmin(missed(tried)))
        closer = float(tried[max(best - 1, 0)]), float(tried[min(best + 1, 64)])
        if closer == (low, high):
            break
        low, high = closer
    return Lens(projection=projection, focal_mm=(low + high) / 2, squeeze=quoted.squeeze)


def _kannala_brandt(quoted: _Quoted, terms: int) -> Lens | None:
    """Least squares in the angles over f, f k1, f k2 (so many terms); None if no such lens reaches the corner."""
    powers = 1 + 2 * np.arange(terms)
    theta = quoted.angle_rad[:, None] ** powers
    weight = 1 / (powers * quoted.angle_rad[:, None] ** (powers - 1)).sum(axis=1)
    found: Floats = np.linalg.lstsq(theta * weight[:, None], quoted.radius_mm * weight, rcond=None)[0]
    lens = _reaching(found, quoted)
    if lens is None or lens.end_rad < quoted.angle_rad[-1]:
        if terms == quoted.different:
            return None  # the one curve through all of them turns back
        found = np.array([_focal_alone(quoted, "equidistant").focal_mm, *(0.0,) * (terms - 1)])
        lens = _reaching(found, quoted)
    return _gauss_newton(found, lens, quoted, powers) if lens else None


def _reaching(found: Floats, quoted: _Quoted) -> Lens | None:
    """The lens of f, f k1, ... if it keeps growing out to the corner of the picture."""
    if not (np.isfinite(found).all() and found[0] > 0):
        return None
    lens = Lens(projection="kannala-brandt", focal_mm=float(found[0]), k=tuple(float(k) for k in found[1:] / found[0]), squeeze=quoted.squeeze)
    return lens if np.isfinite(_angle_at(lens, np.array([quoted.corner_mm]))).all() else None


def _gauss_newton(found: Floats, lens: Lens, quoted: _Quoted, powers: NDArray[np.int64]) -> Lens:
    """Gauss-Newton steps from a lens that reaches the corner, halved until they help and still reach it."""

    def missed(lens: Lens) -> Floats:
        out: Floats = _angle_at(lens, quoted.radius_mm) - quoted.angle_rad
        return out

    error = missed(lens)
    for _ in range(50):
        angle = (error + quoted.angle_rad)[:, None]
        slope = (found * powers * angle ** (powers - 1)).sum(axis=1)
        step = np.linalg.lstsq(-(angle**powers) / slope[:, None], -error, rcond=None)[0]
        if not np.abs(step).max() > 1e-15 * np.abs(found).max():
            break
        better = _step_that_helps(found, step, error, quoted, missed)
        if better is None:
            break
        found, lens, error = better
    return lens


def _step_that_helps(found: Floats, step: Floats, error: Floats, quoted: _Quoted, missed: Callable[[Lens], Floats]) -> tuple[Floats, Lens, Floats] | None:
    for halved in range(30):
        after = found + step * 0.5**halved
        lens = _reaching(after, quoted)
        if lens is not None and (now := missed(lens)) @ now < error @ error:
            return after, lens, now
    return None
