"""Air, attitude, power and fall against standards, closed forms and SciPy."""

from __future__ import annotations

import importlib.util
import math
from dataclasses import replace

import numpy as np
import pytest
from outside import need
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from framematch.errors import InputError
from framematch.flight import air, attitude, fall, power
from framematch.geometry.camera import Camera, Display, Rect, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import PROJECTIONS
from framematch.geometry.mount import Mount, rotation_from_aim
from framematch.geometry.pairing import Pairing
from framematch.text.units import convert

RHO = 1.225
COAXIAL_EIGHT = power.Rig(mass_kg=4.0, rotors=8, coaxial=True, prop_diameter_m=0.18)
SIX_CELL = power.Pack(energy_wh=power.pack_energy_wh(cells=6, capacity_ah=4.5), mass_kg=0.7)


# Air ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("altitude_m", "density"), [(0, 1.2250), (1000, 1.1117), (2000, 1.0066)])  # ISO 2533's printed tables
def test_density_is_that_of_the_standard_atmosphere(altitude_m: float, density: float) -> None:
    assert round(float(air.density_kg_m3(altitude_m)), 4) == density


def test_density_agrees_with_the_ambiance_package_over_the_whole_troposphere() -> None:
    need(importlib.util.find_spec("ambiance") is not None, "ambiance")
    import ambiance

    altitude = np.linspace(-500, 11_000, 231)
    theirs = ambiance.Atmosphere(altitude)
    # The package starts its lowest layer from a rounded pressure at -5 km: 2.6e-7 apart at most.
    np.testing.assert_allclose(air.density_kg_m3(altitude), theirs.density, rtol=1e-6)
    np.testing.assert_allclose(air.standard_temperature_c(altitude), theirs.temperature_in_celsius, atol=1e-6)


def test_warm_air_is_thinner_by_the_gas_law() -> None:
    assert float(air.density_kg_m3(0, 35.0)) == pytest.approx(1.225 * 288.15 / 308.15, rel=1e-6)


@pytest.mark.parametrize(("altitude", "temperature"), [(12_000, None), (-900, None), (math.nan, None), (0, 80), (0, math.nan)])
def test_no_density_outside_the_troposphere_or_the_weather(altitude: float, temperature: float | None) -> None:
    with pytest.raises(InputError):
        air.density_kg_m3(altitude, temperature)


# Attitude ----------------------------------------------------------------------------------------


def test_level_pitch_is_the_closed_form() -> None:
    found = attitude.attitude(mass_kg=4, drag_area_m2=0.05, density_kg_m3=RHO, airspeed_m_s=15)
    assert math.tan(math.radians(found.pitch_deg)) == pytest.approx(RHO * 15**2 * 0.05 / (2 * 4 * 9.80665), rel=1e-12)


@pytest.mark.parametrize("slope_deg", [-30.0, -5.0, 0.0, 12.0, 60.0])
def test_pitch_is_where_a_simulated_aircraft_neither_speeds_up_nor_slows_down(slope_deg: float) -> None:
    """Newton's law integrated by SciPy with the found pitch and thrust: the velocity stays as it was."""
    mass, area, speed = 4.0, 0.06, 14.0
    found = attitude.attitude(mass_kg=mass, drag_area_m2=area, density_kg_m3=RHO, airspeed_m_s=speed, slope_deg=slope_deg)
    lean = math.radians(found.pitch_deg)

    def acceleration(_t: float, v: np.ndarray) -> np.ndarray:
        drag = 0.5 * RHO * area * np.linalg.norm(v) * v
        return (found.thrust_n * np.array([math.sin(lean), math.cos(lean)]) - drag) / mass - np.array([0, 9.80665])

    start = speed * np.array([math.cos(math.radians(slope_deg)), math.sin(math.radians(slope_deg))])
    end = solve_ivp(acceleration, (0, 5), start, rtol=1e-10, atol=1e-10).y[:, -1]
    np.testing.assert_allclose(end, start, atol=1e-6)


