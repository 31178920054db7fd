"""Camera tilt for the planned speed, where the horizon lies, and what of the airframe shows."""

from __future__ import annotations

from dataclasses import replace

from framematch.compare.props import PropsReport, props_in_frame
from framematch.day.aircraft import pitch_deg_at
from framematch.day.given import Day
from framematch.day.notes import Notes
from framematch.day.values import AtSpeed, Tilts
from framematch.errors import InputError
from framematch.flight import attitude, power
from framematch.shot.aircraft import Aircraft


def find_tilts(day: Day, rig: power.Rig | None, density: float, slope: float, notes: Notes) -> Tilts | None:
    """Camera tilt and horizon; None where the day does not tell, or the run can't be flown steadily."""
    if day.run is None or rig is None:
        notes.unknown.append("Camera tilt: aircraft and run are not given.")
        return None
    run, pairing = day.run, day.pairing
    try:
        pitch = pitch_deg_at(day, rig, density, run.speed_m_s, slope)
    except InputError as error:
        notes.impossible.append(f"The run can't be flown steadily: {error.problem}.")
        return None
    planned = attitude.tilt_for_horizon(pairing, pitch_deg=pitch, percent=run.horizon_percent)
    low, high = run.speed_range_m_s or (run.speed_m_s, run.speed_m_s)
    if low > high:
        raise InputError(f"slowest {low:g} is faster than fastest {high:g}", field="run.speed_range_m_s", fix="write the slowest first")

    def at(speed: float, tilt_deg: float) -> AtSpeed:
        lean = pitch_deg_at(day, rig, density, speed, slope)
        there = attitude.horizon_at(pairing, recording_tilt_deg=tilt_deg, pitch_deg=lean)
        return AtSpeed(speed_m_s=speed, pitch_deg=lean, recording_percent=there.recording_percent, monitoring_percent=there.monitoring_percent)

    try:
        over = tuple(at(s, planned.recording_deg) for s in sorted({low, run.speed_m_s, high}))
    except InputError as error:
        raise error.within(prefix="run") from None
    assert day.aircraft is not None
    now_deg = day.aircraft.camera_tilt_deg
    now = at(run.speed_m_s, now_deg) if now_deg is not None else None
    if now is not None and not 0 <= now.recording_percent <= 100:
        notes.warnings.append(f"With the camera tilt as it is now ({now_deg:g} degrees) the horizon is outside the frame at the planned speed.")
    if not 0 <= planned.monitoring_percent <= 100:
        notes.warnings.append("With this tilt the horizon is not on the goggles' display at the planned speed: the pilot has no level to fly by.")
    props = _props(day, planned.recording_deg)
    if props is None:
        notes.unknown.append("Propellers in the frame: where they are is not given.")
    elif props.in_shot:
        named = ", ".join(f"{each.name} ({each.area_percent:.1f} %)" for each in props.in_shot)
        notes.warnings.append(f"In the frame with this tilt: {named}.")
    if pitch > 45:
        notes.warnings.append(f"The aircraft would lean {pitch:.0f} degrees: outside what these formulas are good for.")
    return Tilts(planned=planned, pitch_deg=pitch, horizon_percent=run.horizon_percent, over_range=over, now=now, now_deg=now_deg, props=props)


def _props(day: Day, tilt_deg: float) -> PropsReport | None:
    """What of the airframe the frame shows: by the day file's props, or else those of the gap's aircraft."""
    a, gap = day.aircraft, day.shot
    if a is not None and (a.props or a.parts):
        craft = Aircraft(width_m=a.span_m, height_m=a.span_m, length_m=a.span_m, props=a.props, parts=a.parts)
    elif gap is not None and gap.aircraft is not None and (gap.aircraft.props or gap.aircraft.parts):
        craft = gap.aircraft
    else:
        return None
    return props_in_frame(day.pairing.recording, day.pairing.frame, replace(craft, camera_tilt_deg=tilt_deg))
