"""The day's aircraft: the rig with its pack on, fitted to a logged flight, and how it leans at a speed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from framematch.day.given import Day
from framematch.errors import InputError
from framematch.flight import air, attitude, power
from framematch.shot.lean import GRAVITY_M_S2, Flying, wind_from
from framematch.shot.shot import Shot


def rig_of(day: Day, density: float) -> tuple[power.Rig | None, bool]:
    """The aircraft with its pack on, fitted to the logged flight if there is one."""
    a, pack = day.aircraft, day.pack
    if a is None:
        return None, False
    mass = a.mass_kg + (pack.mass_kg if pack else 0.0)
    try:
        drag = a.drag_area_m2
        if a.logged_pitch is not None:
            drag = attitude.drag_area_from_log(mass_kg=mass, density_kg_m3=density, airspeed_m_s=a.logged_pitch.speed_m_s, pitch_deg=a.logged_pitch.pitch_deg)
        rig = power.Rig(
            mass_kg=mass,
            rotors=a.rotors,
            prop_diameter_m=a.prop_diameter_m,
            coaxial=a.coaxial,
            drag_area_m2=drag,
            interference=a.interference,
            figure_of_merit=a.figure_of_merit,
            drive_efficiency=a.drive_efficiency,
            accessories_w=a.accessories_w,
            max_lift_kg=a.max_lift_kg,
        )
        log = a.logged_flight
        if log is None:
            return rig, False
        energy = log.energy_wh if log.energy_wh is not None else pack_of(day).energy_wh if pack else math.nan
        if math.isnan(energy):
            raise InputError("needs the pack's energy", field="logged_flight.energy_wh", fix="give it, or a [pack]")
        height = log.altitude_m if log.altitude_m is not None else day.air.altitude_m
        warmth = log.temperature_c if log.temperature_c is not None else day.air.temperature_c
        flown = power.LoggedFlight(
            mass_kg=log.mass_kg,
            used_wh=energy * log.used_percent / 100,
            minutes=log.minutes,
            density_kg_m3=float(air.density_kg_m3(height, warmth)),
            airspeed_m_s=log.speed_m_s,
            load=power.LOAD[log.style],
        )
        return power.fitted(rig, flown), True
    except InputError as error:
        raise error.within(prefix="aircraft") from None


def pack_of(day: Day) -> power.Pack:
    """The day's pack."""
    p = day.pack
    assert p is not None
    energy = p.energy_wh if p.energy_wh is not None else power.pack_energy_wh(cells=p.cells or 0, capacity_ah=p.capacity_ah or 0.0, cell_v=p.cell_v)
    return power.Pack(energy_wh=energy, mass_kg=p.mass_kg, reserve_percent=p.reserve_percent, max_discharge_c=p.max_discharge_c)


def slope_of_run_deg(day: Day) -> float:
    """Slope of the run: of its longest leg in plan if points are given."""
    if day.run is None:
        return 0.0
    if len(day.run.points_m) < 2:
        return day.run.slope_deg
    legs = np.diff(np.asarray(day.run.points_m), axis=0)
    longest = legs[np.argmax(np.linalg.norm(legs, axis=1))]
    return math.degrees(math.atan2(longest[2], math.hypot(longest[0], longest[1])))


def pitch_deg_at(day: Day, rig: power.Rig, density: float, speed_m_s: float, slope_deg: float) -> float:
    """Nose-down pitch in degrees that holds a speed over ground along a slope, in the day's wind."""
    speed, slope = attitude.air_path(speed_m_s=speed_m_s, slope_deg=slope_deg, headwind_m_s=day.air.headwind_m_s)
    return attitude.attitude(mass_kg=rig.mass_kg, drag_area_m2=rig.drag_area_m2, density_kg_m3=density, airspeed_m_s=speed, slope_deg=slope).pitch_deg


def flying_on(day: Day, shot: Shot) -> Flying:
    """What the lean along the shot's path comes from, with the day's mass, drag, air and headwind (along its first opening) in place of the shot's.

    Raises:
        InputError: the day has no [aircraft], or its figures can't fly.
    """
    if day.aircraft is None:
        raise InputError("the day file has no aircraft", field="aircraft", fix="add [aircraft] with mass_kg and prop_diameter_m")
    density = float(air.density_kg_m3(day.air.altitude_m, day.air.temperature_c))
    rig, _ = rig_of(day, density)
    assert rig is not None
    out = replace(
        shot.flying,
        mass_kg=rig.mass_kg,
        drag_area_m2=rig.drag_area_m2,
        density_kg_m3=density,
        thrust_n=shot.flying.thrust_n if rig.max_lift_kg is None else rig.max_lift_kg * GRAVITY_M_S2,
    )
    if not day.air.headwind_m_s:
        return out
    return replace(out, wind_m_s=wind_from(speed_m_s=day.air.headwind_m_s, from_deg=shot.opening.heading_deg))
