"""A pairing corrected by what was solved: its mount and lenses moved, how far off its guide was, how well it is known now."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from framematch.geometry.mount import Mount, aim_from_rotation
from framematch.geometry.pairing import Pairing
from framematch.guide.tolerance import edge_places, frame_errors
from framematch.guide.transfer import inverse_m, to_display
from framematch.measure.figure import NORMAL_95, Figure

Floats = NDArray[np.float64]


def mounted(mount: Mount, values: Floats) -> Mount:
    """A mount moved by a small left rotation (rad) and an offset (m)."""
    turn = Rotation.from_rotvec(values[:3]).as_matrix() @ mount.recording_from_monitoring
    pan, tilt, roll = aim_from_rotation(turn)
    right, down, forward = map(float, 1000 * (mount.translation_m + values[3:6]))
    return Mount(right_mm=right, up_mm=-down, forward_mm=forward, pan_deg=pan, tilt_deg=tilt, roll_deg=roll)


def refocused(pairing: Pairing, values: Floats) -> Pairing:
    """A pairing with its mount moved and its focal lengths scaled by exp(values[6:8])."""
    cameras = [
        replace(c, lens=replace(c.lens, focal_mm=c.lens.focal_mm * math.exp(v)))
        for c, v in zip((pairing.recording, pairing.monitoring), values[6:8], strict=True)
    ]
    return replace(pairing, recording=cameras[0], monitoring=cameras[1], mount=mounted(pairing.mount, values))


def guide_off_percent(drawn: Pairing, true: Pairing, distance_m: float) -> float:
    """By how much the frame drawn for one pairing misses the frame of another, at a distance: worst edge, percent of the frame.

    NaN where nothing of it can be judged.
    """
    inverse = inverse_m(distance_m)
    display, _ = to_display(drawn, edge_places(drawn), inverse)
    errors = np.abs(frame_errors(true, display, inverse))
    return float(np.nanmax(errors)) if np.isfinite(errors).any() else math.nan


def known_percent_of(pairing: Pairing, values: Floats, covariance: Floats, distances: list[float]) -> float:
    """Half-width of the 95 % interval of the frame's edges on the display, worst edge over some distances, percent of the frame."""
    here = refocused(pairing, values)
    worst = 0.0
    sigma = np.sqrt(np.maximum(np.diag(covariance), 1e-18))
    for distance in distances:
        inverse = inverse_m(distance)
        display, _ = to_display(here, edge_places(here), inverse)
        slopes = []
        for i in range(8):
            move = np.zeros(8)
            move[i] = sigma[i]
            up, down = (frame_errors(refocused(pairing, values + sign * move), display, inverse) for sign in (1, -1))
            slopes.append((up - down) / (2 * sigma[i]))
        each = np.stack(slopes, axis=-1)
        half = NORMAL_95 * np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", each, covariance, each), 0))
        if not np.isfinite(half).any():
            return math.inf
        worst = max(worst, float(np.nanmax(half)))
    return worst


def mount_figures(mount: Mount, values: Floats, covariance: Floats) -> tuple[Figure, ...]:
    names = ("pan_deg", "tilt_deg", "roll_deg", "right_mm", "up_mm", "forward_mm")

    def all_six(v: Floats) -> Floats:
        now = mounted(mount, v)
        return np.array([getattr(now, name) for name in names])

    slopes = np.zeros((6, 6))
    for i in range(6):
        move = np.zeros(8)
        move[i] = 1e-6
        slopes[:, i] = (all_six(values + move) - all_six(values - move)) / 2e-6
    half = NORMAL_95 * np.sqrt(np.maximum(np.diag(slopes @ covariance[:6, :6] @ slopes.T), 0))
    return tuple(Figure(name=n, value=float(v), half_95=float(h)) for n, v, h in zip(names, all_six(values), half, strict=True))
