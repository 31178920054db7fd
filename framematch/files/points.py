"""The points of a path as text, one on each line."""

from __future__ import annotations

import pathlib

from framematch.errors import InputError
from framematch.shot.path import MOST_POINTS, Path, Point
from framematch.shot.shot import Shot
from framematch.shot.timing import timed
from framematch.text.whole import read_text


def read_path(file: pathlib.Path, shot: Shot) -> Path:
    """The flight through the points of a file.

    Args:
        file: see :func:`read_points`; its own speeds, where it has them, go before the run's.
        shot: its run's speed, and what its aircraft's lean comes from.

    Raises:
        InputError: as :func:`~framematch.shot.timing.timed` and :func:`read_points`.
    """
    points, speeds = read_points(file)
    try:
        return timed(points, speeds or shot.run.speed_m_s, flying=shot.flying)
    except InputError as error:
        raise error.within(file=str(file)) from None


def read_points(path: pathlib.Path) -> tuple[tuple[Point, ...], tuple[float, ...] | None]:
    """Points and, if every line has one, speeds from a text file: ``x, y, z`` or ``x, y, z, speed`` on each line.

    Metres in scene axes, metres per second. Lines that are empty or start with # are passed over.

    Raises:
        InputError: a line that is not three or four numbers.
    """
    rows: list[list[float]] = []
    for number, line in enumerate(read_text(path).splitlines(), start=1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        try:
            row = [float(word) for word in text.replace(",", " ").replace(";", " ").split()]
        except ValueError:
            row = []
        if len(row) not in (3, 4) or (rows and len(row) != len(rows[0])):
            raise InputError(
                f"line {number} is not x, y, z or x, y, z, speed", file=str(path), fix="write three or four numbers on every line, the same on all"
            )
        rows.append(row)
        if len(rows) > MOST_POINTS:
            raise InputError(f"has more than {MOST_POINTS} points", file=str(path), fix="leave some out")
    if len(rows) < 2:
        raise InputError(f"has {len(rows)} points", file=str(path), fix="give two at least")
    points: tuple[Point, ...] = tuple((row[0], row[1], row[2]) for row in rows)
    return points, tuple(row[3] for row in rows) if len(rows[0]) == 4 else None