def test_a_logged_pitch_comes_back() -> None:
    area = attitude.drag_area_from_log(mass_kg=4, density_kg_m3=RHO, airspeed_m_s=14, pitch_deg=17.5)
    assert attitude.attitude(mass_kg=4, drag_area_m2=area, density_kg_m3=RHO, airspeed_m_s=14).pitch_deg == pytest.approx(17.5, abs=1e-12)
    with pytest.raises(InputError):
        attitude.drag_area_from_log(mass_kg=4, density_kg_m3=RHO, airspeed_m_s=0, pitch_deg=17.5)


def test_no_steady_flight_faster_than_the_rig_falls() -> None:
    with pytest.raises(InputError, match="faster than this rig falls"):
        attitude.attitude(mass_kg=1, drag_area_m2=0.1, density_kg_m3=RHO, airspeed_m_s=40, slope_deg=-90)


def test_headwind_adds_to_the_airspeed_and_flattens_the_path() -> None:
    assert attitude.air_path(speed_m_s=10, headwind_m_s=4) == pytest.approx((14, 0))
    speed, slope = attitude.air_path(speed_m_s=10, slope_deg=30, headwind_m_s=5)
    assert speed == pytest.approx(math.hypot(10 * math.cos(math.pi / 6) + 5, 5)) and 0 < slope < 30


def test_level_turn_of_the_handbook() -> None:
    """120 kt at 30 degrees of bank: 2208 ft by formula; the FAA's handbook prints 2215 (memory)."""
    metres = float(attitude.turn_radius_m(speed_m_s=convert(120, unit="kt", to="m/s"), bank_deg=30))
    assert round(convert(metres, unit="m", to="ft")) == 2208


def _rig(projection: str = "brown-conrady", *, aim: float = -6.0, centre: tuple[float, float] = (2880.0, 1518.0), roll: float = 0.0) -> Pairing:
    k = {"brown-conrady": (-0.02, 0.004), "kannala-brandt": (0.02,)}.get(projection, ())
    recording = Camera(lens=Lens(projection=projection, focal_mm=18, k=k), sensor_mm=(24.89, 13.12), raster_px=(5760, 3036), centre_px=centre)
    monitoring = Camera(lens=Lens(projection="equidistant", focal_mm=5.9 / math.radians(118)), sensor_mm=(5.9, 4.425), raster_px=(1440, 1080))
    return Pairing(
        recording=recording,
        frame=frame_in((5760, 3036), aspect=2.39, keep_percent=92),
        monitoring=monitoring,
        display=Display(raster_px=(1280, 720), source_px=(1440, 1080)),
        mount=Mount(up_mm=58, forward_mm=31, tilt_deg=aim, roll_deg=roll),
        near_m=1.5,
        far_m=30.0,
    )


@pytest.mark.parametrize("projection", PROJECTIONS)
@pytest.mark.parametrize("percent", [10.0, 50.0, 61.8])
def test_far_points_of_the_horizon_are_recorded_at_the_asked_height(projection: str, percent: float) -> None:
    """A far point at eye height, carried through poses that the horizon code does not use, lands on the asked row."""
    rig = _rig(projection, centre=(2810.0, 1560.0))
    pitch = 11.3
    tilt = attitude.tilt_for_horizon(rig, pitch_deg=pitch, percent=percent)
    body_from_level = rotation_from_aim(tilt_deg=-pitch)
    level_from_camera = body_from_level @ rotation_from_aim(tilt_deg=tilt.recording_deg)

    def off_column(pan: float) -> float:
        far = np.array([math.sin(pan), 0, math.cos(pan)])
        return float(rig.recording.project(far @ level_from_camera)[0][0] - (rig.frame.left + rig.frame.right) / 2)

    pan = brentq(off_column, -0.3, 0.3, xtol=1e-14)
    row = rig.recording.project(np.array([math.sin(pan), 0, math.cos(pan)]) @ level_from_camera)[0][1]
    asked = rig.frame.bottom - rig.frame.height * percent / 100
    assert row == pytest.approx(asked, abs=1e-6)
    assert tilt.recording_percent == pytest.approx(percent, abs=1e-9)


