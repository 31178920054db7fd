"""A flight log as CSV with units in the column names: ``time_s, x_m, y_m, z_m, roll_deg, pitch_deg, yaw_deg``.

Scene axes, + nose up, + right side down, yaw right of -Z. Lengths may be in any unit that a column's name
ends with (``x_ft``), times in ``_s`` or ``_ms``, angles in ``_deg`` or ``_rad``. Other columns are passed over.
"""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np

from framematch.errors import InputError
from framematch.shot.log import MOST_LINES, Log
from framematch.text.units import UNITS, convert
from framematch.text.whole import read_text

_NEEDED = ("time", "x", "y", "z")
_ANGLES = ("roll", "pitch", "yaw")
_MOST_BYTES = 50_000_000


def read_flight_log(path: Path | str) -> Log:
    """The log in a CSV file.

    Raises:
        InputError: with one line that says what is wrong, where, and how to mend it.
    """
    path = Path(path)
    return parse_flight_log(read_text(path, limit=_MOST_BYTES), name=str(path))


def parse_flight_log(text: str, *, name: str = "log") -> Log:
    """The log in CSV text."""
    lines = ((i, line) for i, line in enumerate(csv.reader(io.StringIO(text)), start=1) if any(cell.strip() for cell in line) and not line[0].startswith("#"))
    try:
        _, head = next(lines, (0, []))
        columns = _columns([cell.strip() for cell in head])
        rows: list[list[float]] = []
        for number, cells in lines:
            if len(rows) >= MOST_LINES:
                raise InputError(f"has more than {MOST_LINES:,} lines", fix="cut out the part that matters")
            try:
                rows.append([float(cells[at]) * factor for at, factor in columns.values()])
            except (IndexError, ValueError):
                raise InputError(f"line {number} lacks a figure", fix="give one in every column, or leave the column out") from None
        figures = dict(zip(columns, np.array(rows, dtype=np.float64).reshape(-1, len(columns)).T, strict=True))
        return Log(
            times_s=figures["time"],
            points_m=np.stack([figures[axis] for axis in "xyz"], axis=-1),
            angles_deg={f"{angle}_deg": figures[angle] for angle in _ANGLES if angle in figures},
        )
    except csv.Error as error:
        raise InputError(f"is not CSV ({error})", file=name, fix="save it as comma-separated text") from None
    except InputError as error:
        raise error.within(file=name) from None


def _columns(head: list[str]) -> dict[str, tuple[int, float]]:
    """For each figure that is there its column and the factor to seconds, metres or degrees."""
    found: dict[str, tuple[int, float]] = {}
    for i, heading in enumerate(head):
        what, _, unit = heading.lower().partition("_")
        if what not in (*_NEEDED, *_ANGLES):
            continue
        if what in found:
            raise InputError(f"has two columns of {what}", field=heading, fix="leave one of them out")
        found[what] = (i, _factor(heading, unit, "s" if what == "time" else "m" if what in "xyz" else "deg"))
    for what in _NEEDED:
        if what not in found:
            raise InputError(f"has no column of {what}", fix="head the columns time_s, x_m, y_m, z_m and, if known, roll_deg, pitch_deg, yaw_deg")
    return found


def _factor(heading: str, unit: str, base: str) -> float:
    if unit == "rad" and base == "deg":
        return math.degrees(1)
    known = {name: each for name, each in UNITS.items() if each.kind == UNITS[base].kind and " " not in name}
    if unit not in known:
        raise InputError(f"'{heading}' has no unit that is known", field=heading, fix=f"end the column's name with one of {', '.join(f'_{u}' for u in known)}")
    return float(convert(1.0, unit=unit, to=base))
