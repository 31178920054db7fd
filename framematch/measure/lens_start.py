"""Where a lens's solve starts: lenses of every angle of view and kind tried on the chart's own flatness, then a rough fit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import MODELS
from framematch.measure.bundle import Corners, Solution, State, residuals, solve
from framematch.measure.pose import place_chart, pose_from_rays
from framematch.measure.solved_figures import Model

Floats = NDArray[np.float64]


def chart_poses(camera: Camera, corners: Corners, views: Sequence[int]) -> tuple[Floats, Floats, Floats]:
    """Chart to camera in each view by the direct solution: (V, 3, 3), (V, 3), and the miss in rad (V,), NaN if none."""
    turn, shift, miss = np.tile(np.eye(3), (len(views), 1, 1)), np.zeros((len(views), 3)), np.full(len(views), np.nan)
    rays, ok = camera.unproject(corners.pixels)
    for index, view in enumerate(views):
        mine = (corners.view == view) & ok
        pose = pose_from_rays(rays[mine], corners.board_mm[mine])
        if pose is not None and mine.sum() >= 0.7 * (corners.view == view).sum():
            turn[index], shift[index], miss[index] = pose
    return turn, shift, miss


def lens_starts(blank: Camera, corners: Corners, wanted: set[str]) -> dict[str, Camera]:
    """For each kind of lens wanted, the textbook lens on which the chart comes out flattest."""
    views = np.unique(corners.view)
    some = views[np.linspace(0, len(views) - 1, min(len(views), 10)).astype(int)]
    scored = []
    for projection in (name for name, model in MODELS.items() if model.start):
        for angle_deg in (12, 18, 25, 34, 44, 55, 67, 80, 95, 110, 126, 143, 160, 180, 205):
            half = math.radians(angle_deg / 2)
            unit = Lens(projection=projection, focal_mm=1.0)
            if half >= 0.9 * unit.end_rad:
                continue
            focal = blank.sensor_mm[0] * blank.lens.squeeze / 2 / float(unit.radius_mm(half))
            camera = replace(blank, lens=replace(blank.lens, projection=projection, focal_mm=focal))
            miss = chart_poses(camera, corners, list(some))[2]
            if np.isfinite(miss).mean() >= 0.5:
                scored.append((float(np.median(miss[np.isfinite(miss)]) * focal), camera))
    out = {}
    for kind in wanted:
        straight = MODELS[kind].bare_name == "rectilinear"  # bent from x / z, so it starts from nothing else
        fitting = [s for s in scored if s[1].lens.projection == "rectilinear" or not straight]
        if fitting:
            camera = min(fitting, key=lambda s: s[0])[1]
            k = () if straight else (camera.lens.model.series or ())[: MODELS[kind].coefficients]
            out[kind] = replace(camera, lens=replace(camera.lens, projection=kind, k=k))
    return out


def rough_fit(camera: Camera, corners: Corners, kind: str) -> Solution | None:
    views = list(np.unique(corners.view))
    turn, shift, miss = chart_poses(camera, corners, views)
    if not np.isfinite(miss).any():
        return None
    state = State(cameras=(camera,), turn=turn, shift_mm=shift, mount_turn=np.eye(3), mount_mm=np.zeros(3))
    bad = ~np.isfinite(miss)
    state.shift_mm[bad] = (0, 0, 1000)
    solution = None
    for model in (Model(projection=kind, radial=2, centre=False), Model(projection=kind, radial=2)):
        camera = replace(state.cameras[0], lens=replace(state.cameras[0].lens, k=(*state.cameras[0].lens.k, 0.0, 0.0)[:2]))
        solution = solve(replace(state, cameras=(camera,)), corners, [model], robust=True, steps=40)
        state = solution.state
        _place_again(state, corners)
    return solve(state, corners, [model], robust=True, steps=40)


def _place_again(state: State, corners: Corners) -> None:
    """Place the chart anew in stills that fit worse than most: they may have settled with it tilted the wrong way."""
    size = np.hypot(*np.nan_to_num(residuals(state, corners), nan=1e3).T)
    each = np.array([np.median(size[corners.view == v]) for v in range(len(state.turn))])
    for view in np.flatnonzero(each > 1.7 * np.median(each)):
        placed = place_chart(state.cameras[0], corners.only(corners.view == view))
        if placed is not None and placed[2] < each[view]:
            state.turn[view], state.shift_mm[view] = placed[:2]


def sound_corners(residual_px: Floats, corners: Corners, names: Sequence[str]) -> tuple[NDArray[np.bool_], dict[str, str]]:
    """Which corners to keep, and why stills were left out."""
    size = np.hypot(*np.nan_to_num(residual_px, nan=1e3).T)
    each = np.array([np.median(size[corners.view == v]) for v in range(len(names))])
    typical = float(np.median(each))
    left_out = {}
    keep = np.ones(len(size), dtype=bool)
    for view in map(int, np.flatnonzero(each > 4 * typical + 0.3)):
        keep &= corners.view != view
        left_out[names[view]] = f"its corners lie {each[view]:.1f} px from where the other stills put them (typical {typical:.2f} px)"
    sigma = float(np.median(size[keep])) / 1.1774 if keep.any() else 0.0
    own = np.clip(each / 1.1774, sigma, 3 * sigma)  # a chart far away or at the edge is found less exactly
    keep &= size <= np.maximum(5.5 * own[corners.view], 0.05)
    for view in range(len(names)):
        if names[view] not in left_out and (keep & (corners.view == view)).sum() < max(6, 0.4 * (corners.view == view).sum()):
            keep &= corners.view != view
            left_out[names[view]] = "most of its corners disagree with the other stills"
    return keep, left_out