def test_the_monitoring_camera_keeps_its_aim_to_the_recording_camera() -> None:
    rig = _rig(aim=-6.0)
    tilt = attitude.tilt_for_horizon(rig, pitch_deg=10, percent=50)
    assert tilt.monitoring_deg == pytest.approx(tilt.recording_deg - 6.0)
    # Looking 6 degrees lower puts the horizon higher in its picture: equidistant, so by 6/118 of 1440 px.
    middle = rig.display.source_shown
    expected = 50 + 100 * (6 - attitude.elevation_for_horizon(rig.recording, rig.frame, percent=50)) / 118 * 1440 / middle.height
    assert tilt.monitoring_percent == pytest.approx(expected, abs=1e-6)


def test_faster_than_planned_the_horizon_rises_in_the_frame() -> None:
    rig = _rig()
    tilt = attitude.tilt_for_horizon(rig, pitch_deg=8, percent=50).recording_deg
    heights = [attitude.horizon_at(rig, recording_tilt_deg=tilt, pitch_deg=p).recording_percent for p in (4, 8, 14)]
    assert heights == sorted(heights) and heights[1] == pytest.approx(50, abs=1e-9)


def test_a_horizon_outside_the_lens_is_not_a_number() -> None:
    rig = _rig("rectilinear")
    assert math.isnan(attitude.horizon_percent(rig.recording, Rect(left=0, top=0, right=10, bottom=10), elevation_deg=95))


# Power -------------------------------------------------------------------------------------------


def test_textbook_helicopter_rotor_in_the_hover() -> None:
    """22 500 lb on a 19 ft rotor at 0.002378 slug/ft3: 64.6 ft/s and 2642 hp ideal (memory: helicopter aerodynamics textbook)."""
    thrust = convert(22_500, unit="lbf", to="N")
    area = math.pi * convert(19, unit="ft", to="m") ** 2
    density = convert(0.002378, unit="slug/cu ft", to="kg/m3")
    v = float(power.induced_velocity_m_s(thrust_n=thrust, disc_area_m2=area, density_kg_m3=density))
    assert round(convert(v, unit="m/s", to="ft/s"), 1) == 64.6
    assert convert(thrust * v, unit="W", to="hp") == pytest.approx(2642, abs=1.0)


def test_coaxial_interference_figures() -> None:
    assert pytest.approx(1.41421, abs=1e-5) == power.COAXIAL_SAME_PLANE
    assert pytest.approx(1.281, abs=5e-4) == power.COAXIAL_LOWER_IN_WAKE
    assert power.COAXIAL_MEASURED < power.COAXIAL_LOWER_IN_WAKE < power.COAXIAL_SAME_PLANE


def test_hover_is_the_closed_form() -> None:
    rig = COAXIAL_EIGHT
    area = 4 * math.pi * 0.09**2
    ideal = (4 * 9.80665) ** 1.5 / math.sqrt(2 * RHO * area)
    found = power.power(rig, density_kg_m3=RHO)
    assert found.battery_w == pytest.approx(rig.kappa * ideal / (0.65 * 0.8), rel=1e-9)
    assert found.battery_w == pytest.approx(rig.lump * ideal, rel=1e-9)


SPEEDS = [(0.0, 0.0), (3.0, 0.0), (12.0, 0.0), (20.0, 0.0), (10.0, 25.0), (8.0, -15.0), (6.0, 90.0)]


@pytest.mark.parametrize(("speed", "slope"), SPEEDS)
def test_energy_balance_closes(speed: float, slope: float) -> None:
    """What the discs give equals what the air and the height take; and equals the wake's gain of kinetic energy, to 1e-6."""
    rig = replace(COAXIAL_EIGHT, interference=1.0, figure_of_merit=1.0, drive_efficiency=1.0, drag_area_m2=0.06)
    p = power.power(rig, density_kg_m3=RHO, airspeed_m_s=speed, slope_deg=slope)
    towards = math.radians(p.pitch_deg + slope)
    along, through = speed * math.cos(towards), speed * math.sin(towards)
    at_disc = p.thrust_n * (through + p.induced_m_s)
    assert p.shaft_w == pytest.approx(at_disc, rel=1e-6)
    assert p.induced_w + p.profile_w + p.parasite_w + p.climb_w == pytest.approx(p.shaft_w, rel=1e-12)
    flow = RHO * rig.disc_area_m2 * math.hypot(along, through + p.induced_m_s)
    wake = np.hypot(along, through + 2 * p.induced_m_s)
    assert 0.5 * flow * (wake**2 - speed**2) == pytest.approx(at_disc, rel=1e-6)
    assert flow * 2 * p.induced_m_s == pytest.approx(p.thrust_n, rel=1e-6)


