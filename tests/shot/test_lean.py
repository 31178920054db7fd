"""Path, times and lean against the calculus of variations, the equations of motion, and published banks."""

import numpy as np
import pytest
from flying import integrated_m, random_flight
from scipy.interpolate import make_interp_spline

from framematch.errors import InputError
from framematch.files.flight_log import parse_flight_log
from framematch.flight.attitude import attitude
from framematch.geometry.pose import Pose
from framematch.shot.flown import Flown
from framematch.shot.lean import Flying, attitude_deg, lean_of, scene_from_airframe, wind_from
from framematch.shot.log import Log
from framematch.shot.path import Heading, Path
from framematch.shot.timing import asked, refuse_beyond, timed

STRAIGHT = [[0.0, 2.0, 10.0], [0.0, 2.0, -10.0]]


def flown(track: Path | Log, tilt: float = 0.0, **figures: object) -> Flown:
    return Flown(course=track, flying=Flying(**figures), camera_tilt_deg=tilt)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(4))  # fifty in tests/acceptance
def test_the_equations_of_motion_give_the_path_back(seed: int) -> None:
    flight = random_flight(seed)
    times = np.linspace(0, 10, 51)
    assert np.linalg.norm(integrated_m(flight, times) - flight.at(times).position_m, axis=1).max() < 1e-3


def test_between_two_rests_it_is_the_septic_of_least_snap() -> None:
    # Calculus of variations: 35 u^4 - 84 u^5 + 70 u^6 - 20 u^7.
    path = Path(points_m=[[0, 1, 0], [6, 2, -9]], times_s=[0, 3.0])
    u = np.linspace(0, 1, 201)
    along = 35 * u**4 - 84 * u**5 + 70 * u**6 - 20 * u**7
    np.testing.assert_allclose(path.at(3 * u).position_m, np.array([0, 1, 0]) + along[:, None] * [6, 1, -9], atol=1e-9)
    times, points = [0.0, 1.0, 2.5, 4.0], [[0, 1, 0], [2, 1.5, -4], [1, 2, -9], [3, 1, -12]]
    rest = [(n, np.zeros(3)) for n in (1, 2, 3)]
    spline = make_interp_spline(times, points, k=7, bc_type=(rest, rest))
    t = np.linspace(0, 4, 301)
    motion = Path(points_m=points, times_s=times).at(t)
    for n, values in enumerate((motion.position_m, motion.velocity_m_s, motion.acceleration_m_s2, motion.jerk_m_s3, motion.snap_m_s4)):
        np.testing.assert_allclose(values, spline(t, n), atol=1e-9 * 10**n)


def test_no_curve_through_the_points_has_less_snap() -> None:
    # A direct check of the variational claim, ends flown through: any bump that keeps points and end velocities costs snap.
    times = np.array([0.0, 1.2, 2.0, 3.1])
    path = Path(points_m=[[0, 1, 0], [2, 1, -5], [1, 2, -9], [3, 1, -14]], times_s=times, start_m_s=5.0, end_m_s=4.0)
    t = np.linspace(0, 3.1, 20001)
    snap = path.at(t).snap_m_s4
    for seed in range(3):
        rng = np.random.default_rng(seed)
        bump = np.polynomial.Polynomial.fromroots([*times, 0.0, 3.1]) * np.polynomial.Polynomial(rng.normal(size=3))
        crossed = np.trapezoid(snap * bump.deriv(4)(t)[:, None], t, axis=0)
        assert np.abs(crossed).max() < 1e-5 * np.trapezoid(bump.deriv(4)(t) ** 2, t)


def test_a_stop_on_the_way_is_a_rest() -> None:
    path = timed([[0, 1, 0], [0, 1, -6], [0, 1, -12]], [4, 0, 4])
    stop = path.at(path.times_s[1])
    for values in (stop.velocity_m_s, stop.acceleration_m_s2, stop.jerk_m_s3):
        np.testing.assert_allclose(values, 0, atol=1e-9)


def test_steady_level_flight_leans_as_the_day_says() -> None:
    figures = {"mass_kg": 1.4, "drag_area_m2": 0.03, "density_kg_m3": 1.18}
    steady = attitude(mass_kg=1.4, drag_area_m2=0.03, density_kg_m3=1.18, airspeed_m_s=15 + 3)
    flight = flown(timed(STRAIGHT, 15.0), **figures, wind_m_s=wind_from(speed_m_s=3.0, from_deg=0.0))
    heading, pitch, roll = attitude_deg(flight.airframe([0.2, 0.7]))
    np.testing.assert_allclose([heading, -pitch, roll], [[0, 0], [steady.pitch_deg] * 2, [0, 0]], atol=1e-9)
    np.testing.assert_allclose(1.4 * np.linalg.norm(flight.thrust_m_s2(0.5)), steady.thrust_n, rtol=1e-12)


