"""Figures as people type them on one line: places in a picture, a width and height."""

from __future__ import annotations

import math

from framematch.errors import InputError

Place = tuple[float, float] | None


def places(text: str, option: str, *, count: int | None = None) -> list[Place]:
    """Places in pixels from ``310,204 980,210 - 305,540`` or the same with semicolons; None for ``-``, one not seen.

    Args:
        count: how many there have to be; any number if not given.

    Raises:
        InputError: not so many, or one that can't be read.
    """
    found: list[Place] = []
    for part in text.replace(";", " ").replace(", ", ",").split():
        pair = () if part == "-" else _numbers(part, ",")
        if part != "-" and len(pair) != 2:
            raise InputError(f"{part!r} is not a place", field=option, fix='write "x,y x,y ..." in pixels, - for a mark not seen')
        found.append((pair[0], pair[1]) if pair else None)
    if count is not None and len(found) != count:
        raise InputError(f"{text!r} is not {count} places", field=option, fix='write "x,y x,y ..." in the order of the table, - for a mark not seen')
    return found


def numbers(text: str, *, count: int | None = None, most: int = 12) -> list[float]:
    """Numbers with commas, semicolons or spaces between.

    Raises:
        InputError: something else among them, or not as many as there have to be.
    """
    try:
        found = [float(word) for word in text.replace(",", " ").replace(";", " ").split()]
    except ValueError:
        raise InputError(f"{text[:60]!r} is not numbers with commas between", fix="write them like 12, 15, 18") from None
    if not (len(found) == count if count is not None else 1 <= len(found) <= most):
        raise InputError(f"{len(found)} numbers", fix=f"give {count}" if count is not None else f"give 1 to {most}")
    return found


def size(text: str, option: str, example: str) -> tuple[float, float]:
    """Width and height above 0 from ``1.2x0.9``.

    Raises:
        InputError: it is not one.
    """
    pair = _numbers(text.lower().replace("\u00d7", "x").replace("*", "x"), "x")
    if len(pair) != 2 or not all(0 < each < 1e6 for each in pair):
        raise InputError(f"{text!r} is not a valid size", field=option, fix=f"write width x height, such as {example}")
    return pair[0], pair[1]


def _numbers(text: str, between: str) -> tuple[float, ...]:
    """Finite numbers; nothing if one can't be read."""
    try:
        found = tuple(float(part.strip().rstrip("m ")) for part in text.split(between, 2))
    except ValueError:
        return ()
    return found if all(map(math.isfinite, found)) else ()