def test_pack_is_emptied_by_the_time_it_is_said_to_last() -> None:
    """Integrated by SciPy: the power over the minutes found is the usable energy, to 1e-6."""
    rig = replace(COAXIAL_EIGHT, accessories_w=25)
    for load in power.LOAD.values():
        t = 60 * power.minutes(rig, SIX_CELL, density_kg_m3=RHO, airspeed_m_s=12, load=load)
        drawn = solve_ivp(lambda _t, _e: [power.power(rig, density_kg_m3=RHO, airspeed_m_s=12, load=load).battery_w], (0, t), [0.0]).y[0, -1]  # noqa: B023
        assert drawn / 3600 == pytest.approx(SIX_CELL.usable_wh, rel=1e-6)


@pytest.mark.parametrize("through", [-6.0, 0.0, 5.0, 30.0])
@pytest.mark.parametrize("along", [0.0, 4.0, 25.0])
def test_induced_velocity_solves_glauerts_equation(along: float, through: float) -> None:
    """Against SciPy's bracketed root on the branch that a rotor flies on."""
    target = 40 / (2 * RHO * 0.1)
    v = float(power.induced_velocity_m_s(thrust_n=40, disc_area_m2=0.1, density_kg_m3=RHO, along_m_s=along, through_m_s=through))
    low = max(-through, 0.0) if along == 0 else 0.0
    theirs = brentq(lambda x: x * math.hypot(along, through + x) - target, low, 200, xtol=1e-13)
    assert v == pytest.approx(theirs, rel=1e-9)


def test_heavy_coaxial_rig_flies_three_to_five_minutes_with_default_figures() -> None:
    """Practice: a 4.5 Ah pack lasts a heavy cinema rig 3 to 5 minutes, by how hard it is flown."""
    times = {
        (speed, style): power.minutes(COAXIAL_EIGHT, SIX_CELL, density_kg_m3=RHO, airspeed_m_s=speed, load=load)
        for speed in (0, 6, 12, 15, 18)
        for style, load in power.LOAD.items()
    }
    assert all(3 <= t <= 5 for t in times.values()), times
    assert min(times[s, "light"] for s in (0, 6, 12, 15, 18)) > max(times[s, "hard"] for s in (0, 6, 12, 15, 18))


@pytest.mark.parametrize("minutes", [3.1, 3.6, 4.9])
@pytest.mark.parametrize("speed", [0.0, 13.0])
def test_one_logged_flight_moves_the_model_to_it_exactly(minutes: float, speed: float) -> None:
    start = replace(COAXIAL_EIGHT, accessories_w=20)
    log = power.LoggedFlight(mass_kg=4.1, used_wh=78, minutes=minutes, density_kg_m3=1.18, airspeed_m_s=speed, load=1.1)
    fit = power.fitted(start, log)
    back = 60 * 78 / power.power(replace(fit, mass_kg=4.1), density_kg_m3=1.18, airspeed_m_s=speed, load=1.1).battery_w
    assert back == pytest.approx(minutes, rel=1e-12)
    assert fit.lump != pytest.approx(start.lump, rel=1e-3)


@pytest.mark.parametrize("minutes", [0.2, 40.0, -1.0])
def test_a_log_that_no_aircraft_flew_is_refused(minutes: float) -> None:
    with pytest.raises(InputError, match="logged_flight"):
        power.fitted(COAXIAL_EIGHT, power.LoggedFlight(mass_kg=4, used_wh=80, minutes=minutes, density_kg_m3=RHO))


