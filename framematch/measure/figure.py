"""A measured figure with its interval."""

from __future__ import annotations

from dataclasses import dataclass

NORMAL_95 = 1.959964  # half-width of the 95 % interval of a normal distribution, in standard deviations


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A measured figure and the half-width of its 95 % interval."""

    name: str
    value: float
    half_95: float
