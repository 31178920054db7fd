"""What the figures of a gap's values have to be."""

from __future__ import annotations

import math

from framematch.errors import InputError


def above_0(value: object, *names: str) -> None:
    """Refuse figures of ``value`` that are not above 0."""
    for name in names:
        figure = getattr(value, name)
        if not (math.isfinite(figure) and figure > 0):
            raise InputError(f"{figure} is not above 0", field=name, fix="give a number above 0")


def at_least_0(value: object, *names: str) -> None:
    """Refuse figures of ``value`` below 0."""
    for name in names:
        figure = getattr(value, name)
        if not (math.isfinite(figure) and figure >= 0):
            raise InputError(f"{figure} is below 0 or no number", field=name, fix="give 0 or more")


def finite(value: object, *names: str) -> None:
    """Refuse figures of ``value`` that are no numbers."""
    for name in names:
        if not math.isfinite(getattr(value, name)):
            raise InputError(f"{getattr(value, name)} is not a number", field=name, fix="give a finite number")