@pytest.mark.parametrize(("size", "lean"), [(2.0, 11.53), (5.0, 27.01)])  # atan(a / g), g = 9.80665
def test_braking_brings_the_nose_up(size: float, lean: float) -> None:
    # A parabola in time is a cubic spline's and so a septic's own: between its ends it brakes evenly.
    times = np.linspace(0, 2, 9)
    z = -(12 * times - size * times**2 / 2)
    flight = flown(Path(points_m=np.stack([0 * z, 0 * z + 2, z], axis=-1), times_s=times, start_m_s=12.0, end_m_s=12 - 2 * size))
    _, pitch, roll = attitude_deg(flight.airframe(1.0))
    assert pitch == pytest.approx(lean, abs=0.01)
    assert roll == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("way", [1, -1])
def test_a_level_turn_banks_as_published(way: int) -> None:
    # FAA handbook's formula, bank = atan(v^2 / (r g)): 44.39 degrees at 12 m/s and 15 m.
    turn = np.linspace(0, 1.5 * np.pi, 41)
    points = np.stack([way * 15 * (1 - np.cos(turn)), 0 * turn + 2, -15 * np.sin(turn)], axis=-1)
    flight = flown(Path(points_m=points, times_s=turn * 15 / 12, start_m_s=12, end_m_s=12))
    heading, pitch, roll = attitude_deg(flight.airframe(flight.duration_s / 2))
    assert (float(roll), float(pitch)) == pytest.approx((way * 44.39, 0), abs=0.01)
    assert np.degrees(way * 0.75 * np.pi) == pytest.approx(float(heading), abs=0.01)
    np.testing.assert_allclose(np.linalg.norm(flight.turn_rad_s(flight.duration_s / 2)), 12 / 15, rtol=1e-3)


def test_the_nose_lies_over_the_heading_whatever_the_bank() -> None:
    # Faessler et al. 2018 (doi 10.1109/LRA.2017.2776353), in their own axes: x_B = y_C x z_B, z up, y left.
    rng = np.random.default_rng(5)
    thrust = rng.normal(0, 4, (50, 3)) + (0, 9.8, 0)
    thrust[:, 1] = np.abs(thrust[:, 1]) + 1
    psi = rng.uniform(-np.pi, np.pi, 50)
    ours = scene_from_airframe(np.zeros((50, 3)), thrust, psi).rotation
    north_west_up = np.stack([-thrust[:, 2], -thrust[:, 0], thrust[:, 1]], axis=-1)
    z = north_west_up / np.linalg.norm(north_west_up, axis=1, keepdims=True)
    left_of_heading = np.stack([np.sin(psi), np.cos(psi), 0 * psi], axis=-1)  # their yaw is to the left
    x = np.cross(left_of_heading, z)
    x /= np.linalg.norm(x, axis=1, keepdims=True)
    np.testing.assert_allclose(ours[:, :, 2], np.stack([-x[:, 1], x[:, 2], -x[:, 0]], axis=-1), atol=1e-12)


def test_the_camera_sits_at_its_tilt() -> None:
    flight = flown(timed(STRAIGHT, 8.0), tilt=20.0)
    _, pitch, _ = attitude_deg(Pose(a="scene", b="airframe", rotation=flight.recording(0.5).rotation, translation_m=np.zeros(3)))
    assert pitch == pytest.approx(20.0, abs=1e-9)
    np.testing.assert_allclose(flight.velocity_m_s(0.5), [0, 8 * np.sin(np.radians(20)), 8 * np.cos(np.radians(20))], atol=1e-9)


def test_wanted_speeds_are_flown_where_the_limits_allow() -> None:
    points, speeds = [[0, 1.5, 12], [1, 1.5, 6], [0, 1.5, 0], [-3, 2, -6], [-8, 2.5, -8]], [4, 5, 6, 5, 4]
    path = timed(points, speeds)
    np.testing.assert_allclose(path.at(path.times_s).speed_m_s, speeds, rtol=0.08)
    tight = Flying(lean_deg=20, acceleration_m_s2=3, jerk_m_s3=8, drag_area_m2=0.01, thrust_n=11)
    slower = timed(points, [0, 5, 6, 5, 0], flying=tight)
    assert all(each.value <= each.limit * 1.0001 for each in asked(slower, tight))
    assert max(each.value / each.limit for each in asked(slower, tight)) > 0.9  # slowed no more than needed


