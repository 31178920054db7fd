"""What follows along a flight, against rendered pictures, closed forms, and the same question asked another way round."""

import csv
import io
import json
import math

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from framematch.compare.along import Filming, Thing, along
from framematch.compare.along_report import along_csv, along_json, sentences, text_tables
from framematch.compare.path_questions import Bounds, at_speed, best_tilt, fastest
from framematch.errors import InputError
from framematch.files.flight_log import parse_flight_log
from framematch.files.pairing import read_pairing
from framematch.flight.attitude import attitude, horizon_percent
from framematch.flight.power import Pack, Rig, power, power_of
from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.guide.best import best_guide, rectangle_errors
from framematch.output.path_sheet import write_path_sheet
from framematch.render.rays import render
from framematch.scene.model import Scene, Surface
from framematch.shot.contact import Box, Surfaces
from framematch.shot.flown import Flown
from framematch.shot.horizon import horizon_in
from framematch.shot.lean import Flying, lean_of
from framematch.shot.timing import timed

PAIRING = read_pairing("assets/examples/glasshouse.toml")
TURNING = [[0.5, 2, 14], [0, 2, 5], [1, 2.3, -2], [4, 2.5, -7]]


def flight(points: list, speeds: list | float, tilt: float = 10.0, **figures: float) -> Flown:
    flying = Flying(mass_kg=1.2, drag_area_m2=0.03, **figures)
    return Flown(course=timed(points, speeds, flying=flying), flying=flying, camera_tilt_deg=tilt)


@pytest.fixture(scope="module")
def flown() -> Flown:
    return flight(TURNING, [0, 6, 6, 0])


@pytest.mark.parametrize("lens", [Lens(projection="rectilinear", focal_mm=18.0), Lens(projection="equidistant", focal_mm=12.0)])
def test_the_horizon_lies_where_pictures_have_it(flown: Flown, lens: Lens) -> None:
    # A ground of 400 km a side, drawn ray by ray: its edge against the sky is the horizon to a thousandth of a pixel.
    reach = 2e5
    corners = np.array([[-reach, 0, -reach], [-reach, 0, reach], [reach, 0, reach], [reach, 0, -reach]])
    ground = Scene(name="ground", surface=Surface(vertices=corners, faces=np.array([[0, 1, 2], [0, 2, 3]]), colours=np.full((4, 3), 90, dtype=np.uint8)))
    camera = Camera(lens=lens, sensor_mm=(24.0, 13.5), raster_px=(960, 540))
    frame = camera.picture
    times = np.linspace(0.6, flown.duration_s - 2.2, 5)
    height, slope = horizon_in(camera, frame, flown.recording(times))
    for time, percent, tilt in zip(times, height, slope, strict=True):
        seen = np.isfinite(render(ground, camera, flown.recording(time).matrix, quick=True).distance_m)
        columns = np.arange(440, 520)
        edge = 540 - seen[:, columns].sum(axis=0)  # ground is below
        curve = np.polynomial.Polynomial.fit(columns + 0.5 - 480, edge, 2).convert()
        assert curve(0.0) == pytest.approx(540 * (1 - percent / 100), abs=1.0)
        assert math.degrees(math.atan(curve.deriv()(0.0))) == pytest.approx(tilt, abs=0.7)


def test_steady_flight_s_horizon_is_the_day_s() -> None:
    steady = flight([[0, 2, 9], [0, 2, -9]], 12.0, tilt=25.0)
    lean = attitude(mass_kg=1.2, drag_area_m2=0.03, density_kg_m3=1.225, airspeed_m_s=12.0)
    found, _ = horizon_in(PAIRING.recording, PAIRING.frame, steady.recording(0.5))
    assert float(found) == pytest.approx(horizon_percent(PAIRING.recording, PAIRING.frame, elevation_deg=25.0 - lean.pitch_deg), abs=1e-6)


