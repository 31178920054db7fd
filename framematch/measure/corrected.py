"""How far a guide was off, and how well the frame's edges are known after a solve."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.pairing import Pairing
from framematch.guide.tolerance import edge_places, frame_errors
from framematch.guide.transfer import inverse_m, to_display
from framematch.measure.figure import NORMAL_95, Figure
from framematch.measure.unknowns import COUNT, mounted, moved

Floats = NDArray[np.float64]
MOUNT_FIGURES = ("pan_deg", "tilt_deg", "roll_deg", "right_mm", "up_mm", "forward_mm")
_DRAWS = 2000
_LEAST = np.array([0.01] * 3 + [0.2] * 3)  # deg, mm: real lenses and tracks are not sure to less, however many details
_STEP = np.array([1e-4] * 3 + [1e-3] * 3 + [1e-3] * 2 + [1e-4] * 4 + [1e-3] * 2)


def guide_off_percent(drawn: Pairing, true: Pairing, distance_m: float) -> float:
    """By how much the frame drawn for one pairing misses the frame of another, at a distance: worst edge, percent of the frame.

    NaN where nothing of it can be judged.
    """
    inverse = inverse_m(distance_m)
    display, _ = to_display(drawn, edge_places(drawn), inverse)
    errors = np.abs(frame_errors(true, display, inverse))
    return float(np.nanmax(errors)) if np.isfinite(errors).any() else math.nan


def edge_slopes(pairing: Pairing, values: Floats, distance_m: float) -> Floats:
    """(points, 14): percent of the frame by which each point of its edges moves with each unknown; points out of sight are left out."""
    here, inverse = moved(pairing, values), inverse_m(distance_m)
    display, _ = to_display(here, edge_places(here), inverse)
    slopes = []
    for i in range(COUNT):
        move = np.zeros(COUNT)
        move[i] = _STEP[i]
        up, down = (frame_errors(moved(pairing, values + sign * move), display, inverse) for sign in (1, -1))
        slopes.append(((up - down) / (2 * _STEP[i])).ravel())
    out = np.stack(slopes, axis=-1)
    return np.asarray(out[np.isfinite(out).all(axis=1)])


def known_percent(slopes: Floats, cases: Sequence[Sequence[tuple[float, Floats, Floats]]]) -> float:
    """The percent of the frame within which its worst edge lies in 95 of 100 cases, at the worst of what may be the case.

    Args:
        slopes: of ``edge_slopes``.
        cases: each of states, one of which is so: how likely it is against the others of the case (any scale), a shift (14,) from the values
            taken, and a covariance (14, 14).
    """
    if not len(slopes):
        return math.inf
    draws = np.random.default_rng(7).standard_normal((_DRAWS, COUNT))

    def off(shift: Floats, covariance: Floats) -> Floats:
        size, axes = np.linalg.eigh(covariance)
        moves = shift + draws * np.sqrt(np.maximum(size, 0)) @ axes.T
        return np.asarray(np.abs(moves @ slopes.T).max(axis=1))

    worst = 0.0
    for states in cases:
        offs = np.concatenate([off(shift, covariance) for _, shift, covariance in states])
        order = np.argsort(offs)
        below = np.cumsum(np.repeat([likely for likely, _, _ in states], _DRAWS)[order])
        worst = max(worst, float(offs[order][np.searchsorted(below, 0.95 * below[-1])]))
    return worst


def mount_figures(pairing: Pairing, values: Floats, covariance: Floats) -> tuple[Figure, ...]:
    """Aim and offset with their 95 % intervals."""

    def all_six(v: Floats) -> Floats:
        now = mounted(pairing.mount, v)
        return np.array([getattr(now, name) for name in MOUNT_FIGURES])

    slopes = np.stack([(all_six(values + move) - all_six(values - move)) / 2e-6 for move in 1e-6 * np.eye(COUNT)[:6]], axis=1)
    half = np.hypot(NORMAL_95 * np.sqrt(np.maximum(np.diag(slopes @ covariance[:6, :6] @ slopes.T), 0)), _LEAST)
    return tuple(Figure(name=n, value=float(v), half_95=float(h)) for n, v, h in zip(MOUNT_FIGURES, all_six(values), half, strict=True))


def lens_figures(pairing: Pairing, values: Floats, covariance: Floats) -> tuple[Figure, ...]:
    """Focal lengths (percent longer than the file's), lens centres (pixels from the file's), bending (percent of the radius), each with its interval."""
    half = NORMAL_95 * np.sqrt(np.maximum(np.diag(covariance), 0))
    out = []
    for i, which in enumerate(("recording", "monitoring")):
        width = getattr(pairing, which).raster_px[0]
        for name, at, unit in (
            ("focal_percent", 6 + i, 100.0),
            ("centre_right_px", 8 + 2 * i, width),
            ("centre_down_px", 9 + 2 * i, width),
            ("bending_percent", 12 + i, 100.0),
        ):
            out.append(Figure(name=f"{which}_{name}", value=float(values[at] * unit), half_95=float(half[at] * unit)))
    return tuple(out)