def test_the_nose_can_be_turned_to_a_subject() -> None:
    path = timed([[0, 1.5, 10], [0, 1.5, 0]], 5.0, heading=Heading(towards_m=(5.0, 1.0, 5.0)))
    at = path.at(1.0).position_m
    assert path.heading_rad(1.0) == pytest.approx(np.arctan2(5 - at[0], -(5 - at[2])))


def log_text(flight: Flown, head: str = "time_s,x_m,y_m,z_m,roll_deg,pitch_deg,yaw_deg", scale: float = 1.0) -> str:
    times = np.arange(0, flight.duration_s, 0.02)
    heading, pitch, roll = attitude_deg(flight.airframe(times))
    figures = np.column_stack([times, flight.at(times).position_m * scale, roll, pitch, heading])[:, : head.count(",") + 1]
    return "\n".join([head, *(",".join(f"{v:.7f}" for v in row) for row in figures)])


def test_a_log_is_flown_as_it_was_and_what_it_lacks_is_worked_out() -> None:
    flight = random_flight(1)
    inside = np.linspace(1.5, flight.duration_s - 0.5, 40)
    wanted = np.array(attitude_deg(flight.airframe(inside)))
    whole = Flown(course=parse_flight_log(log_text(flight)), flying=flight.flying)
    np.testing.assert_allclose(attitude_deg(whole.airframe(inside)), wanted, atol=1e-4)
    places = Flown(course=parse_flight_log(log_text(flight, "time_s,x_ft,y_ft,z_ft", 1 / 0.3048)), flying=flight.flying)
    np.testing.assert_allclose(attitude_deg(places.airframe(inside)), wanted, atol=0.1)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: timed([[0, 1, 0], [0, 1, 0]], 5), "points 1 and 2 are in one place"),
        (lambda: timed(STRAIGHT, 80, flying=Flying(drag_area_m2=0.02)), "leans by 83 deg even in steady flight"),
        (lambda: timed(STRAIGHT, 30, flying=Flying(drag_area_m2=0.02, thrust_n=12, lean_deg=60)), "takes 15 N even in steady flight"),
        (lambda: timed([[0, 1, 0], [0, 1, -1]], [5, 12]), "swings out to"),
        (lambda: Path(points_m=STRAIGHT, times_s=[1, 1]), "not later than point 1"),
        (lambda: refuse_beyond(Path(points_m=STRAIGHT, times_s=[0, 1.5]), Flying()), "asks for a jerk of 311"),
        (lambda: timed([[0, 1, 0], [0, 1, -5], [5, 1, -5]], [3, 0, 3]), "jump by 90 deg"),
        (lambda: Flying(mass_kg=2, thrust_n=15), "does not lift 2 kg"),
        (lambda: parse_flight_log("time_s,x_m,y_m\n0,0,0"), "no column of z"),
        (lambda: parse_flight_log("time_s,x,y_m,z_m\n0,0,0,0"), "'x' has no unit"),
        (
            lambda: parse_flight_log("time_s,x_m,y_m,z_m\n" + "\n".join(f"{t},0,1,{t}" for t in [0, 0.1, 0.2, 0.3, 1.9, 2, 2.1, 2.2])),
            "gap of 1.6 s after 0.3 s",
        ),
        (lambda: parse_flight_log("time_s,x_m,y_m,z_m\n" + "\n".join(f"{t},0,1,{t}" for t in [0, 0.1, 0.2, 0.15, 0.3, 0.4, 0.5, 0.6])), "time runs back"),
        (lambda: parse_flight_log("time_s,x_m,y_m,z_m\n0,0,,0"), "line 2 lacks a figure"),
    ],
)
def test_what_can_t_be_flown_is_one_line(make, says: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError) as error:
        make()
    assert says in str(error.value) and "\n" not in str(error.value)


def test_lean_of_is_the_angle_off_the_upright() -> None:
    np.testing.assert_allclose(lean_of([[0, 9.81, 0], [9.81, 9.81, 0]]), [0, 45])
