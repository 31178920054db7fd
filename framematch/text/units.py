"""The one place that converts units: metric inside, feet, miles an hour, ounces and others accepted and shown.

A figure in a file is a number in its key's own unit, or text with its unit: ``"40 ft"``,
``"25 mph"``, ``"12 oz"``, ``"5 ft 7 in"``. The factors are exact by definition (international yard
and pound, 1959; SI), horsepower is 550 foot-pounds a second.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

from framematch.errors import InputError


@dataclass(frozen=True)
class _Unit:
    kind: str
    scale: float  # SI = scale * value + zero
    zero: float = 0.0


MM_PER_INCH = 25.4
_FOOT, _INCH, _POUND, _G = 0.3048, 0.0254, 0.45359237, 9.80665

UNITS: dict[str, _Unit] = {
    "m": _Unit("length", 1.0),
    "mm": _Unit("length", 1e-3),
    "cm": _Unit("length", 1e-2),
    "km": _Unit("length", 1e3),
    "ft": _Unit("length", _FOOT),
    "in": _Unit("length", _INCH),
    "yd": _Unit("length", 3 * _FOOT),
    "mi": _Unit("length", 5280 * _FOOT),
    "m2": _Unit("area", 1.0),
    "cm2": _Unit("area", 1e-4),
    "sq ft": _Unit("area", _FOOT**2),
    "sq in": _Unit("area", _INCH**2),
    "m/s": _Unit("speed", 1.0),
    "km/h": _Unit("speed", 1 / 3.6),
    "mph": _Unit("speed", 5280 * _FOOT / 3600),
    "kt": _Unit("speed", 1852 / 3600),
    "ft/s": _Unit("speed", _FOOT),
    "kg": _Unit("mass", 1.0),
    "g": _Unit("mass", 1e-3),
    "lb": _Unit("mass", _POUND),
    "oz": _Unit("mass", _POUND / 16),
    "C": _Unit("temperature", 1.0, 273.15),
    "F": _Unit("temperature", 5 / 9, 273.15 - 32 * 5 / 9),
    "K": _Unit("temperature", 1.0),
    "s": _Unit("time", 1.0),
    "ms": _Unit("time", 1e-3),
    "min": _Unit("time", 60.0),
    "h": _Unit("time", 3600.0),
    "W": _Unit("power", 1.0),
    "hp": _Unit("power", 550 * _FOOT * _POUND * _G),
    "Wh": _Unit("energy", 3600.0),
    "J": _Unit("energy", 1.0),
    "Ah": _Unit("charge", 3600.0),
    "mAh": _Unit("charge", 3.6),
    "N": _Unit("force", 1.0),
    "lbf": _Unit("force", _POUND * _G),
    "deg": _Unit("angle", math.pi / 180),
    "kg/m3": _Unit("density", 1.0),
    "slug/cu ft": _Unit("density", _POUND * _G / _FOOT / _FOOT**3),
}
_ALSO = {
    "feet": "ft", "foot": "ft", "'": "ft", "inch": "in", "inches": "in", '"': "in", "metres": "m", "meters": "m", "metre": "m", "meter": "m",
    "yards": "yd", "miles": "mi", "mi/h": "mph", "knots": "kt", "kn": "kt", "kts": "kt", "kph": "km/h", "kmh": "km/h", "lbs": "lb", "pounds": "lb",
    "ounces": "oz", "°c": "C", "°f": "F", "c": "C", "f": "F", "sec": "s", "seconds": "s", "minutes": "min", "mins": "min", "hours": "h", "°": "deg",
    "degrees": "deg", "ft2": "sq ft", "in2": "sq in", "sqft": "sq ft", "watts": "W", "w": "W", "wh": "Wh", "ah": "Ah", "mah": "mAh", "m²": "m2",
    "grams": "g", "kilograms": "kg", "fps": "ft/s",
}  # fmt: skip

_ADDS_UP = ("length", "mass", "time")  # "5 ft 7 in" is one figure, "5 F 7 F" is not

#: What is shown in place of a metric unit when imperial units are asked for.
IMPERIAL = {"m": "ft", "mm": "in", "cm": "in", "m/s": "mph", "kg": "lb", "C": "F", "m2": "sq ft", "km/h": "mph"}

LABELS = {"C": "°C", "F": "°F", "deg": "°", "m2": "m²"}

# Longest first: a speed's key also ends like a time's.
_KEY_ENDINGS = {
    "_m_s": "m/s",
    "_mm": "mm",
    "_cm": "cm",
    "_m2": "m2",
    "_ms": "ms",
    "_deg": "deg",
    "_kg": "kg",
    "_wh": "Wh",
    "_ah": "Ah",
    "_m": "m",
    "_g": "g",
    "_s": "s",
    "_w": "W",
}

# Whoever writes the text chooses its length: it is bounded first, and nothing matched is ever taken back (``++``), so that time grows with length alone.
_LONGEST = 100  # characters of a figure with its unit
_NUMBER = r"[-+]?+(?:\d++(?:\.\d*+)?+|\.\d++)(?:[eE][-+]?\d++)?+"
_PART = re.compile(rf"\s*+({_NUMBER})\s*+([^\d+\-.]++)(?={_NUMBER}|$)")
_FIGURE = re.compile(rf"\s*+{_NUMBER}\s*+[^\d\s+\-.].*+")


_MINUS = re.compile(r"(?<![\w.)\]-])-(?=[\d.])")


def convert(value: float, *, unit: str, to: str) -> float:
    """A figure in another unit of the same kind.

    Raises:
        InputError: unknown unit, or another kind of quantity.
    """
    source, target = _unit(unit), _unit(to)
    if source.kind != target.kind:
        raise InputError(f"{unit} is a {source.kind}, not a {target.kind}", fix=f"give it in {_of_kind(target.kind)}")
    return (value * source.scale + source.zero - target.zero) / target.scale


def read(value: float | int | str, *, unit: str) -> float:
    """A figure from a file in the unit asked for: a number is in that unit already, text brings its own.

    Raises:
        InputError: no figure, an unknown unit, another kind of quantity, not finite.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise InputError(f"{value!r} is not a figure", fix=f'give a number in {unit}, or text such as "12 {unit}"')
    if isinstance(value, str):
        text, total, at = value[: _LONGEST + 1].strip(), 0.0, 0
        parts = 0
        while at < len(text):
            found = _PART.match(text, at) if len(value) <= _LONGEST else None
            if found is None or (parts and (float(found[1]) < 0 or _unit(unit).kind not in _ADDS_UP)):
                raise InputError(f"{value!r} is not a figure with a unit", fix=f'write it like "12 {unit}"; one of {_of_kind(_unit(unit).kind)}')
            part = convert(float(found[1]), unit=found[2], to=unit)
            total += math.copysign(part, total) if parts and text.startswith("-") else part
            parts, at = parts + 1, found.end()
        if not parts:
            raise InputError("nothing given", fix=f'write it like "12 {unit}"')
        value = total
    if not math.isfinite(value):
        raise InputError(f"{value} is not a figure", fix="give a finite number")
    return float(value)


