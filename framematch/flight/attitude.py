"""How a multirotor leans to fly, and the camera tilt that keeps the horizon where it is wanted.

Steady flight: thrust along the rotors' axis, weight, and drag 1/2 rho v^2 CdA against the way
through the air. Thrust leans forward by the pitch p (nose-down is +) and the path climbs at slope s:

    T sin p = D cos s,   T cos p = m g + D sin s

so at s = 0 tan p = rho v^2 CdA / (2 m g). Left out: drag area that changes with the pitch, lift of
the body, gusts, speeding up and braking (a = 2 m/s2 leans the aircraft by another 11 degrees).

A camera that looks up by e sees the horizon at ray (0, sin e, cos e) below its axis; e is its tilt
on the airframe less the pitch. Level wings and a camera that isn't rolled on the airframe.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.mount import Mount, aim_from_rotation, rotation_from_aim
from framematch.geometry.pairing import Pairing
from framematch.shot.lean import GRAVITY_M_S2

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Attitude:
    """Steady flight: pitch in degrees (+ nose-down), thrust and drag in newtons."""

    pitch_deg: float
    thrust_n: float
    drag_n: float


def air_path(*, speed_m_s: float, slope_deg: float = 0.0, headwind_m_s: float = 0.0) -> tuple[float, float]:
    """Airspeed in m/s and slope through the air in degrees of a path over ground in a level headwind (- is a tailwind)."""
    slope = math.radians(slope_deg)
    across, up = speed_m_s * math.cos(slope) + headwind_m_s, speed_m_s * math.sin(slope)
    # Through the air the aircraft may fly backwards (slow in a strong tailwind): the slope then passes 90 degrees.
    return math.hypot(across, up), math.degrees(math.atan2(up, across))


def attitude(*, mass_kg: float, drag_area_m2: float, density_kg_m3: float, airspeed_m_s: float, slope_deg: float = 0.0) -> Attitude:
    """Pitch, thrust and drag in steady flight.

    Raises:
        InputError: diving faster than the drag can hold: no steady flight.
    """
    slope = math.radians(slope_deg)
    drag = 0.5 * density_kg_m3 * airspeed_m_s**2 * drag_area_m2
    along, up = drag * math.cos(slope), mass_kg * GRAVITY_M_S2 + drag * math.sin(slope)
    if up <= 0:
        raise InputError(
            f"{airspeed_m_s:g} m/s down a slope of {slope_deg:g} deg is faster than this rig falls", field="speed_m_s", fix="fly slower or flatter"
        )
    return Attitude(pitch_deg=math.degrees(math.atan2(along, up)), thrust_n=math.hypot(along, up), drag_n=drag)


def drag_area_from_log(*, mass_kg: float, density_kg_m3: float, airspeed_m_s: float, pitch_deg: float) -> float:
    """Drag area in m2 from one logged pair of level airspeed and nose-down pitch.

    Raises:
        InputError: speed not above 0, or a pitch outside 0..80 degrees.
    """
    if not (airspeed_m_s > 0 and 0 < pitch_deg < 80):
        raise InputError(
            f"{pitch_deg:g} deg at {airspeed_m_s:g} m/s gives no drag area", field="logged_pitch", fix="give a speed above 0 and 0 to 80 deg nose-down"
        )
    return 2 * mass_kg * GRAVITY_M_S2 * math.tan(math.radians(pitch_deg)) / (density_kg_m3 * airspeed_m_s**2)


def turn_radius_m(*, speed_m_s: ArrayLike, bank_deg: ArrayLike) -> Floats:
    """Radius in metres of a level turn: v^2 / (g tan(bank)), bank above 0 and below 90 degrees."""
    return np.asarray(np.square(speed_m_s) / (GRAVITY_M_S2 * np.tan(np.radians(bank_deg))))


def horizon_row_px(camera: Camera, part: Rect, *, elevation_deg: float) -> float:
    """Row in pixels where the horizon crosses the middle column of a part of the picture.

    The camera looks up by ``elevation_deg``. NaN where the lens does not see that way.
    """
    elevation = math.radians(elevation_deg)
    middle = (part.left + part.right) / 2
    # The horizon is the plane through the camera across its up: rays (u, sin e, cos e). Straight up the
    # middle column u is 0 unless the lens axis is off it, so walk u until the column is met.
    across = 0.0
    pixel = np.full(2, np.nan)
    for _ in range(50):
        pixel, ok = camera.project(np.array([across, math.sin(elevation), math.cos(elevation)]))
        if not ok:
            return math.nan
        step = (middle - pixel[0]) / (camera.pixels_per_mm[0] * camera.lens.focal_mm / camera.lens.squeeze)
        across += float(step)
        if abs(step) < 1e-13:
            break
    return float(pixel[1])


def horizon_percent(camera: Camera, part: Rect, *, elevation_deg: float) -> float:
    """Height of the horizon in a part of the picture: 0 at its bottom edge, 100 at its top edge, NaN if never seen."""
    return 100 * (part.bottom - horizon_row_px(camera, part, elevation_deg=elevation_deg)) / part.height


def elevation_for_horizon(camera: Camera, part: Rect, *, percent: float) -> float:
    """How far up in degrees the camera must look for the horizon to stand at a height of a part of the picture.

    The inverse of :func:`horizon_percent`, in closed form for every lens.

    Raises:
        InputError: the lens sees nothing there.
    """
    ray, ok = camera.unproject([(part.left + part.right) / 2, part.bottom - part.height * percent / 100])
    if not ok:
        raise InputError(f"the lens sees nothing at {percent:g} % of the frame's height", field="horizon_percent", fix="give 0 to 100")
    return math.degrees(math.atan2(ray[1], ray[2]))


@dataclass(frozen=True, kw_only=True)
class Tilt:
    """Tilts on the airframe (+ up, degrees) for one pitch, and where the horizon then stands.

    ``recording_deg``, ``monitoring_deg``: each camera on the airframe with its rotors level;
    ``recording_percent``: horizon's height in the recorded frame; ``monitoring_percent``: in the
    display, NaN if not to be seen.
    """

    recording_deg: float
    monitoring_deg: float
    recording_percent: float
    monitoring_percent: float


def monitoring_tilt_deg(mount: Mount, *, recording_tilt_deg: float) -> float:
    """Tilt of the monitoring camera on the airframe when the recording camera's is given."""
    return aim_from_rotation(rotation_from_aim(tilt_deg=recording_tilt_deg) @ mount.recording_from_monitoring)[1]


def tilt_for_horizon(pairing: Pairing, *, pitch_deg: float, percent: float) -> Tilt:
    """Both cameras' tilts on the airframe that put the horizon at a height of the recorded frame, flying at a pitch."""
    elevation = elevation_for_horizon(pairing.recording, pairing.frame, percent=percent)
    return horizon_at(pairing, recording_tilt_deg=elevation + pitch_deg, pitch_deg=pitch_deg)


def horizon_at(pairing: Pairing, *, recording_tilt_deg: float, pitch_deg: float) -> Tilt:
    """Where the horizon stands in both pictures with a given tilt, flying at a pitch."""
    monitoring = monitoring_tilt_deg(pairing.mount, recording_tilt_deg=recording_tilt_deg)
    return Tilt(
        recording_deg=recording_tilt_deg,
        monitoring_deg=monitoring,
        recording_percent=horizon_percent(pairing.recording, pairing.frame, elevation_deg=recording_tilt_deg - pitch_deg),
        monitoring_percent=horizon_percent(pairing.monitoring, pairing.display.source_shown, elevation_deg=monitoring - pitch_deg),
    )
