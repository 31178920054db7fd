"""Stop and filter for the day's light, and what the picture is like with them."""

from __future__ import annotations

import math

import numpy as np

from framematch.day.given import Day, DayExposure
from framematch.day.notes import Notes
from framematch.day.values import Light
from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.optics import exposure
from framematch.optics import sharpness as optics
from framematch.optics.motion import image_velocity_px_s, in_frame_widths, shutter_s

BLUR_PERCENT = 10.0  # of the frame's width in one exposure: from here on the edges are gone (practice)


def find_light(day: Day, elevation_deg: float, notes: Notes) -> Light | None:
    """Stop, filter and sharpness for the day's light; None where no exposure is given."""
    e, pairing = day.exposure, day.pairing
    if e is None:
        notes.unknown.append("Stop and filter: no exposure is given.")
        return None
    wanted = e.f_number if e.f_number is not None else pairing.f_number
    if wanted is None:
        wanted = 8.0
        notes.unknown.append("Stop wanted: none is given, f/8 is taken.")
    time = shutter_s(shutter_deg=e.shutter_deg, rate_fps=e.rate_fps)
    ev = e.ev100 if e.ev100 is not None else exposure.LIGHT_EV100[e.light or ""]
    try:
        found = exposure.choose(
            ev100=ev,
            iso=e.iso,
            shutter_s=time,
            wanted_f_number=wanted,
            f_number_range=e.f_number_range,
            densities=e.nd,
            most_filters=e.most_filters,
            loss_stops=e.loss_stops,
        )
    except InputError as error:
        raise error.within(prefix="exposure") from None
    chosen = found.settings[0] if found.settings else None
    if chosen is None:
        notes.impossible.append(_no_stop(found, e))
    stop = chosen.f_number if chosen else wanted
    recording = pairing.recording
    circle = optics.circle_mm(frame_mm=pairing.frame_mm)
    focal = optics.focal_before_focusing_mm(image_distance_mm=recording.lens.focal_mm, focus_m=pairing.focus_m)
    sharp = optics.depth_of_field(focal_mm=focal, f_number=stop, circle_mm=circle, focus_m=pairing.focus_m)
    airy = optics.airy_disk_mm(f_number=stop)
    blur = _blur(day, elevation_deg, time)
    flicker = exposure.flicker_free(mains_hz=e.mains_hz, rate_fps=e.rate_fps, shutter_deg=e.shutter_deg) if e.mains_hz else None
    if chosen is not None:
        _picture_warnings(pairing, chosen, sharp, circle, airy, blur, notes, e.loss_stops)
    if flicker is not None and not flicker.safe:
        notes.warnings.append(_flicker_line(flicker, e))
    if e.ev100 is None:
        notes.unknown.append(f"The light is taken as “{e.light}”, EV {ev:g}: meter it at the place.")
    return Light(
        found=found,
        chosen=chosen,
        wanted_f_number=wanted,
        t_stop=exposure.t_stop(f_number=stop, loss_stops=e.loss_stops),
        shutter_deg=e.shutter_deg,
        rate_fps=e.rate_fps,
        flicker=flicker,
        sharp_from_m=sharp.near_m,
        sharp_to_m=sharp.far_m,
        circle_um=1000 * circle,
        airy_um=1000 * airy,
        blur_percent=blur,
    )


def _no_stop(found: exposure.Exposure, e: DayExposure) -> str:
    stops = abs(found.missing_stops)
    widest, smallest = e.f_number_range
    lens = f"f/{widest:g} to f/{smallest:g}" if widest < smallest else f"f/{widest:g}"
    if found.missing_stops > 0:
        need = float(exposure.density_of_stops(stops))
        return f"No stop fits: with every filter here the scene is {stops:.1f} stops too bright for {lens}. Add about ND {need:.1f}, or lower the ISO."
    return f"No stop fits: without a filter the scene is {stops:.1f} stops too dark for {lens}. Raise the ISO, open the shutter, or add light."


def _picture_warnings(
    pairing: Pairing,
    chosen: exposure.Setting,
    sharp: optics.Depth,
    circle_mm: float,
    airy_mm: float,
    blur: tuple[tuple[float, float], ...],
    notes: Notes,
    loss_stops: float,
) -> None:
    stop = chosen.f_number
    set_to = exposure.stop_words(stop, loss_stops=loss_stops)
    if pairing.f_number is not None and abs(2 * math.log2(stop / pairing.f_number)) > 1 / 3:
        notes.warnings.append(f"{set_to} will be set, the pairing says f/{pairing.f_number:g}: what was worked out with it is not today's.")
    if sharp.near_m > pairing.near_m * 1.005:
        notes.warnings.append(f"At {set_to} the near limit is {notes.length(sharp.near_m)}, but the shot comes as near as {notes.length(pairing.near_m)}.")
    if sharp.far_m < pairing.far_m * 0.995:
        notes.warnings.append(f"At {set_to} the far limit is {notes.length(sharp.far_m)}, but the shot reaches to {notes.length(pairing.far_m)}.")
    if airy_mm > circle_mm:
        notes.warnings.append(
            f"At {set_to} diffraction softens all of the picture: its disk is {1000 * airy_mm:.0f} µm, the circle of confusion {1000 * circle_mm:.0f} µm."
        )
    if abs(chosen.off_stops) > 0.1:
        notes.warnings.append(
            f"{set_to} is as near as the lens gets: the picture is {abs(chosen.off_stops):.1f} stops too {'bright' if chosen.off_stops > 0 else 'dark'}."
        )
    if blur and blur[0][1] > BLUR_PERCENT:
        notes.warnings.append(
            f"At this shutter motion blur at the frame's edges is {blur[0][1]:.1f} % of its width at {notes.length(blur[0][0])}; a shorter one blurs less."
        )


def _flicker_line(flicker: exposure.FlickerFree, e: DayExposure) -> str:
    if math.isnan(flicker.nearest_deg):
        return f"Lamps on {e.mains_hz} Hz will flicker: at {e.rate_fps:g} frames a second no shutter is open for a whole flicker."
    alike = " Every frame sees the lamps alike, but a rolling shutter shows bands." if flicker.in_step else ""
    return f"Lamps on {e.mains_hz} Hz may flicker at {e.shutter_deg:g} degrees: set {flicker.nearest_deg:.1f} degrees.{alike}"


def _blur(day: Day, elevation_deg: float, time_s: float) -> tuple[tuple[float, float], ...]:
    """Motion blur in one exposure in percent of the frame's width: the worst corner or edge at the nearest distance, and at three times that."""
    if day.run is None:
        return ()
    pairing = day.pairing
    e = math.radians(elevation_deg)
    velocity = day.run.speed_m_s * np.array([0.0, math.sin(e), math.cos(e)])
    rays, ok = pairing.recording.unproject(pairing.frame.border(np.arange(0, 4, 0.5)))
    ok &= rays[:, 2] > 0
    out = []
    for distance in (pairing.near_m, min(3 * pairing.near_m, pairing.far_m)):
        points = rays[ok] / rays[ok, 2:] * distance
        moved = image_velocity_px_s(pairing.recording, points, velocity_m_s=velocity) * time_s
        out.append((distance, 100 * float(np.nanmax(in_frame_widths(pairing.recording, pairing.frame, moved), initial=0.0))))
    return tuple(dict(out).items())