def test_things_come_and_go_when_their_pixels_say_so(flown: Flown) -> None:
    thing = Thing(name="post", points_m=np.array([[-1.0, y, -3.0] for y in np.linspace(0, 3, 25)]), subject=True)
    found = along(PAIRING, flown, [thing], filming=Filming(shutter_s=1 / 50, readout_s=0.016)).seen[0]
    fine = np.arange(0, flown.duration_s, 1e-3)
    pose = flown.recording(fine)
    local = (thing.points_m - pose.translation_m[:, None]) @ pose.rotation
    pixels, ok = PAIRING.recording.project(local)
    inside = (PAIRING.frame.contains(pixels) & ok & (local[..., 2] > 0)).all(axis=1)
    edges = fine[np.flatnonzero(np.diff(inside.astype(int)))] + 5e-4
    ends = [t for stay in found.whole_stays for t in stay if 0 < t < flown.duration_s]
    np.testing.assert_allclose(ends, edges, atol=2e-3)
    # Image speed by the difference of two pictures 2 ms apart.
    k = int(np.flatnonzero(np.isfinite(found.speed))[-5])
    now = np.linspace(0, flown.duration_s, len(found.speed))[k] + np.array([-1e-3, 1e-3])
    (before, after), _ = PAIRING.recording.project([flown.recording(t).inverse.points(thing.points_m[12]) for t in now])
    across, down = (after - before) / PAIRING.recording.pixels_per_mm / 2e-3  # mm on the sensor, no squeeze
    speed = math.hypot(across, down) / (PAIRING.frame.width / PAIRING.recording.pixels_per_mm[0])
    assert found.speed[k] == pytest.approx(speed, rel=1e-3)
    assert found.blur_percent[k] == pytest.approx(2 * speed, rel=1e-3)


def test_power_on_a_path_is_the_steady_one_s_where_it_is_steady() -> None:
    rig = Rig(mass_kg=1.2, rotors=4, prop_diameter_m=0.13, drag_area_m2=0.03)
    lean = attitude(mass_kg=1.2, drag_area_m2=0.03, density_kg_m3=1.2, airspeed_m_s=12, slope_deg=10)
    pitch, slope = math.radians(lean.pitch_deg), math.radians(10)
    thrust = lean.thrust_n * np.array([math.sin(pitch), math.cos(pitch), 0])
    air = 12 * np.array([math.cos(slope), math.sin(slope), 0])
    steady = power(rig, density_kg_m3=1.2, airspeed_m_s=12, slope_deg=10).battery_w
    assert power_of(rig, density_kg_m3=1.2, thrust_n=thrust, air_m_s=air) == pytest.approx(steady)


@pytest.fixture(scope="module")
def whole(flown: Flown):  # type: ignore[no-untyped-def]
    wall = Surfaces(vertices_m=np.array([[-2.0, 0, -9], [8, 0, -9], [8, 5, -9], [-2, 5, -9]]), faces=np.array([[0, 1, 2], [0, 2, 3]]))
    filming = Filming(
        readout_s=0.016,
        hits=lambda at, way: np.where(way[:, 2] < 0, (-9 - at[:, 2]) / np.minimum(way[:, 2], -1e-9), np.inf),
        box=Box(middle_m=np.zeros(3), half_m=np.array([0.2, 0.08, 0.2])),
        surfaces=wall,
        uncertainty_m=0.3,
        rig=Rig(mass_kg=1.2, rotors=4, prop_diameter_m=0.13, drag_area_m2=0.03),
        pack=Pack(energy_wh=40, mass_kg=0.3),
    )
    tolerant = Flown(course=flown.course, flying=Flying(mass_kg=1.2, drag_area_m2=0.03, drag_percent=30, tilt_deg=1.0, wind_off_m_s=1.0), camera_tilt_deg=10.0)
    things = [Thing(name="left edge", points_m=np.array([[-0.6, y, 0] for y in np.linspace(1, 3, 17)]))]
    return along(PAIRING, tolerant, things, filming=filming, guide=best_guide(PAIRING))