def metric(data: dict[str, Any]) -> dict[str, Any]:
    """A file's plain data with texts such as ``"40 ft"`` turned into the unit that their key ends in.

    Works on every depth: in ``offset_mm = { up = "2.3 in" }`` the unit is the table's. Text that is no
    figure with a unit, or whose key has none, stays as it is, for the file's own checks to judge.

    Raises:
        InputError: a figure of another kind, such as a weight for a length; a whole number beyond TOML's 64 bits.
    """
    return {key: _metric(value, _unit_of_key(key), key) for key, value in data.items()}


def _metric(value: Any, unit: str | None, field: str) -> Any:
    if isinstance(value, dict):
        return {key: _metric(each, _unit_of_key(key) or unit, f"{field}.{key}") for key, each in value.items()}
    if isinstance(value, list):
        return [_metric(each, unit, field) for each in value]
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise InputError("a whole number of more than 19 digits", field=field, fix="TOML has whole numbers of 64 bits")
    if unit is None or not isinstance(value, str) or len(value) > _LONGEST or _FIGURE.fullmatch(value) is None:
        return value
    try:
        return read(value, unit=unit)
    except InputError as error:
        raise error.within(prefix=field) from None


def _unit_of_key(key: str) -> str | None:
    return next((unit for ending, unit in _KEY_ENDINGS.items() if key.endswith(ending)), None)


def shown(value: float, *, unit: str, system: str = "metric", digits: int = 1) -> str:
    """A metric figure as text, in its own unit or the imperial one in its place."""
    target = IMPERIAL.get(unit, unit) if system == "imperial" else unit
    number = convert(value, unit=unit, to=target) if unit in UNITS else value
    text = f"{number:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    label = LABELS.get(target, target)
    return f"{text}{'' if label == '°' else ' '}{label}"


def true_minus(text: str) -> str:
    """Text with a true minus sign before negative numbers; ranges and dates keep their hyphens."""
    return _MINUS.sub("\u2212", text)


def _unit(name: str) -> _Unit:
    clean = " ".join(name.split())
    key = clean if clean in UNITS else _ALSO.get(clean.lower(), clean)
    if key not in UNITS:
        raise InputError(f"{clean!r} is not a unit known here", fix=f"use one of {', '.join(UNITS)}")
    return UNITS[key]


def _of_kind(kind: str) -> str:
    return ", ".join(name for name, unit in UNITS.items() if unit.kind == kind)
