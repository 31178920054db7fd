"""Small linear programs: a handful of figures under hundreds of bounds.

The dual simplex method (Lemke, Naval Research Logistics Quarterly 1, 1954): from the corner where
every figure is at its lowest, the bound that is broken most comes in and another goes out, until
none is broken. With so few figures each corner is one small system of equations.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_CORNERS = 2000  # more than any program of this size takes
_AGAIN = 25  # corners after which the inverse is worked out anew, before rounding adds up
_BROKEN = 1e-10  # a bound is, by more than this share of the figures in it
_TIE = 1e-10  # added to the costs, each its own, so that no two corners cost the same and none is met twice


def minimum(cost: Floats, rows: Floats, limits: Floats, low: Floats) -> Floats | None:
    """The figures x that make ``cost @ x`` smallest, with ``rows @ x <= limits`` and ``x >= low``.

    Args:
        cost: (n,) of each figure, 0 or above.
        rows, limits: (m, n) and (m,).
        low: (n,) lowest of each figure, finite.

    Returns:
        (n,), or None where no figures keep within all bounds (or rounding hides them).
    """
    count = len(cost)
    size = np.linalg.norm(rows, axis=1)
    kept = size > 0
    if (limits[~kept] < 0).any():
        return None
    bounds = np.vstack([-np.eye(count), rows[kept] / size[kept, None]])
    ends = np.concatenate([-low, limits[kept] / size[kept]])
    held = np.arange(count)  # the bounds that the corner lies on
    inverse = -np.eye(count)  # of theirs
    price = cost + _TIE * np.linspace(1.0, 2.0, count)  # of each: what moving it would save, never below 0
    fresh = True
    for turn in range(1, _CORNERS):
        x: Floats = inverse @ ends[held]
        over = bounds @ x - ends
        over[held] = -np.inf
        comes = int(over.argmax())
        met = over[comes] <= _BROKEN * max(1.0, float(np.abs(x).max()))
        if met and fresh:
            return x
        if met or turn % _AGAIN == 0:
            try:
                inverse, fresh = np.linalg.inv(bounds[held]), True
            except np.linalg.LinAlgError:
                return None
            if met:
                continue
        share = bounds[comes] @ inverse
        gives = np.flatnonzero(share > 1e-9)
        if not len(gives):
            return None
        steps = price[gives] / share[gives]
        near = gives[steps <= steps.min() + 1e-15]
        goes = int(near[share[near].argmax()])
        step = price[goes] / share[goes]
        price = np.maximum(price - step * share, 0.0)
        price[goes], held[goes] = step, comes
        share[goes] -= 1.0
        inverse -= np.multiply.outer(inverse[:, goes] / (share[goes] + 1.0), share)
        fresh = False
    return None
