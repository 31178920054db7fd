"""Taking over what a check found, by name: aim, offset, focal lengths, lens (centres and bending), tolerance."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.files.pairing_text import camera_values
from framematch.geometry.pairing import Pairing, Tolerance
from framematch.guide.tolerance import band_at, edge_places, frame_errors
from framematch.guide.transfer import inverse_m, to_display
from framematch.measure.check import Checked
from framematch.measure.corrected import guide_off_percent
from framematch.measure.into_file import mount_values
from framematch.measure.unknowns import BEND, CENTRE, COUNT, FOCAL, OFFSET, SPEC_SHEET, moved

Floats = NDArray[np.float64]
NAMES = ("aim", "offset", "focal", "lens", "tolerance")
USUAL = ("aim", "focal", "lens", "tolerance")  # the offset only when asked for: a ruler knows it better than most stills
_GROUPS = {"offset": OFFSET, "focal": FOCAL}


@dataclass(frozen=True, kw_only=True, eq=False)
class Taken:
    """A pairing with some of what a check found.

    Args:
        pairing: what it becomes.
        values: the pairing file's keys that change.
        left_percent: by how much its guide still misses that of everything found: worst edge and distance, percent of the frame.
    """

    pairing: Pairing
    values: dict[str, Any]
    left_percent: float


def parse_names(text: str) -> tuple[str, ...]:
    """Names from ``"aim,tolerance"``.

    Raises:
        InputError: one that is not known, or the tolerance without the aim that it is of.
    """
    names = tuple(n.strip().lower() for n in text.split(",") if n.strip())
    wrong = [n for n in names if n not in NAMES]
    if wrong or not names:
        raise InputError(f"{wrong[0] if wrong else text!r} can't be taken over", field="--take", fix=f"use some of {', '.join(NAMES)}, with commas between")
    return names


def taken(checked: Checked, names: Collection[str]) -> Taken:
    """The pairing with what is named taken over. An aim without the rest is the one that brings the guide nearest to that of everything found.

    Raises:
        InputError: the tolerance without the aim.
    """
    if "tolerance" in names and "aim" not in names:
        raise InputError("goes with the aim", field="--take", fix="take aim and tolerance, or leave the tolerance out")
    before = checked.before
    values = np.zeros(COUNT)
    for name, part in _GROUPS.items():
        if name in names:
            values[part] = checked.values[part]
    if "lens" in names:
        values[CENTRE], values[BEND] = checked.values[CENTRE], checked.values[BEND]
    distances = [d for d, _ in checked.serves]
    if "aim" in names:
        values[:3] = _aim_for(checked, values, distances)
    after = moved(before, values)
    left = {d: guide_off_percent(after, checked.after, d) for d in distances}
    tables = {table for name, table in (("aim", "aim_deg"), ("offset", "offset_mm")) if name in names}
    keys = {k: v for k, v in mount_values(after.mount).items() if k.split(".")[1] in tables}
    for index, (which, focus) in enumerate((("recording", before.focus_m), ("monitoring", math.inf))):
        if any(values[i] for i in (6 + index, 8 + 2 * index, 9 + 2 * index, 12 + index)):
            keys |= {f"{which}.{key}": value for key, value in camera_values(getattr(after, which), focus_m=focus).items()}
    if "tolerance" in names:
        after = replace(after, tolerance=_tolerance(checked, after, left, offset="offset" in names))
        t = after.tolerance
        keys |= {"tolerance.aim_deg": t.aim_deg, "tolerance.offset_mm": t.offset_mm, "tolerance.focal_percent": 0.0, "tolerance.centre_px": 0.0}
        if before.tolerance.angle_deg:
            keys["tolerance.angle_deg"] = 0.0
    return Taken(pairing=after, values=keys, left_percent=max((v for v in left.values() if v == v), default=math.nan))


def _aim_for(checked: Checked, values: Floats, distances: list[float]) -> Floats:
    """The turn (3,) with which the guide of some of what was found lies nearest to the guide of all of it."""
    from scipy.optimize import least_squares

    def misses(turn: Floats) -> Floats:
        rig = moved(checked.before, np.concatenate([turn, values[3:]]))
        errors = []
        for d in distances:
            display, _ = to_display(rig, edge_places(rig), inverse_m(d))
            errors.append(np.nan_to_num(frame_errors(checked.after, display, inverse_m(d))).ravel())
        return np.concatenate(errors)

    return np.asarray(least_squares(misses, checked.values[:3], x_scale=0.01, max_nfev=12).x, dtype=np.float64)


def _tolerance(checked: Checked, after: Pairing, left: dict[float, float], *, offset: bool) -> Tolerance:
    """A tolerance with which the guide's band is as wide as the guide is known; the aim's stands for the lenses' as well.

    What was solved together is uncertain together: stated one by one, each figure's own interval would make the band far too wide.
    """
    t = after.tolerance
    known = {d: math.hypot(k, left[d] if left[d] == left[d] else 0.0) for d, k in checked.serves}
    offset_mm = max(f.half_95 for f in checked.figures[3:]) if offset else t.offset_mm or SPEC_SHEET.offset_mm
    own = Tolerance(offset_mm=round(offset_mm, 2))
    aim = 0.01
    with_one = Tolerance(aim_deg=1.0)
    for d, wanted in known.items():
        by_offset = _band(replace(after, tolerance=own, lens_fit_deg=()), d)
        by_degree = _band(replace(after, tolerance=with_one, lens_fit_deg=()), d)
        if by_degree > 0 and wanted > by_offset:
            aim = max(aim, math.sqrt(wanted**2 - by_offset**2) / by_degree)
    return replace(own, aim_deg=math.ceil(1000 * aim) / 1000)


def _band(pairing: Pairing, distance_m: float) -> float:
    percent = band_at(pairing, distance_m).percent
    return max((p for p in percent if p == p), default=0.0)
