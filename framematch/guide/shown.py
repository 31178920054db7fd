"""Measures as people read them: metric, or imperial inside ``shown_in("imperial")``. Optics stay metric: focal lengths, sensors, spots."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import ParamSpec, TypeVar

from framematch.errors import InputError

SYSTEMS = ("metric", "imperial")
_FOOT, _INCH = 0.3048, 0.0254
#: What stands in place of a metric unit, and how many of it one of that is; exact by definition (``text/units.py``).
_IMPERIAL = {
    "m": ("ft", 1 / _FOOT),
    "cm": ("in", 0.01 / _INCH),
    "mm": ("in", 0.001 / _INCH),
    "m/s": ("mph", 3600 / (5280 * _FOOT)),
    "m/s2": ("ft/s2", 1 / _FOOT),
    "m/s3": ("ft/s3", 1 / _FOOT),
    "g": ("oz", 16 / 453.59237),
    "N": ("lbf", 1 / (0.45359237 * 9.80665)),
}
Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")
_FEET: ContextVar[bool] = ContextVar("feet", default=False)


@contextmanager
def shown_in(system: str) -> Iterator[None]:
    """Inside the ``with``, what this file says is ``metric`` or ``imperial``.

    Raises:
        InputError: neither of the two.
    """
    if system not in SYSTEMS:
        raise InputError(f"{system!r} is not a system of units", field="--units", fix="use metric or imperial")
    before = _FEET.set(system == "imperial")
    try:
        yield
    finally:
        _FEET.reset(before)


def as_spoken_here(make: Callable[Arguments, Result]) -> Callable[Arguments, Result]:
    """A function that speaks as is spoken here, whichever thread calls it later."""
    spoken = system()

    def said(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Result:
        with shown_in(spoken):
            return make(*args, **kwargs)

    return said


def system() -> str:
    """The one that is spoken now."""
    return SYSTEMS[_FEET.get()]


def unit(metric: str) -> str:
    """The unit shown for a metric one."""
    return _IMPERIAL[metric][0] if _FEET.get() and metric in _IMPERIAL else metric


def amount(value: float, metric: str) -> float:
    """A metric figure in the unit shown for it."""
    return value * _IMPERIAL[metric][1] if _FEET.get() and metric in _IMPERIAL else value


def quantity(value: float, metric: str, how: str) -> str:
    """A metric figure with the unit shown for it, its digits as ``how`` formats them."""
    return f"{amount(value, metric):{how}} {unit(metric)}"


def signed(value: float, digits: int) -> str:
    """A figure with its sign, to so many places; one that is nothing to so many has none."""
    text = f"{value:+.{digits}f}"
    return text if float(text) else text[1:]


def millimetres(length_mm: float) -> str:
    """A length on a wall or a rig, to a millimetre or a hundredth of an inch."""
    return quantity(length_mm, "mm", ".2f") if _FEET.get() else f"{round(length_mm)} mm"


def centimetres(length_cm: float) -> str:
    """Room to something, to a centimetre or half an inch, rounded towards what is worse."""
    half_inches = math.floor(length_cm * _IMPERIAL["cm"][1] * 2 + 1e-6) / 2
    return f"{half_inches:g} in" if _FEET.get() else f"{math.floor(length_cm + 1e-6)} cm"


def speed(speed_m_s: float) -> str:
    """Such as ``8.0 m/s (29 km/h)``, ``17.9 mph``."""
    return quantity(speed_m_s, "m/s", ".1f") + ("" if _FEET.get() else f" ({3.6 * speed_m_s:.0f} km/h)")


def metres(distance_m: float, *, feet: bool | None = None) -> str:
    """A distance in three digits: ``2.86 m``, ``30 m``, ``1500 m``, ``infinity``; in feet if asked for."""
    if math.isinf(distance_m):
        return "infinity"
    feet = _FEET.get() if feet is None else feet
    rounded = float(f"{distance_m / _FOOT if feet else distance_m:.3g}")
    return f"{rounded:.0f} {'ft' if feet else 'm'}" if abs(rounded) >= 1000 else f"{rounded:g} {'ft' if feet else 'm'}"
