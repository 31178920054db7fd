"""Figures typed on the command line: lists, sizes, a percentage at a distance."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

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

    from framematch.guide.report import plain

    write_out(target, lambda: json.dumps(plain(figures(), decimals=decimals), indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def write_out(target: str | None, text: Callable[[], str]) -> None:
    """Write a text to a file, or to standard output for ``-``; nothing for None."""
    from framematch.text.whole import write_text

    if target == "-":
        sys.stdout.write(text())
    elif target is not None:
        write_text(Path(target), text())


def one_printed(json: str | None, csv: str | None) -> bool:
    """Whether figures go to standard output, where only one kind can.

    Raises:
        InputError: both would.
    """
    if json == csv == "-":
        raise InputError("only one of --json and --csv can be printed", field="--csv", fix="name a file for the other")
    return "-" in (json, csv)


def write_new(file: Path, text: str, *, field: str = "", force: bool | None = None) -> None:
    """Write a file to fill in.

    Args:
        force: replace one that is there; None where there is no option that says so.

    Raises:
        InputError: it is there already.
    """
    from framematch.text.whole import write_text

    if file.exists() and not force:
        raise InputError(
            "is there already", field=field, file=str(file), fix="choose another name" + ("" if force is None else ", or add --force to replace it")
        )
    write_text(file, text)
