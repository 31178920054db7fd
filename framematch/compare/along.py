"""What follows along a flight: horizon, what enters and leaves the frame, blur, the guide's error, margins, room, pack.

All from one :class:`~framematch.shot.flown.Flown`, at even moments; where something enters or leaves is found to
a tenth of a millisecond. Things hide behind each other in the pictures, not here: an edge counts as in the frame
wherever the lens would show it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framematch.compare.passing import Passing, passings
from framematch.compare.seen import chords_in, cone_rad, project_held
from framematch.compare.stays import stays
from framematch.flight.power import Pack, Rig, power_of
from framematch.geometry.camera import frame_in
from framematch.geometry.pairing import Pairing
from framematch.guide.best import Guide, edge_error_curve
from framematch.optics.motion import Margin, image_velocity_px_s, in_frame_widths, lean_deg, stabiliser_margin
from framematch.shot.aircraft import Aircraft
from framematch.shot.contact import Box, Nearest, Room, Surfaces, room_along
from framematch.shot.flown import Flown
from framematch.shot.horizon import horizon_in
from framematch.shot.lean import attitude_deg, lean_of
from framematch.shot.opening import SIDES, Opening
from framematch.shot.shot import Shot

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
#: Distances (...) from places (..., 3) along unit directions (..., 3) of the scene to what is met first; infinite if nothing.
Hits = Callable[[Floats, Floats], Floats]

SMOOTH_S = 1.0  # over which a stabiliser is taken to smooth (practice)
_FINEST_S, _MOST = 0.04, 600
_WINDOW = 9
_ALONG_EDGE = 33  # points


@dataclass(frozen=True, kw_only=True, eq=False)
class Thing:
    """Something to watch in the frame: an edge of an opening, or a subject from feet to head.

    Args:
        points_m: (n, 3) along it, scene axes.
        subject: whether it is one; an edge otherwise.
    """

    name: str
    points_m: Floats
    subject: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Filming:
    """How it is filmed and what is known of the place; all may be left out.

    Args:
        shutter_s: exposure time.
        readout_s: from the first row of the raster to the last; None where not known.
        hits: finds the distance to what is filmed at the frame's middle.
        box: the aircraft's; with ``surfaces`` gives the room round it, with ``openings`` that to their sides.
        uncertainty_m: how far the flown path may be off, 95 %.
        rig, pack: for what is used of the pack.
    """

    shutter_s: float = 1 / 48
    readout_s: float | None = None
    hits: Hits | None = None
    box: Box | None = None
    surfaces: Surfaces | None = None
    openings: tuple[Opening, ...] = ()
    uncertainty_m: float = 0.0
    rig: Rig | None = None
    pack: Pack | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """One thing along the flight; (T,) each.

    Args:
        in_frame, whole: whether any and all of it is in the frame.
        width_percent, height_percent: of its image, of the frame's; NaN where a part can't be imaged.
        speed: of its middle in the frame, frame widths per second, NaN off the frame.
        blur_percent: that over the exposure, of the frame's width.
        skew_deg: lean of an upright line there while the rows are read; NaN where the readout is not known.
        distance_m: depth of its middle along the camera's axis.
        off_percent: how far its middle may lie elsewhere in the frame, of the frame's width, from the same figures as the horizon's.
        stays: when any of it comes into the frame and leaves it; from the start or to the end of the flight
            where it is in it then.
        whole_stays: the same for all of it.
    """

    thing: Thing
    in_frame: Mask
    whole: Mask
    width_percent: Floats
    height_percent: Floats
    speed: Floats
    blur_percent: Floats
    skew_deg: Floats
    distance_m: Floats
    off_percent: Floats
    stays: tuple[tuple[float, float], ...]
    whole_stays: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Along:
    """Everything at moments (T,) of a flight.

    Args:
        position_m: (T, 3) of the recording camera. ``along_m_s2``: speeding up, - braking.
        heading_deg, pitch_deg, roll_deg: of the airframe; + right of -Z, nose up, right side down. ``lean_deg``: off the upright.
        turn_deg_s: (T, 3) of the recording camera: pan, tilt, roll.
        horizon_percent, horizon_roll_deg: as :func:`~framematch.shot.horizon.horizon_in`; ``_off`` the half-widths of
            their 95 % intervals from mass, drag, wind and tilt.
        filmed_m: depth of what the frame's middle shows; NaN where not known, infinite for sky.
        blur_percent: of that, of the frame's width, from flying and turning. ``skew_deg``: lean of an upright line there while
            the rows are read; NaN where the readout is not known.
        guide_error_percent: of the guide's rectangle at that distance, the worst edge.
        stabiliser_percent: (T, 3) of the stabiliser's margin (pan, tilt, roll) that takes out the turns quicker than a second.
        battery_w: NaN where the rig is not known. ``used_wh``: up to then.
        room: to the place's surfaces. ``passings``: to the sides of each opening.
    """

    pairing: Pairing
    flown: Flown
    filming: Filming
    times_s: Floats
    position_m: Floats
    speed_m_s: Floats
    along_m_s2: Floats
    heading_deg: Floats
    pitch_deg: Floats
    roll_deg: Floats
    lean_deg: Floats
    thrust_n: Floats
    turn_deg_s: Floats
    horizon_percent: Floats
    horizon_roll_deg: Floats
    horizon_off_percent: Floats
    horizon_roll_off_deg: Floats
    filmed_m: Floats
    blur_percent: Floats
    skew_deg: Floats
    guide_error_percent: Floats
    margin: Margin
    stabiliser_percent: Floats
    battery_w: Floats
    used_wh: Floats
    seen: tuple[Seen, ...]
    room: Room | None
    passings: tuple[Passing, ...]

    @property
    def used_percent(self) -> dict[str, Floats]:
        """Of each limit that is known (lean, thrust, turning), in percent (T,)."""
        f = self.flown.flying
        known = {"lean": (self.lean_deg, f.lean_deg), "thrust": (self.thrust_n, f.thrust_n), "turning": (self.turn_rate_deg_s, f.turn_deg_s)}
        return {name: 100 * values / most for name, (values, most) in known.items() if most is not None}

    @property
    def turn_rate_deg_s(self) -> Floats:
        """Size of the turn (T,)."""
        out: Floats = np.linalg.norm(self.turn_deg_s, axis=1)
        return out


def along(pairing: Pairing, flown: Flown, things: Sequence[Thing] = (), *, filming: Filming | None = None, guide: Guide | None = None) -> Along:
    """Work out what follows along a flight.

    Args:
        guide: whose rectangle is judged; nothing is said about it if not given.

    Raises:
        InputError: the flight can't be followed upright somewhere.
    """
    filming = filming or Filming()
    count = int(np.clip(math.ceil(flown.duration_s / _FINEST_S), 50, _MOST))
    times = np.linspace(0, flown.duration_s, count + 1)
    motion, recording, airframe = flown.at(times), flown.recording(times), flown.airframe(times)
    thrust = flown.thrust_m_s2(times)
    heading, pitch, roll = attitude_deg(airframe)
    turn = flown.turn_rad_s(times)
    height, slope = horizon_in(pairing.recording, pairing.frame, recording)
    moved = _moved(flown)
    height_off, slope_off = _horizon_tolerance(pairing, moved, times, height, slope)
    filmed = _filmed(pairing, flown, times, filming.hits)
    blur, skew = _middle_motion(pairing, flown, times, filmed, filming)
    margin = stabiliser_margin(pairing.recording, frame_in(pairing.recording.raster_px, keep_percent=pairing.keep_percent))
    air = motion.velocity_m_s - np.array(flown.flying.wind_m_s)
    drawn = np.full(len(times), np.nan)
    if filming.rig is not None:
        drawn = power_of(filming.rig, density_kg_m3=flown.flying.density_kg_m3, thrust_n=flown.flying.mass_kg * thrust, air_m_s=air)
    step = np.diff(times)
    speed = motion.speed_m_s
    with np.errstate(all="ignore"):
        ahead = np.where(speed[:, None] > 1e-6, motion.velocity_m_s / speed[:, None], 0.0)
    return Along(
        pairing=pairing,
        flown=flown,
        filming=filming,
        times_s=times,
        position_m=motion.position_m,
        speed_m_s=speed,
        along_m_s2=np.einsum("ti,ti->t", motion.acceleration_m_s2, ahead),
        heading_deg=heading,
        pitch_deg=pitch,
        roll_deg=roll,
        lean_deg=lean_of(-airframe.rotation[:, :, 1]),
        thrust_n=flown.flying.mass_kg * np.linalg.norm(thrust, axis=1),
        turn_deg_s=np.degrees(turn[:, [1, 0, 2]]),
        horizon_percent=height,
        horizon_roll_deg=slope,
        horizon_off_percent=height_off,
        horizon_roll_off_deg=slope_off,
        filmed_m=filmed,
        blur_percent=blur,
        skew_deg=skew,
        guide_error_percent=_guide_error(pairing, guide, filmed),
        margin=margin,
        stabiliser_percent=_stabiliser(flown, times, margin),
        battery_w=drawn,
        used_wh=np.concatenate([0 * drawn[:1], np.cumsum(step * (drawn[1:] + drawn[:-1]) / 2)]) / 3600,
        seen=tuple(_seen(pairing, flown, times, thing, filming, moved) for thing in things),
        room=None if filming.box is None or filming.surfaces is None else room_along(flown, filming.box, filming.surfaces),
        passings=() if filming.box is None else passings(flown, filming.box, filming.openings),
    )


def _moved(flown: Flown) -> list[Flown]:
    """The flight with each figure that is a guess moved by the half-width of its 95 % interval; the inputs are independent."""
    f = flown.flying
    x, y, z = f.wind_m_s
    moved = [
        replace(flown, flying=replace(f, mass_kg=f.mass_kg * (1 + f.mass_percent / 100), thrust_n=None)) if f.mass_percent else None,
        replace(flown, flying=replace(f, drag_area_m2=f.drag_area_m2 * (1 + f.drag_percent / 100))) if f.drag_percent else None,
        replace(flown, flying=replace(f, wind_m_s=(x + f.wind_off_m_s, y, z))) if f.wind_off_m_s else None,
        replace(flown, flying=replace(f, wind_m_s=(x, y, z + f.wind_off_m_s))) if f.wind_off_m_s else None,
        replace(flown, camera_tilt_deg=max(flown.camera_tilt_deg - f.tilt_deg, -90.0)) if f.tilt_deg else None,
    ]
    return [each for each in moved if each is not None]


def _horizon_tolerance(pairing: Pairing, moved: list[Flown], times: Floats, height: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """Half-widths of 95 % intervals, by differences."""
    off_height, off_slope = np.zeros(len(times)), np.zeros(len(times))
    for each in moved:
        there = horizon_in(pairing.recording, pairing.frame, each.recording(times))
        off_height, off_slope = np.hypot(off_height, there[0] - height), np.hypot(off_slope, there[1] - slope)
    return off_height, off_slope


def _place_tolerance(pairing: Pairing, moved: list[Flown], times: Floats, point_m: Floats, pixels: Floats) -> Floats:
    """How far a point of the scene may lie elsewhere in the frame (T,), percent of its width: half-width of the 95 % interval, by differences."""
    off = np.zeros(len(times))
    for each in moved:
        there, ok = pairing.recording.project(_from_camera(each, times, point_m[None])[:, 0])
        off = np.hypot(off, np.where(ok, in_frame_widths(pairing.recording, pairing.frame, there - pixels), np.nan))
    return 100 * off


def _filmed(pairing: Pairing, flown: Flown, times: Floats, hits: Hits | None) -> Floats:
    """Depth along the recording camera's axis of what the frame's middle shows."""
    if hits is None:
        return np.full(len(times), np.nan)
    ray, _ = pairing.recording.unproject(_middle(pairing))
    ray = ray / np.linalg.norm(ray)
    pose = flown.recording(times)
    return np.asarray(hits(pose.translation_m, pose.directions(np.broadcast_to(ray, (len(times), 3)))) * ray[2])


def _middle(pairing: Pairing) -> tuple[float, float]:
    f = pairing.frame
    return (f.left + f.right) / 2, (f.top + f.bottom) / 2


def _middle_motion(pairing: Pairing, flown: Flown, times: Floats, filmed: Floats, filming: Filming) -> tuple[Floats, Floats]:
    """Blur in percent of the frame's width and skew in degrees (T,) of what the frame's middle shows."""
    ray, _ = pairing.recording.unproject(_middle(pairing))
    depth = np.where(np.isnan(filmed), np.nan, np.minimum(filmed, 1e6))  # the sky moves by turning alone
    points = ray / ray[2] * depth[:, None]
    speed = image_velocity_px_s(pairing.recording, points, velocity_m_s=flown.velocity_m_s(times), turn_rad_s=flown.turn_rad_s(times))
    return 100 * filming.shutter_s * in_frame_widths(pairing.recording, pairing.frame, speed), _skew(pairing, speed, filming)


def _skew(pairing: Pairing, motion_px_s: Floats, filming: Filming) -> Floats:
    if filming.readout_s is None:
        return np.full(len(motion_px_s), np.nan)
    return lean_deg(pairing.recording, across_px_s=motion_px_s[:, 0], readout_s=filming.readout_s)


def _guide_error(pairing: Pairing, guide: Guide | None, filmed: Floats) -> Floats:
    out = np.full(len(filmed), np.nan)
    known = ~np.isnan(filmed) & (filmed > pairing.mount.forward_mm / 1000 + 0.01)
    if guide is not None and known.any():
        curves = edge_error_curve(pairing, guide.rectangle, filmed[known])
        out[known] = np.fmax.reduce([np.abs(edge) for edge in curves.values()])
    return out


def _stabiliser(flown: Flown, times: Floats, margin: Margin) -> Floats:
    """How far the attitude is from its mean over the window, as a share of the margin in percent: pan, tilt, roll."""
    from scipy.spatial.transform import Rotation

    around = np.clip(times[:, None] + np.linspace(-SMOOTH_S / 2, SMOOTH_S / 2, _WINDOW), 0, flown.duration_s)
    turns = flown.recording(around).rotation
    now = turns[:, _WINDOW // 2]
    # The mean of near rotations by their vectors from the one in the middle: right to second order.
    steps = np.swapaxes(now, -1, -2)[:, None] @ turns
    vectors = Rotation.from_matrix(steps.reshape(-1, 3, 3)).as_rotvec().reshape(len(times), _WINDOW, 3).mean(axis=1)
    room = np.array([margin.pan_deg, margin.tilt_deg, margin.roll_deg])
    with np.errstate(all="ignore"):
        return np.asarray(np.where(np.isnan(room), np.nan, 100 * np.abs(np.degrees(vectors[:, [1, 0, 2]])) / room))


def _seen(pairing: Pairing, flown: Flown, times: Floats, thing: Thing, filming: Filming, moved: list[Flown]) -> Seen:
    camera, frame = pairing.recording, pairing.frame
    cone = cone_rad(camera, frame)

    def state(t: Floats) -> Mask:
        """(..., 2): any of it, and all of it, in the frame."""
        pixels = project_held(camera, _from_camera(flown, t, thing.points_m), cone)
        return np.stack([chords_in(pixels, frame).any(axis=-1), frame.contains(pixels).all(axis=-1)], axis=-1)

    local = _from_camera(flown, times, thing.points_m)
    pixels, imaged = camera.project(local)
    middle = local[:, len(thing.points_m) // 2]
    motion = image_velocity_px_s(camera, middle, velocity_m_s=flown.velocity_m_s(times), turn_rad_s=flown.turn_rad_s(times))
    place = camera.project(middle)[0]
    shown = frame.contains(place)
    speed = np.where(shown, in_frame_widths(camera, frame, motion), np.nan)
    span = np.where(np.asarray(imaged.all(axis=1))[:, None], pixels.max(axis=1) - pixels.min(axis=1), np.nan)
    now = state(times)
    return Seen(
        thing=thing,
        in_frame=now[:, 0],
        whole=now[:, 1],
        width_percent=100 * span[:, 0] / frame.width,
        height_percent=100 * span[:, 1] / frame.height,
        speed=speed,
        blur_percent=100 * speed * filming.shutter_s,
        skew_deg=np.where(shown, _skew(pairing, motion, filming), np.nan),
        distance_m=middle[:, 2],
        off_percent=np.where(shown, _place_tolerance(pairing, moved, times, thing.points_m[len(thing.points_m) // 2], place), np.nan),
        stays=stays(times, now[:, 0], lambda t: state(t)[..., 0]),
        whole_stays=stays(times, now[:, 1], lambda t: state(t)[..., 1]),
    )


def _from_camera(flown: Flown, times: Floats, points_m: Floats) -> Floats:
    """Points (n, 3) of the scene in camera axes at times (T,): (T, n, 3)."""
    pose = flown.recording(times)
    return np.asarray((points_m - pose.translation_m[:, None]) @ pose.rotation)


def things_of(shot: Shot) -> tuple[Thing, ...]:
    """The edges of every opening, on the face that is flown at, and every subject."""
    out = []
    for number, opening in enumerate(shot.openings, 1):
        pose = opening.scene_from_opening
        of = "" if len(shot.openings) == 1 else f" of opening {number}"
        out += [Thing(name=f"{side} edge{of}", points_m=pose.points(opening.edge(side, _ALONG_EDGE))) for side in SIDES]
    for subject in shot.subjects:
        feet, _, head = shot.opening.scene_from_opening.points(subject.points_m(shot.opening))
        out.append(Thing(name=subject.name, points_m=feet + np.linspace(0, 1, _ALONG_EDGE)[:, None] * (head - feet), subject=True))
    return tuple(out)


def first_touch(flown: Flown, aircraft: Aircraft | None, surfaces: Surfaces) -> Nearest | None:
    """Where and when an aircraft first touches something on its way; None if it does not, or nothing is known of its size."""
    return None if aircraft is None else room_along(flown, box_of(aircraft), surfaces).contact


def box_of(aircraft: Aircraft) -> Box:
    """The aircraft's box in airframe axes, from the recording camera."""
    low, high = aircraft.box_m.min(axis=0), aircraft.box_m.max(axis=0)
    return Box(middle_m=(low + high) / 2, half_m=(high - low) / 2)