def test_thin_air_and_weight_cost_time_as_momentum_theory_says() -> None:
    base = power.minutes(COAXIAL_EIGHT, SIX_CELL, density_kg_m3=RHO)
    assert power.minutes(COAXIAL_EIGHT, SIX_CELL, density_kg_m3=RHO / 2) == pytest.approx(base / math.sqrt(2), rel=1e-9)
    assert power.minutes(replace(COAXIAL_EIGHT, mass_kg=8), SIX_CELL, density_kg_m3=RHO) == pytest.approx(base / 2**1.5, rel=1e-9)


def test_a_steep_slow_descent_is_not_called_steady() -> None:
    assert not power.power(COAXIAL_EIGHT, density_kg_m3=RHO, airspeed_m_s=6, slope_deg=-90).steady
    assert power.power(COAXIAL_EIGHT, density_kg_m3=RHO, airspeed_m_s=15, slope_deg=-10).steady


@pytest.mark.parametrize("wrong", [{"mass_kg": 0}, {"prop_diameter_m": -0.1}, {"rotors": 7}, {"rotors": 0}, {"drag_area_m2": -1}, {"mass_kg": math.nan}])
def test_a_rig_that_no_one_has_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError):
        replace(COAXIAL_EIGHT, **wrong)


# Fall --------------------------------------------------------------------------------------------


def test_textbook_throw() -> None:
    """Level at 15 m/s from 20 m with g = 10: 2 s and 30 m."""
    assert float(fall.fall_time_s(height_m=20, gravity_m_s2=10)) == 2.0
    assert float(fall.fall_distance_m(height_m=20, level_m_s=15, gravity_m_s2=10)) == 30.0


@pytest.mark.parametrize("drag_area", [0.0, 0.05])
@pytest.mark.parametrize(("height", "level", "up"), [(20.0, 15.0, 0.0), (3.0, 18.0, 2.0), (40.0, 9.0, -4.0), (0.0, 10.0, 3.0)])
def test_fall_against_an_integrated_flight(height: float, level: float, up: float, drag_area: float) -> None:
    """SciPy's integration lands on the closed form without drag, and never beyond it with drag (still air)."""

    def law(_t: float, s: np.ndarray) -> np.ndarray:
        v = s[2:]
        return np.concatenate([v, -0.5 * RHO * drag_area / 4 * np.linalg.norm(v) * v - [0, 9.80665]])

    def ground(_t: float, s: np.ndarray) -> float:
        return s[1] if _t > 1e-3 else 1.0

    ground.terminal = True  # type: ignore[attr-defined]
    landed = solve_ivp(law, (0, 30), [0, height, level, up], events=ground, rtol=1e-11, atol=1e-11).y_events[0][0][0]
    ours = float(fall.fall_distance_m(height_m=height, level_m_s=level, up_m_s=up))
    if drag_area == 0:
        assert ours == pytest.approx(landed, abs=1e-6)
    else:
        assert ours > landed


def test_fall_along_a_run_with_a_corner() -> None:
    points = fall.along_run([[0, 0, 3], [0, 10, 3], [10, 10, 5]], speed_m_s=12)
    first, last = points[0], points[-1]
    assert first.lands_m == pytest.approx((0, 12 * math.sqrt(2 * 3 / 9.80665)))
    up = 12 * 2 / math.hypot(10, 2)
    assert last.distance_m == pytest.approx(float(fall.fall_distance_m(height_m=5, level_m_s=12 * 10 / math.hypot(10, 2), up_m_s=up)))
    corner = [p for p in points if p.at_m == (0.0, 10.0)]
    assert len(corner) == 2  # both headings
    np.testing.assert_array_less(np.diff([p.at_m[1] for p in points[:20]]), 0.5 + 1e-9)


@pytest.mark.parametrize("points", [[[0, 0, 1]], [[0, 0, 1], [0, 0, 1]], [[0, 0, -1], [0, 5, 1]], [[0, 0], [1, 1]], [[0, 0, 1], [0, math.nan, 1]]])
def test_no_fall_from_what_is_no_run(points: list[list[float]]) -> None:
    with pytest.raises(InputError):
        fall.along_run(points, speed_m_s=10)
