"""Image speed against numerical differentiation, margins against brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from framematch.errors import InputError
from framematch.geometry.camera import Camera, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.lens_local import lens_jacobian, stretch_at
from framematch.geometry.mount import rotation_from_aim
from framematch.optics import motion

LENSES = [
    Lens(projection="rectilinear", focal_mm=18),
    Lens(projection="rectilinear", focal_mm=18, squeeze=2.0),
    Lens(projection="equidistant", focal_mm=8),
    Lens(projection="equisolid", focal_mm=8),
    Lens(projection="stereographic", focal_mm=8),
    Lens(projection="orthographic", focal_mm=12),
    Lens(projection="kannala-brandt", focal_mm=9, k=(-0.02, 0.003, -0.001, 0.0002)),
    Lens(projection="brown-conrady", focal_mm=18, k=(-0.02, 0.004, 0.001, 0.03, 0.002, 0.0), p=(0.001, -0.002)),
]
IDS = [f"{n}-{lens.projection}" for n, lens in enumerate(LENSES)]


def camera_of(lens: Lens) -> Camera:
    return Camera(lens=lens, sensor_mm=(24.89, 13.12), raster_px=(5760, 3036))


@pytest.fixture
def points() -> np.ndarray:
    rng = np.random.default_rng(4)
    out = rng.normal(size=(400, 3)) * (2, 1, 1) + (0, 0, 3)
    out = out[out[:, 2] > 0.4]
    return np.concatenate([out, [[0.0, 0.0, 2.0], [1e-7, 0.0, 2.0], [0.0, -1e-4, 0.5]]])


@pytest.mark.parametrize("lens", LENSES, ids=IDS)
def test_image_velocity_is_the_derivative_along_the_flight(lens: Lens, points: np.ndarray) -> None:
    """The camera is really moved and turned and the points projected again: sixth-order differences."""
    camera, velocity, turn = camera_of(lens), np.array([0.4, -0.2, 7.0]), np.array([0.1, -0.7, 0.3])
    speed = motion.image_velocity_px_s(camera, points, velocity_m_s=velocity, turn_rad_s=turn)

    def at(t: float) -> np.ndarray:
        angle = float(np.linalg.norm(turn)) * t
        axis = turn / np.linalg.norm(turn)
        k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
        rotation = np.eye(3) + math.sin(angle) * k + (1 - math.cos(angle)) * k @ k
        return camera.project((points - velocity * t) @ rotation)[0]

    h = 2e-4
    numeric = (45 * (at(h) - at(-h)) - 9 * (at(2 * h) - at(-2 * h)) + at(3 * h) - at(-3 * h)) / (60 * h)
    good = np.isfinite(numeric).all(axis=1) & np.isfinite(speed).all(axis=1)
    assert good.mean() > 0.9
    miss = np.linalg.norm(numeric - speed, axis=1)[good] / np.maximum(np.linalg.norm(speed, axis=1)[good], 1.0)
    assert miss.max() <= 1e-6, miss.max()


@pytest.mark.parametrize("lens", LENSES, ids=IDS)
def test_outside_the_domain_is_nan(lens: Lens) -> None:
    jacobian, ok = lens_jacobian(lens, [[0.0, 0.0, -1.0], [0.0, 0.1, 1.0]])
    assert not ok[0] and np.isnan(jacobian[0]).all()
    assert ok[1] and np.isfinite(jacobian[1]).all()


def test_wide_angles() -> None:
    """Straight ahead is a focus of expansion; a point abeam of an equidistant lens moves at f v / range."""
    lens = Lens(projection="equidistant", focal_mm=10)
    camera = Camera(lens=lens, sensor_mm=(36, 24), raster_px=(3600, 2400))
    ahead, abeam, behind = motion.image_velocity_px_s(camera, [[0, 0, 5], [4, 0, 0], [3, 0, -3]], velocity_m_s=(0, 0, 8))
    assert ahead == pytest.approx([0, 0], abs=1e-12)
    assert abeam == pytest.approx([100 * 10 * 8 / 4, 0])
    angular = motion.angular_speed_rad_s(speed_m_s=8, range_m=math.hypot(3, 3), angle_rad=math.radians(135))
    assert behind == pytest.approx([100 * 10 * float(angular), 0])


def test_frame_widths_count_the_squeeze() -> None:
    camera = camera_of(Lens(projection="rectilinear", focal_mm=40, squeeze=2.0))
    frame = camera.picture
    whole_width = motion.in_frame_widths(camera, frame, [frame.width, 0.0])
    down = motion.in_frame_widths(camera, frame, [0.0, frame.height])
    assert whole_width == pytest.approx(1)
    assert down == pytest.approx(13.12 / (2 * 24.89))


def test_shutter() -> None:
    # Definition: 180 degrees at 24 is 1/48 s, 172.8 is 1/50.
    assert 1 / motion.shutter_s(shutter_deg=180, rate_fps=24) == pytest.approx(48)
    assert 1 / motion.shutter_s(shutter_deg=172.8, rate_fps=24) == pytest.approx(50)
    for bad in ({"shutter_deg": 0, "rate_fps": 24}, {"shutter_deg": 180, "rate_fps": 0}, {"shutter_deg": 400, "rate_fps": 24}):
        with pytest.raises(InputError):
            motion.shutter_s(**bad)


def test_lean_row_by_row() -> None:
    """Build the skewed line row by row and measure its lean."""
    camera = Camera(lens=Lens(projection="rectilinear", focal_mm=18), sensor_mm=(24, 12), raster_px=(2400, 1200))
    readout, speed = 0.012, 9000.0
    rows = np.arange(1200) + 0.5
    columns = 300 + speed * readout * rows / 1200
    slope = np.polyfit(rows, columns, 1)[0]
    assert motion.lean_deg(camera, across_px_s=speed, readout_s=readout) == pytest.approx(math.degrees(math.atan(slope)), rel=1e-9)


def brute_roll_deg(kept: tuple[float, float], whole: tuple[float, float]) -> float:
    """Turn the corners in steps of 0.001 degrees until one is outside."""
    corners = np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]]) / 2 * kept
    steps = np.radians(np.arange(0, 180, 0.001))
    c, s = np.cos(steps)[:, None], np.sin(steps)[:, None]
    x, y = c * corners[:, 0] - s * corners[:, 1], s * corners[:, 0] + c * corners[:, 1]
    outside = ((np.abs(x) > whole[0] / 2 * (1 + 1e-12)) | (np.abs(y) > whole[1] / 2 * (1 + 1e-12))).any(axis=1)
    return float(np.degrees(steps[outside.argmax()])) if outside.any() else 180.0


@pytest.mark.parametrize("seed", range(30))
def test_roll_margin_meets_brute_force(seed: int) -> None:
    rng = np.random.default_rng(seed)
    whole = tuple(rng.uniform(1, 3, 2))
    kept = tuple(rng.uniform(0.2, 1, 2) * whole)
    assert motion.roll_margin_deg(kept_size=kept, whole_size=whole) == pytest.approx(brute_roll_deg(kept, whole), abs=0.0011)


def test_roll_margin_at_the_ends() -> None:
    assert motion.roll_margin_deg(kept_size=(2, 1), whole_size=(2, 1)) == 0
    assert motion.roll_margin_deg(kept_size=(2.1, 1), whole_size=(2, 1)) == 0
    assert motion.roll_margin_deg(kept_size=(0.5, 0.5), whole_size=(2, 1)) == 180


@given(keep=st.floats(50, 99), focal=st.floats(10, 60))
def test_margin_of_a_straight_lens(keep: float, focal: float) -> None:
    camera = camera_of(Lens(projection="rectilinear", focal_mm=focal))
    margin = motion.stabiliser_margin(camera, frame_in(camera.raster_px, keep_percent=keep))
    half = 24.89 / 2 / focal, 13.12 / 2 / focal
    expected = [math.degrees(math.atan(h) - math.atan(h * keep / 100)) for h in half]
    assert (margin.pan_deg, margin.tilt_deg) == pytest.approx(tuple(expected), abs=1e-9)
    assert margin.roll_deg == pytest.approx(motion.roll_margin_deg(kept_size=(keep * 24.89, keep * 13.12), whole_size=(2489, 1312)))


def test_the_pan_margin_is_where_the_edge_runs_out() -> None:
    camera = camera_of(LENSES[-1])
    kept = frame_in(camera.raster_px, keep_percent=90)
    margin = motion.stabiliser_margin(camera, kept)
    y = (kept.top + kept.bottom) / 2
    reached = []
    for x, sign in ((kept.left, -1), (kept.right, 1)):
        ray, _ = camera.unproject((x, y))
        turned = rotation_from_aim(pan_deg=sign * margin.pan_deg) @ ray
        reached.append(camera.project(turned)[0][0])
    assert min(reached[0], 5760 - reached[1]) == pytest.approx(0, abs=0.2)  # the tighter side, exact on the axis row only
    assert reached[0] > -0.2 and reached[1] < 5760.2


def test_stretch_of_the_straight_and_the_round_lenses() -> None:
    """A small ball: 1/cos^2 along and 1/cos across in a rectilinear picture, equal both ways in a stereographic one."""
    straight = camera_of(Lens(projection="rectilinear", focal_mm=12))
    corner = stretch_at(straight, (5760, 3036))
    theta = math.atan(math.hypot(24.89, 13.12) / 2 / 12)
    assert (corner.along, corner.across) == pytest.approx((1 / math.cos(theta) ** 2, 1 / math.cos(theta)))
    even = stretch_at(camera_of(Lens(projection="stereographic", focal_mm=8)), (5700, 100))
    assert even.ratio == pytest.approx(1) and even.along > 1.2
    middle = stretch_at(straight, (2880, 1518))
    assert (middle.along, middle.across) == (1, 1)


@pytest.mark.parametrize("lens", LENSES, ids=IDS)
def test_stretch_is_that_of_a_small_ball(lens: Lens) -> None:
    """Project the rim of a ball 0.05 degrees across and measure it."""
    camera, pixel, size = camera_of(lens), (4700.0, 900.0), math.radians(0.05) / 2
    ray, _ = camera.unproject(pixel)
    out = np.array([ray[0] * ray[2], ray[1] * ray[2], ray[2] ** 2 - 1]) / math.hypot(ray[0], ray[1])
    side = np.cross(ray, out)
    rims = [ray * math.cos(size) + way * math.sin(size) * d for d in (out, side) for way in (1, -1)]
    px = camera.project(rims)[0] / camera.pixels_per_mm * (lens.squeeze, 1) / lens.focal_mm / (2 * math.sin(size))
    stretch = stretch_at(camera, pixel)
    assert np.linalg.norm(px[0] - px[1]) == pytest.approx(stretch.along, rel=1e-5)
    assert np.linalg.norm(px[2] - px[3]) == pytest.approx(stretch.across, rel=1e-5)
