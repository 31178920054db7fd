"""Every lens model that the project knows, each as one value; a new one is a value in ``MODELS`` and nothing else.

Sources: Kannala and Brandt, IEEE PAMI 28(8), 2006, as OpenCV's ``fisheye`` module defines it; Brown, see
:class:`BrownConrady`; the other five are the textbook projections.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from framematch.geometry.lens_brown_conrady import BrownConrady
from framematch.geometry.lens_central import Central, K
from framematch.geometry.lens_model import RIGHT_ANGLE, Example, Floats, LensModel, first_root, polynomial


def _kannala_brandt_radius(theta: Floats, k: K) -> Floats:
    k1, k2, k3, k4 = k
    square = theta * theta
    out = k4 * square
    for c in (k3, k2, k1):
        out += c
        out *= square
    out += 1
    out *= theta
    return out


def _kannala_brandt_slope(theta: Floats, k: K) -> Floats:
    return np.asarray(polynomial(_kannala_brandt_powers(k), theta * theta), dtype=np.float64)


@lru_cache(maxsize=256)
def _kannala_brandt_powers(k: K) -> Floats:
    return np.array([1, 3 * k[0], 5 * k[1], 7 * k[2], 9 * k[3]])


#: By name, in the order in which they are offered.
MODELS: Mapping[str, LensModel] = {
    model.name: model
    for model in (
        Central(
            name="rectilinear",
            words="straight lines stay straight",
            radius_of=lambda t, _: np.tan(t),
            slope_of=lambda t, _: 1 / np.cos(t) ** 2,
            angle_of=np.arctan,
            end_of=lambda _: RIGHT_ANGLE,
            end_included=False,
            edge=math.inf,
            opencv="pinhole",
            series=(1 / 3, 2 / 15, 17 / 315, 62 / 2835),
            start=True,
            examples={"2x": Example(40.0, squeeze=2.0)},
        ),
        Central(
            name="equidistant",
            words="even steps of angle, usual for wide drone cameras",
            radius_of=lambda t, _: t,
            slope_of=lambda t, _: np.ones_like(t),
            angle_of=lambda r: r,
            end_of=lambda _: math.pi,
            end_included=False,
            opencv="fisheye",
            series=(0.0, 0.0, 0.0, 0.0),
            start=True,
            examples={"1.33x": Example(2.86, squeeze=1.33)},
        ),
        Central(
            name="equisolid",
            words="usual for photographic fisheyes",
            radius_of=lambda t, _: 2 * np.sin(t / 2),
            slope_of=lambda t, _: np.cos(t / 2),
            angle_of=lambda r: 2 * np.arcsin(np.minimum(r / 2, 1)),
            end_of=lambda _: math.pi,
            end_included=True,
            series=(-1 / 24, 1 / 1920, -1 / 322560, 1 / 92897280),
            start=True,
        ),
        Central(
            name="stereographic",
            words="small things keep their shape",
            radius_of=lambda t, _: 2 * np.tan(t / 2),
            slope_of=lambda t, _: 1 / np.cos(t / 2) ** 2,
            angle_of=lambda r: 2 * np.arctan(r / 2),
            end_of=lambda _: math.pi,
            end_included=False,
            edge=math.inf,
            series=(1 / 12, 1 / 120, 17 / 20160, 31 / 362880),
            start=True,
        ),
        Central(
            name="orthographic",
            words="strongly squeezed edges",
            radius_of=lambda t, _: np.sin(t),
            slope_of=lambda t, _: np.cos(t),
            angle_of=lambda r: np.arcsin(np.minimum(r, 1)),
            end_of=lambda _: RIGHT_ANGLE,
            end_included=True,
            series=(-1 / 6, 1 / 120, -1 / 5040, 1 / 362880),
        ),
        Central(
            name="kannala-brandt",
            words="theta + k1 theta^3 + ... + k4 theta^9, as measured",
            coefficients=4,
            bare="equidistant",
            radius_of=_kannala_brandt_radius,
            slope_of=_kannala_brandt_slope,
            by_k_of=lambda t, k: [t ** (2 * i + 3) for i in range(4)],
            end_of=lambda k: min(math.sqrt(first_root(_kannala_brandt_powers(k))), math.pi),
            opencv="fisheye",
            solved=((1, False), (2, False), (3, False), (4, False)),
            examples={
                # Constants printed with OpenCV's own fisheye tests.
                "published": Example(4.0, k=(-0.0014613319981768, -0.00329861110580401, 0.00605760088590183, -0.00374209380722371)),
                "barrel": Example(2.5, k=(-0.08,)),
                "swelling": Example(2.5, k=(0.05, 0.01), squeeze=1.8),
            },
        ),
        BrownConrady(
            name="brown-conrady",
            words="straight lines bent by k and p, as measured",
            coefficients=6,
            tangential=True,
            bare="rectilinear",
            opencv="pinhole",
            solved=((1, False), (2, False), (2, True), (3, False), (3, True), (6, True)),
            examples={
                "mild": Example(18.0, k=(-0.02, 0.004)),
                "folding": Example(5.0, k=(-0.3, 0.05)),
                "rational": Example(5.0, k=(0.4, -0.15, 0.002, 0.7, -0.1, 0.01)),
                "tangential": Example(8.0, k=(-0.25, 0.03), p=(0.001, -0.002)),
                "everything": Example(8.0, k=(0.2, -0.1, 0.0, 0.5, -0.05, 0.0), p=(-0.0015, 0.001), squeeze=1.33),
            },
        ),
    )
}
PROJECTIONS: tuple[str, ...] = tuple(MODELS)
#: Those that a name alone gives, and those that coefficients give.
PLAIN: tuple[str, ...] = tuple(name for name, model in MODELS.items() if not model.coefficients)
BENT: tuple[str, ...] = tuple(name for name, model in MODELS.items() if model.coefficients)
