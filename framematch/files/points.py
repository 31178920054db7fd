"""The points of a path as text, one on each line."""

from __future__ import annotations

from pathlib import Path

from framematch.errors import InputError
from framematch.shot.run import Run
from framematch.shot.way import MOST_POINTS, Point, Track
from framematch.text.whole import read_text


def read_path(file: Path, run: Run, *, turning: bool = False) -> Track:
    """The flight through the points of a file, filmed as a run is.

    Args:
        file: see :func:`read_points`; its own speeds, where it has them, go before the run's.
        run: its speed, and how the camera looks from the heading, which here is the path's.
        turning: bank as level turns along the path need, in place of the run's bank.

    Raises:
        InputError: as :class:`Track` and :func:`read_points`.
    """
    points, speeds = read_points(file)
    try:
        return Track(
            points_m=points,
            speed_m_per_s=speeds or run.speed_m_s,
            pan_deg=run.pan_deg,
            pitch_deg=run.tilt_deg,
            bank_deg=None if turning else run.bank_deg,
        )
    except InputError as error:
        raise error.within(file=str(file)) from None


def read_points(path: Path) -> tuple[tuple[Point, ...], tuple[float, ...] | None]:
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