def test_guide_error_is_the_guide_s_own_at_what_is_filmed(whole) -> None:  # type: ignore[no-untyped-def]
    i = len(whole.times_s) // 2
    wanted = rectangle_errors(PAIRING, best_guide(PAIRING).rectangle, float(whole.filmed_m[i])).worst
    assert whole.guide_error_percent[i] == pytest.approx(abs(wanted))


def test_the_band_of_the_horizon_holds_what_simulated_figures_do(whole) -> None:  # type: ignore[no-untyped-def]
    # Monte Carlo, seed fixed: mass exact, drag, tilt and wind drawn; about 95 % within the band.
    rng = np.random.default_rng(2)
    flown, f = whole.flown, whole.flown.flying
    times = whole.times_s[20:120:20]
    band = whole.horizon_off_percent[20:120:20]
    inside = []
    for drag, tilt, x, z in rng.normal(0, 1 / 1.96, (400, 4)):
        there = Flown(
            course=flown.course,
            flying=Flying(mass_kg=1.2, drag_area_m2=0.03 * (1 + 0.3 * drag), wind_m_s=(f.wind_off_m_s * x, 0.0, f.wind_off_m_s * z)),
            camera_tilt_deg=10 + tilt,
        )
        height, _ = horizon_in(PAIRING.recording, PAIRING.frame, there.recording(times))
        inside.append(np.abs(height - whole.horizon_percent[20:120:20]) <= band)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.02)


def test_the_band_of_a_place_in_the_frame_holds_what_simulated_figures_do(flown: Flown) -> None:
    # As above, the tilt alone: its band is one figure, its place in the frame moves up and down.
    thing = Thing(name="actor", points_m=np.array([[1.0, y, -14.0] for y in (0, 0.9, 1.8)]), subject=True)
    tolerant = Flown(course=flown.course, flying=Flying(mass_kg=1.2, drag_area_m2=0.03, tilt_deg=1.5), camera_tilt_deg=10.0)
    found = along(PAIRING, tolerant, [thing])
    known = np.flatnonzero(np.isfinite(found.seen[0].off_percent))[::9]
    places = []
    for tilt in np.random.default_rng(3).normal(10, 1.5 / 1.96, 300):
        there = Flown(course=flown.course, flying=flown.flying, camera_tilt_deg=tilt).recording(found.times_s[known])
        places.append(PAIRING.recording.project(np.einsum("tji,tj->ti", there.rotation, thing.points_m[1] - there.translation_m))[0])
    now = flown.recording(found.times_s[known])
    true, _ = PAIRING.recording.project(np.einsum("tji,tj->ti", now.rotation, thing.points_m[1] - now.translation_m))
    off = 100 * np.linalg.norm(np.array(places) - true, axis=-1) / PAIRING.frame.width
    assert len(known) > 5 and (off <= found.seen[0].off_percent[known]).mean() == pytest.approx(0.95, abs=0.03)


def test_tables_files_and_sheet_say_the_same(whole, tmp_path) -> None:  # type: ignore[no-untyped-def]
    rows = list(csv.DictReader(io.StringIO(along_csv(whole))))
    data = json.loads(json.dumps(along_json(whole), allow_nan=False))
    assert float(rows[30]["horizon_percent"]) == pytest.approx(data["horizon_percent"][30], rel=1e-4) == pytest.approx(whole.horizon_percent[30], rel=1e-4)
    assert [t.title for t in text_tables(whole)] == ["Along the flight", "In the frame", "Picture and margins"]
    said = " ".join(sentences(whole))
    assert f"Closest: {math.floor(100 * whole.room.closest.distance_m)} cm" in said and "30 cm" in said and "never says that a path is safe" in said
    again = Flown(course=parse_flight_log(along_csv(whole)), flying=whole.flown.flying, camera_tilt_deg=10.0)  # a log like any other
    np.testing.assert_allclose(
        horizon_in(PAIRING.recording, PAIRING.frame, again.recording(2.0)), horizon_in(PAIRING.recording, PAIRING.frame, whole.flown.recording(2.0)), atol=0.1
    )
    write_path_sheet(tmp_path / "flight.png", whole)
    with pytest.raises(InputError, match="not a kind of sheet"):
        write_path_sheet(tmp_path / "flight.txt", whole)
    assert (tmp_path / "flight.png").stat().st_size > 50_000 and len(list(tmp_path.iterdir())) == 1


