"""What a hand places in a scene: an opening by two of its corners, one more point of a path."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.shot.opening import Opening

Floats = NDArray[np.float64]

LEAST_M = 0.1  # nothing narrower or lower is flown through
_TO_M = 3  # decimals that a hand is worth


def opening_between(one_m: ArrayLike, other_m: ArrayLike, *, seen_from_m: ArrayLike) -> Opening:
    """The rectangle between two opposite corners on the face that is seen, flown away from whoever sees it.

    Args:
        one_m, other_m: (3,) the corners, scene axes; whichever of the four.
        seen_from_m: (3,) where they are seen from, scene axes; on the side that the run comes from.

    Returns:
        An upright opening with its middle and its heading; sizes and places to the millimetre, the heading to 0.1 degrees.

    Raises:
        InputError: the corners lie one above the other, or at one height.
    """
    one, other, eye = (np.asarray(p, dtype=np.float64) for p in (one_m, other_m, seen_from_m))
    along = other - one
    width, height = math.hypot(along[0], along[2]), abs(float(along[1]))
    for name, size, fix in (("wide", width, "click corners that lie across from each other"), ("high", height, "click a lower and an upper corner")):
        if size < LEAST_M:
            raise InputError(f"an opening {size:.2f} m {name} is too small to be flown through", field="corners", fix=fix)
    middle = (one + other) / 2
    through = np.array([-along[2], along[0]]) / width  # level and square to the face: x and z
    if through @ (middle - eye)[[0, 2]] < 0:
        through = -through
    x, y, z = (round(float(v), _TO_M) for v in middle)
    heading = round(math.degrees(math.atan2(through[0], -through[1])), 1)
    return Opening(width_m=round(width, _TO_M), height_m=round(height, _TO_M), middle_m=(x, y, z), heading_deg=heading + 0.0)


def stretch_for(points_m: Sequence[ArrayLike], new_m: ArrayLike) -> int:
    """Behind how many of a path's points (n >= 1) another one lengthens the way least; n for behind the last."""
    points, new = np.array(points_m, dtype=np.float64), np.asarray(new_m, dtype=np.float64)
    away = np.linalg.norm(points - new, axis=1)
    between = away[:-1] + away[1:] - np.linalg.norm(np.diff(points, axis=0), axis=1)
    return int(np.argmin(np.append(between, away[-1]))) + 1
