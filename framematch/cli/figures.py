"""Figures typed on the command line: lists, sizes, a percentage at a distance."""

from __future__ import annotations

import math
from collections.abc import Callable

from framematch.errors import InputError

MOST = 10_000  # of millimetres, metres and percent alike


def numbers(text: str, option: str) -> tuple[float, ...]:
    """``12,15,18`` as numbers above 0; nothing for an empty text."""
    return tuple(_number(part, option, "write numbers with commas: 12,15,18") for part in text.split(",")) if text.strip() else ()


def percent_at(text: str, option: str, *, distance_needed: bool = True) -> tuple[float, float | None] | None:
    """``40@2`` as percent and metres, ``40`` as percent alone where that will do; None for an empty text."""
    if not text.strip():
        return None
    percent, _, distance = text.partition("@")
    if not distance and distance_needed:
        raise InputError(f"{text!r} has no distance", field=option, fix="write percent @ metres: 40@2")
    fix = "write percent @ metres: 40@2"
    return _number(percent, option, fix), _number(distance, option, fix) if distance else None


def _number(text: str, option: str, fix: str) -> float:
    try:
        value = float(text.strip().rstrip("%m "))
    except ValueError:
        value = math.nan
    if not 0 < value < math.inf:
        raise InputError(f"{text.strip()!r} is not a number above 0", field=option, fix=fix)
    if not 1e-3 <= value <= MOST:
        raise InputError(f"{text.strip()!r} is out of range", field=option, fix=f"give 0.001 to {MOST}")
    return value


def write_json(target: str | None, figures: Callable[[], object], *, decimals: int = 6) -> None:
    """Write figures as JSON to a file, or to standard output for ``-``; nothing for None.

    Infinite ones become ``"inf"``, those that are not known null.
    """
    if target is None:
        return
    import json
    import sys
    from pathlib import Path

    from framematch.guide.report import plain
    from framematch.text.whole import write_text

    text = json.dumps(plain(figures(), decimals=decimals), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    if target == "-":
        sys.stdout.write(text)
    else:
        write_text(Path(target), text)
