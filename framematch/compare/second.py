"""A second camera for a hidden cut: the lens, pan speed, height and tilt that match this run's last frames."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.lens_local import camera_jacobian
from framematch.geometry.mount import rotation_from_aim
from framematch.optics.motion import image_velocity_px_s, in_frame_widths
from framematch.shot.lenses import LONGEST_MM, SHORTEST_MM
from framematch.shot.opening import Opening
from framematch.shot.run import Run

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Match:
    """How to set the second camera.

    Args:
        focal_mm: with the same horizontal angle of the frame.
        horizontal_deg: that angle.
        vertical_off_deg: by how much its vertical angle differs; + larger.
        blur_percent: of the frame's width, that the run's frame has at the cut.
        pan_deg_s: steady pan whose blur at the middle of the second frame is as long.
        height_m: of the lens above the ground.
        tilt_deg: above the horizon, for a horizon at the same height in the frame; None where this
            run's lens does not see the horizon ahead.
        roll_deg: bank.
        horizon_percent: of the frame's height from its top; outside 0 to 100 it is off the frame.
    """

    focal_mm: float
    horizontal_deg: float
    vertical_off_deg: float
    blur_percent: float
    pan_deg_s: float
    height_m: float
    tilt_deg: float | None
    roll_deg: float
    horizon_percent: float | None


def match_second(camera: Camera, frame: Rect, gap: Opening, run: Run, *, second: Camera, second_frame: Rect, second_shutter_s: float, at_m: float) -> Match:
    """Match another camera to this one at the cut, ``at_m`` before the gap.

    Args:
        second: the other camera; the focal length of its lens is what is looked for.
        second_frame: what is shown of it, in its pixels.
        second_shutter_s: its exposure time.

    Raises:
        InputError: no lens of the second camera's projection has that angle.
    """
    from scipy.optimize import brentq

    wanted = camera.angles(frame)

    def too_wide(focal_mm: float) -> float:
        angle = replace(second, lens=replace(second.lens, focal_mm=focal_mm)).angles(second_frame).horizontal
        return (angle if math.isfinite(angle) else 360.0) - wanted.horizontal

    focal = brentq(too_wide, SHORTEST_MM, LONGEST_MM, xtol=1e-12) if too_wide(SHORTEST_MM) > 0 > too_wide(LONGEST_MM) else math.nan
    # A lens that ends before the frame's edge counts as too wide: the search may stop there and not at the angle.
    if not (math.isfinite(focal) and abs(too_wide(focal)) < 1e-6):
        raise InputError(
            f"no {second.lens.projection} lens on {second.sensor_mm[0]:g} x {second.sensor_mm[1]:g} mm shows {wanted.horizontal:.1f} degrees",
            field="second",
            fix="choose another projection or sensor",
        )
    matched = replace(second, lens=replace(second.lens, focal_mm=focal))
    blur = blur_of_wall(camera, frame, run, at_m=at_m)
    pan = pan_rad_s(matched, second_frame, blur_share=blur, shutter_s=second_shutter_s)
    horizon = horizon_share(camera, frame, run.opening_from_camera)
    tilt = _tilt_for(matched, second_frame, horizon, run.bank_deg)
    height = float(gap.ground_y_m - run.camera_m(at_m)[1])
    if height <= 0:
        raise InputError("the run is below the ground there", field="run", fix="check the sill, up_m and climb_deg")
    off = matched.angles(second_frame).vertical - wanted.vertical
    return Match(
        focal_mm=focal,
        horizontal_deg=wanted.horizontal,
        vertical_off_deg=off,
        blur_percent=100 * blur,
        pan_deg_s=math.degrees(pan),
        height_m=height,
        tilt_deg=tilt,
        roll_deg=run.bank_deg,
        horizon_percent=None if horizon is None else 100 * horizon,
    )


def blur_of_wall(camera: Camera, frame: Rect, run: Run, *, at_m: float) -> float:
    """Median blur over the frame, as a share of its width, of everything in the plane of the gap."""
    x = frame.left + frame.width * (np.arange(16) + 0.5) / 16
    y = frame.top + frame.height * (np.arange(9) + 0.5) / 9
    rays, ok = camera.unproject(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    ahead = rays @ run.opening_from_camera.T
    ok &= ahead[:, 2] > 1e-9
    if not ok.any():
        raise InputError("the camera does not look at the gap's wall there", field="run", fix="check pan_deg and heading_deg")
    away = -run.camera_m(at_m)[2] / ahead[ok, 2]
    velocity = image_velocity_px_s(camera, rays[ok] * away[:, None], velocity_m_s=run.velocity_m_s)
    return float(np.median(in_frame_widths(camera, frame, velocity))) * run.shutter_s


def pan_rad_s(camera: Camera, frame: Rect, *, blur_share: float, shutter_s: float) -> float:
    """Steady pan whose blur at the middle of the frame is this share of its width."""
    ray, _ = camera.unproject(((frame.left + frame.right) / 2, (frame.top + frame.bottom) / 2))
    jacobian, _ = camera_jacobian(camera, ray)
    per_rad = float(in_frame_widths(camera, frame, jacobian @ -np.cross((0.0, 1.0, 0.0), ray)))
    return blur_share / (per_rad * shutter_s)


def horizon_share(camera: Camera, frame: Rect, level_from_camera: Floats) -> float | None:
    """Where the horizon ahead is, as a share of the frame's height from its top; None if not imaged."""
    ahead = level_from_camera[:, 2] * (1.0, 0.0, 1.0)
    px, ok = camera.project(ahead @ level_from_camera)
    return float((px[1] - frame.top) / frame.height) if ok else None


def _tilt_for(camera: Camera, frame: Rect, horizon: float | None, roll_deg: float) -> float | None:
    from scipy.optimize import brentq

    if horizon is None:
        return None

    def off(tilt_deg: float) -> float:
        share = horizon_share(camera, frame, rotation_from_aim(tilt_deg=tilt_deg, roll_deg=roll_deg))
        return math.nan if share is None else share - horizon

    grid = np.linspace(-89, 89, 357)
    values = np.array([off(t) for t in grid])
    crossing = np.flatnonzero(np.sign(values[:-1]) * np.sign(values[1:]) <= 0)
    if not len(crossing):
        return None
    first = crossing[np.abs(grid[crossing]).argmin()]
    return float(brentq(off, grid[first], grid[first + 1], xtol=1e-10))