def share(flown: Flown, low: float, high: float, tilt: float) -> float:
    tilted = Flown(course=flown.course, flying=flown.flying, camera_tilt_deg=tilt)
    height, _ = horizon_in(PAIRING.recording, PAIRING.frame, tilted.recording(np.linspace(0, flown.duration_s, 1001)))
    return 100 * float(((height >= low) & (height <= high)).mean())


def test_the_best_tilt_keeps_the_horizon_longest(flown: Flown) -> None:
    found = best_tilt(PAIRING, flown, low_percent=20, high_percent=80)
    assert share(flown, 20, 80, found.tilt_deg) == pytest.approx(found.share_percent, abs=0.1)
    assert max(share(flown, 20, 80, t) for t in np.arange(-10, 40, 1.0)) <= found.share_percent + 0.1
    assert found.now_percent == pytest.approx(share(flown, 20, 80, 10.0), abs=0.1)
    subject = Thing(name="actor", points_m=np.array([[1.0, y, -12.0] for y in (0, 0.9, 1.8)]), subject=True)
    there = best_tilt(PAIRING, flown, low_percent=30, high_percent=70, subject=subject)
    tilted = Flown(course=flown.course, flying=flown.flying, camera_tilt_deg=there.tilt_deg)
    pixels, ok = PAIRING.recording.project(
        [pose_at.inverse.points(subject.points_m[1]) for pose_at in map(tilted.recording, np.linspace(0, flown.duration_s, 1001))]
    )
    height = 100 * (PAIRING.frame.bottom - pixels[:, 1]) / PAIRING.frame.height
    assert 100 * (ok & (height >= 30) & (height <= 70)).mean() == pytest.approx(there.share_percent, abs=0.1)
    assert there.share_percent >= there.now_percent
    with pytest.raises(InputError, match="not bounds"):
        best_tilt(PAIRING, flown, low_percent=80, high_percent=20)


def finely(f: Flown) -> np.ndarray:
    return np.linspace(0, f.duration_s, 20_001)


def blur_percent(f: Flown, at_m: float = 5.0, shutter_s: float = 1 / 48) -> float:
    """Largest blur of a still thing ahead, by two pictures 20 us apart."""
    frame, camera = PAIRING.frame, PAIRING.recording
    ray, _ = camera.unproject(((frame.left + frame.right) / 2, (frame.top + frame.bottom) / 2))
    times, half = finely(f)[20:-20], 1e-5
    point = f.recording(times).points(ray / ray[2] * at_m)
    before, after = (
        camera.project(np.einsum("tji,tj->ti", pose.rotation, point - pose.translation_m))[0] for pose in map(f.recording, (times - half, times + half))
    )
    moved = (after - before) / camera.pixels_per_mm / (2 * half)
    return 100 * shutter_s * float(np.hypot(*moved.T).max()) / (frame.width / camera.pixels_per_mm[0])


