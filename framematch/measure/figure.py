"""A measured figure with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

NORMAL_95 = 1.959964  # half-width of the 95 % interval of a normal distribution, in standard deviations


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A measured figure and the half-width of its 95 % interval."""

    name: str
    value: float
    half_95: float


def within(percent: float) -> str:
    """What something is known to, to two figures and never rounded down: ``0.26 %``."""
    if not 0 < percent < math.inf:
        return f"{percent:g} %"
    unit = 10.0 ** (math.floor(math.log10(percent)) - 1)
    return f"{round(math.ceil(percent / unit - 1e-9) * unit, 9):g} %"