def test_the_highest_speed_is_where_the_first_thing_goes_wrong(flown: Flown) -> None:
    found = fastest(PAIRING, flown, Bounds(blur_percent=2.0, horizon_roll_deg=25.0))
    assert found.first_wrong == found.each[0][0]
    peak = flown.at(np.linspace(0, flown.duration_s, 2001)).speed_m_s.max()
    for name, figure, most in (
        ("lean", lambda f: lean_of(f.thrust_m_s2(finely(f))).max(), 45.0),
        ("acceleration", lambda f: np.linalg.norm(f.at(finely(f)).acceleration_m_s2, axis=1).max(), 8.0),
        ("jerk", lambda f: np.linalg.norm(f.at(finely(f)).jerk_m_s3, axis=1).max(), 30.0),
        ("horizon's roll", lambda f: np.abs(horizon_in(PAIRING.recording, PAIRING.frame, f.recording(finely(f)))[1]).max(), 25.0),
        ("blur 5 m ahead", blur_percent, 2.0),
    ):
        factor = dict(found.each)[name] / peak
        assert figure(at_speed(flown, flown.course, factor * 0.999)) < most < figure(at_speed(flown, flown.course, factor * 1.001))  # type: ignore[arg-type]
    with pytest.raises(InputError, match="flown as fast as it was"):
        fastest(PAIRING, Flown(course=parse_flight_log(along_csv(along(PAIRING, flown)))), Bounds())


def test_a_pack_has_a_lowest_and_a_highest_speed() -> None:
    """Level and steady: its energy is the steady flight's power times the way over the speed, solved by SciPy."""
    rig, pack = Rig(mass_kg=1.2, rotors=4, prop_diameter_m=0.13, drag_area_m2=0.03), Pack(energy_wh=40, mass_kg=0.3)
    straight = flight([[0, 2, 30], [0, 2, -40]], 10.0)

    def over(speed: float) -> float:
        return power(rig, density_kg_m3=1.225, airspeed_m_s=speed).battery_w * 70 / speed / 3600 - 0.013 * pack.usable_wh

    found = fastest(PAIRING, straight, Bounds(pack_percent=1.3), rig=rig, pack=pack)
    best = minimize_scalar(over, bounds=(2, 30), method="bounded").x
    assert dict(found.at_least)["pack"] == pytest.approx(brentq(over, 1, best), rel=1e-3)
    assert dict(found.each)["pack"] == pytest.approx(brentq(over, best, 60), rel=1e-3)
    assert found.speed_m_s == pytest.approx(min(dict(found.each).values()))
    slow, _ = horizon_in(PAIRING.recording, PAIRING.frame, at_speed(straight, straight.course, 0.2).recording(1.0))  # type: ignore[arg-type]
    with pytest.raises(InputError, match=r"pack is wrong below .* horizon's height above 2.0 m/s"):
        fastest(PAIRING, straight, Bounds(pack_percent=1.3, horizon_percent=(-50.0, float(slow))), rig=rig, pack=pack)


@pytest.mark.at_length
def test_room_is_left_up_to_the_highest_speed() -> None:
    """Beside a wall, past which it banks: the distance is that of the box's farthest corner."""
    box = Box(middle_m=np.zeros(3), half_m=np.array([0.2, 0.08, 0.2]))
    wall = Surfaces(vertices_m=np.array([[2.0, -9, 20], [2.0, -9, -20], [2.0, 9, -20], [2.0, 9, 20]]), faces=np.array([[0, 1, 2], [0, 2, 3]]))
    beside = flight([[0, 2, 8], [1.5, 2, 2], [0, 2, -4]], 3.0)
    found = fastest(PAIRING, beside, Bounds(clear_m=0.29), box=box, surfaces=wall)
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * box.half_m
    peak = beside.at(np.linspace(0, beside.duration_s, 2001)).speed_m_s.max()

    def room(factor: float) -> float:
        f = at_speed(beside, beside.course, factor)  # type: ignore[arg-type]
        pose = f.airframe(finely(f))
        return 2.0 - float((np.einsum("tj,kj->tk", pose.rotation[:, 0], corners) + pose.translation_m[:, :1]).max())

    factor = dict(found.each)["29 cm of room"] / peak
    assert room(factor * 1.001) < 0.29 < room(factor * 0.999)
