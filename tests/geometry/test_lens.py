"""One battery over every lens model, batch shape and number type; then OpenCV and lensfun beside it."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable

import numpy as np
import pytest
from at_length import crossed, sample
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from outside import need

from framematch.errors import InputError
from framematch.geometry.lens import Lens
from framematch.geometry.lens_local import lens_jacobian
from framematch.geometry.lens_model import LensModel
from framematch.geometry.lens_models import MODELS, PLAIN, PROJECTIONS

Floats = NDArray[np.float64]

LENSES: dict[str, Lens] = {
    **{name: Lens(projection=name, focal_mm=10.0) for name in MODELS},
    **{f"{name} {kind}": Lens(projection=name, **example._asdict()) for name, model in MODELS.items() for kind, example in model.examples.items()},
}
PUBLISHED_K = LENSES["kannala-brandt published"].k
all_lenses = pytest.mark.parametrize("lens", LENSES.values(), ids=LENSES.keys())
SHAPES: tuple[tuple[int, ...], ...] = ((), (1,), (7,), (0,), (3, 5), (2, 1, 4), (0, 3))


def rays_at(theta: Floats | float, azimuth: Floats | float) -> Floats:
    theta, azimuth = np.broadcast_arrays(theta, azimuth)
    return np.stack([np.sin(theta) * np.cos(azimuth), np.sin(theta) * np.sin(azimuth), np.cos(theta)], axis=-1)


def apart_rad(a: Floats, b: Floats) -> Floats:
    """Angle between rays, precise for the tiniest too."""
    a, b = (v / np.linalg.norm(v, axis=-1, keepdims=True) for v in (np.asarray(a, np.float64), np.asarray(b, np.float64)))
    return 2 * np.arctan2(np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1))


def rays_over_domain(lens: Lens, count: int = 40_000, share: float = 0.999) -> Floats:
    """Rays over a share of the domain, crowded at both of its ends."""
    random = np.random.default_rng(2)
    part = np.concatenate([random.random(count), 10.0 ** random.uniform(-9, 0, count // 4), 1 - 10.0 ** random.uniform(-6, 0, count // 4), [0.0, 1.0]])
    return rays_at(part * share * lens.end_rad, random.uniform(-np.pi, np.pi, len(part)))


# ---- the battery ----


@all_lenses
def test_round_trip_over_the_domain(lens: Lens) -> None:
    rays = rays_over_domain(lens)
    points, there = lens.project(rays)
    back, and_back = lens.unproject(points)
    assert there.all() and and_back.all()
    assert apart_rad(rays, back).max() <= 1e-9


@all_lenses
def test_round_trip_of_single_precision_rays(lens: Lens) -> None:
    rays = rays_over_domain(lens)
    single = rays.astype(np.float32)
    points, there = lens.project(single)
    back, and_back = lens.unproject(points)
    assert points.dtype == back.dtype == np.float64
    # Rounding a ray can carry it over the end of the domain only where it was within a rounding of it.
    assert there.all() and and_back.all()
    assert apart_rad(single, back).max() <= 1e-9
    assert apart_rad(rays, back).max() <= 2e-6


def test_why_results_are_double_precision() -> None:
    """An orthographic image point rounded to single precision cannot give its ray back near the edge."""
    lens = LENSES["orthographic"]
    rays = rays_at(np.full(20_000, math.radians(89.91)), np.linspace(0, 2 * np.pi, 20_000))
    points, _ = lens.project(rays)
    back, ok = lens.unproject(points.astype(np.float32))
    lost = apart_rad(rays, back)[ok].max()
    assert 1e-5 < lost < 4e-5
    assert apart_rad(rays, lens.unproject(points)[0]).max() < 1e-9


@all_lenses
@pytest.mark.parametrize(("shape", "dtype"), crossed({str(s): s for s in SHAPES}, {"float32": np.float32, "float64": np.float64}))
def test_any_batch_shape(lens: Lens, shape: tuple[int, ...], dtype: type) -> None:
    random = np.random.default_rng(5)
    rays = rays_at(random.uniform(0, 0.9, shape) * lens.end_rad, random.uniform(-3, 3, shape)).astype(dtype)
    points, ok = lens.project(rays)
    assert points.shape == (*shape, 2) and ok.shape == shape and ok.dtype == bool and ok.all()
    back, ok = lens.unproject(points)
    assert back.shape == (*shape, 3) and ok.shape == shape and ok.all()
    for index in np.ndindex(shape):
        one, _ = lens.project(rays[index])
        assert np.array_equal(one, points[index])
    assert np.linalg.norm(back, axis=-1) == pytest.approx(1, abs=1e-15)


@all_lenses
def test_strided_lists_and_whole_numbers(lens: Lens) -> None:
    whole = [[0, 0, 1], [1, 2, 9], [-1, 1, 7]]
    expected, _ = lens.project(np.array(whole, dtype=float))
    assert np.array_equal(lens.project(whole)[0], expected)
    assert np.array_equal(lens.project(np.repeat(np.array(whole), 2, axis=0)[::2])[0], expected)
    assert np.array_equal(lens.project(np.asfortranarray(np.array(whole, dtype=float)))[0], expected)


@all_lenses
def test_a_batch_longer_than_a_block_is_one_batch(lens: Lens) -> None:
    rays = rays_over_domain(lens, count=30_000)
    points, _ = lens.project(rays)
    back, _ = lens.unproject(points)
    for part in (slice(16_380, 16_390), slice(32_766, 32_770), slice(-3, None)):
        assert np.array_equal(lens.project(rays[part])[0], points[part])
        assert apart_rad(lens.unproject(points[part])[0], back[part]).max() < 1e-12


@all_lenses
def test_arguments_are_left_as_they_were(lens: Lens) -> None:
    rays = rays_over_domain(lens, count=100)
    before = rays.copy()
    points, _ = lens.project(rays)
    kept = points.copy()
    lens.unproject(points)
    assert np.array_equal(rays, before) and np.array_equal(points, kept)


@all_lenses
def test_on_the_axis(lens: Lens) -> None:
    for length in (1.0, 1e-6, 1e6):
        point, ok = lens.project([0.0, 0.0, length])
        assert ok and point.tolist() == [0.0, 0.0]
    ray, ok = lens.unproject([0.0, 0.0])
    assert ok and ray.tolist() == [0.0, 0.0, 1.0]
    # Close to it the image is as long as the angle: no 0/0 and no lost digits.
    tiny = np.array([[1e-12, 0, 1], [0, -1e-9, 1], [3e-8, 4e-8, 1]])
    points, ok = lens.project(tiny)
    assert ok.all()
    assert points == pytest.approx(tiny[:, :2] * [lens.focal_mm / lens.squeeze, lens.focal_mm], rel=1e-9)
    assert apart_rad(lens.unproject(points)[0], tiny).max() < 1e-15


# Radius over focal length by the textbook formulas, None where the projection images nothing.
RADII: dict[str, Callable[[float], float | None]] = {
    "rectilinear": lambda t: math.tan(t) if t < math.pi / 2 else None,
    "equidistant": lambda t: t,
    "equisolid": lambda t: 2 * math.sin(t / 2),
    "stereographic": lambda t: 2 * math.tan(t / 2),
    "orthographic": lambda t: math.sin(t) if t <= math.pi / 2 else None,
    "kannala-brandt": lambda t: t,
    "brown-conrady": lambda t: math.tan(t) if t < math.pi / 2 else None,
}


@pytest.mark.parametrize("angle_deg", [45.0, 89.9, 90.0, 110.0, 170.0, 179.9])
@pytest.mark.parametrize("projection", RADII)
def test_wide_angles(projection: str, angle_deg: float) -> None:
    lens = Lens(projection=projection, focal_mm=10.0)
    theta = math.pi / 2 if angle_deg == 90 else math.radians(angle_deg)
    for azimuth in (0.0, 0.7, 2.0, -2.5):
        ray = rays_at(theta, azimuth) if angle_deg != 90 else np.array([math.cos(azimuth), math.sin(azimuth), 0.0])
        points, ok = lens.project(ray)
        radius = RADII[projection](theta)
        if radius is None:
            assert not ok and np.isnan(points).all()
            continue
        assert ok
        assert points == pytest.approx([10 * radius * math.cos(azimuth), 10 * radius * math.sin(azimuth)], rel=1e-11)
        back, ok = lens.unproject(points)
        assert ok
        # At 90 degrees sharp an orthographic image no longer changes with the angle.
        assert apart_rad(back, ray) < (1e-7 if projection == "orthographic" and angle_deg == 90 else 1e-9)


@pytest.mark.parametrize(
    ("projection", "radius_mm"),
    [("equidistant", 7.854), ("equisolid", 7.654), ("stereographic", 8.284), ("orthographic", 7.071)],
)
def test_radius_at_45_degrees(projection: str, radius_mm: float) -> None:
    """10 mm lenses at 45 degrees: the formulas' figures, which lensfun agrees with to 0.0002 mm."""
    points, _ = Lens(projection=projection, focal_mm=10.0).project([1.0, 0.0, 1.0])
    assert points[0] == pytest.approx(radius_mm, abs=0.0005)


@all_lenses
def test_behind_not_a_number_and_no_ray(lens: Lens) -> None:
    nothing = [
        [0.0, 0.0, -1.0],  # straight behind: in no direction from the centre, so nowhere
        [0.0, 0.0, 0.0],
        [np.nan, 0.0, 1.0],
        [0.0, np.nan, 1.0],
        [0.0, 0.0, np.nan],
        [np.inf, 0.0, 1.0],
        [np.nan, np.nan, np.nan],
    ]
    points, ok = lens.project(nothing)
    assert not ok.any() and np.isnan(points).all()
    rays, ok = lens.unproject([[np.nan, 0.0], [0.0, np.nan], [np.inf, 0.0], [-np.inf, np.inf]])
    assert not ok.any() and np.isnan(rays).all()
    # One bad ray among good ones harms no other.
    points, ok = lens.project([[0.1, 0.0, 1.0], [np.nan, 0.0, 1.0], [0.1, 0.0, 1.0]])
    assert ok.tolist() == [True, False, True] and np.array_equal(points[0], points[2])


@all_lenses
def test_outside_the_domain_is_nothing(lens: Lens) -> None:
    end = lens.end_rad
    if end < math.pi:
        theta = end + (math.pi - end) * np.concatenate([[1e-9], np.linspace(0.001, 0.999, 500)])
        points, ok = lens.project(rays_at(theta, np.linspace(-3, 3, len(theta))))
        assert not ok.any() and np.isnan(points).all()
    else:
        assert lens.project(rays_at(math.pi * 0.9999, 1.0))[1]
    if math.isfinite(lens.end_mm) and not any(lens.p):
        azimuth = np.linspace(-3, 3, 500)
        radius = lens.end_mm * (1 + 10.0 ** np.linspace(-9, 3, 500))
        rays, ok = lens.unproject(np.stack([radius * np.cos(azimuth) / lens.squeeze, radius * np.sin(azimuth)], axis=-1))
        assert not ok.any() and np.isnan(rays).all()


@all_lenses
def test_an_inverse_is_right_or_nothing(lens: Lens) -> None:
    """Points all over the plane, also far outside the image: a ray that comes back to the point, or NaN."""
    random = np.random.default_rng(11)
    reach = lens.end_mm if math.isfinite(lens.end_mm) else 20 * lens.focal_mm
    points = random.uniform(-2, 2, (20_000, 2)) * reach
    rays, ok = lens.unproject(points)
    assert np.isnan(rays[~ok]).all()
    assert ok.mean() > 0.05
    assert ok.all() == (not math.isfinite(lens.end_mm))
    again, imaged = lens.project(rays[ok])
    assert imaged.mean() > 0.9999  # a ray within a rounding of the end may fall on its other side
    assert np.abs(again - points[ok])[imaged] == pytest.approx(0, abs=1e-10 * reach)


@all_lenses
def test_the_radius_grows_all_the_way(lens: Lens) -> None:
    theta = np.linspace(0, lens.end_rad * (1 - 1e-9), 5001)
    assert (np.diff(lens.radius_mm(theta)) > 0).all()


@all_lenses
def test_both_derivatives_are_those_of_the_projection(lens: Lens) -> None:
    """By the ray and by each coefficient, against differences of the projection itself."""
    # Powers of x / z leave differences no digits far out.
    widest = min(0.9 * lens.end_rad, math.radians(60)) if lens.model.bare_name == "rectilinear" else 0.9 * lens.end_rad
    rays = rays_over_domain(lens, count=400, share=widest / lens.end_rad)
    by_point, ok = lens_jacobian(lens, rays)
    assert ok.all() and by_point.shape == (*rays.shape[:-1], 2, 3)

    def differences(projected: Callable[[float], Floats], h: float) -> Floats:
        """By h, from 2 h each way: right but for h^4."""
        return (8 * (projected(h) - projected(-h)) - projected(2 * h) + projected(-2 * h)) / (12 * h)

    # Not at the axis, where a difference of rays has no digits left beside the image's own.
    off = np.hypot(rays[:, 0], rays[:, 1]) > 0.01
    for axis, step in enumerate(np.eye(3)):
        numeric = differences(lambda h, step=step: lens.project(rays + h * step)[0], 1e-4)
        known = off & np.isfinite(numeric).all(axis=1)
        assert known.mean() > 0.5
        assert np.abs(by_point[known, :, axis] - numeric[known]).max() <= 1e-7 * np.abs(numeric[known]).max()

    image, by_k, by_p = lens.model.by_figures(lens.figures, *rays.T)
    points, _ = lens.project(rays)
    gain = lens.focal_mm / np.array([lens.squeeze, 1.0])
    assert image * gain == pytest.approx(points, rel=1e-12, abs=1e-15)
    assert len(by_k) == lens.model.coefficients and len(by_p) == 2 * lens.model.tangential
    for index, analytic in enumerate([*by_k, *by_p]):

        def changed(h: float, index: int = index) -> Floats:
            k, p = list(lens.figures.k), list(lens.figures.p)
            if index < len(k):
                k[index] += h
            else:
                p[index - len(k)] += h
            return Lens(projection=lens.projection, focal_mm=lens.focal_mm, k=tuple(k), p=(p[0], p[1]), squeeze=lens.squeeze).project(rays)[0]

        numeric = differences(changed, 1e-5)
        known = np.isfinite(numeric).all(axis=1)
        assert known.mean() > 0.3
        assert np.abs(analytic[known] * gain - numeric[known]).max() <= 1e-6 * np.abs(numeric[known]).max()


@all_lenses
def test_the_slope_is_that_of_the_radius(lens: Lens) -> None:
    theta, h = np.linspace(0.01, 0.9 * lens.end_rad, 200), 1e-4
    numeric = (8 * (lens.radius_mm(theta + h) - lens.radius_mm(theta - h)) - lens.radius_mm(theta + 2 * h) + lens.radius_mm(theta - 2 * h)) / (12 * h)
    assert lens.focal_mm * lens.model.slope(lens.figures, theta) == pytest.approx(numeric, rel=1e-8, abs=1e-9 * lens.focal_mm)


@pytest.mark.parametrize("model", MODELS.values(), ids=MODELS)
def test_a_model_says_of_itself_what_is_so(model: LensModel) -> None:
    plain = MODELS[model.bare_name]
    assert not plain.coefficients and bool(model.coefficients) == bool(model.bare) == bool(model.solved)
    rays = rays_over_domain(Lens(projection=plain.name, focal_mm=1.0), count=200, share=0.9)
    assert Lens(projection=model.name, focal_mm=1.0).project(rays)[0] == pytest.approx(Lens(projection=plain.name, focal_mm=1.0).project(rays)[0], rel=1e-12)
    assert bool(model.coefficients) != (model.series is not None), "a measurement bends a closed form by its series"
    if model.series is not None:  # Taylor's: what is left out goes with theta^11
        theta = np.array([0.01, 0.1, 0.2])
        radius = Lens(projection=model.name, focal_mm=1.0).radius_mm(theta)
        assert theta * np.polynomial.polynomial.polyval(theta**2, [1, *model.series]) == pytest.approx(radius, rel=1e-7)


# ---- where the domain ends ----


def brute_end(radius: Callable[[Floats], Floats], last: float, step: float = 1e-5) -> float:
    """The first angle at which sampled radii no longer grow, knowing nothing of polynomials."""
    theta = np.arange(0, last, step)
    r = radius(theta)
    shrinks = ~(np.diff(r) > 0)
    return float(theta[np.argmax(shrinks)]) if shrinks.any() else last


def random_k(random: np.random.Generator, length: int) -> tuple[float, ...]:
    return tuple(float(v) for v in random.normal(0, 1, length) * 10.0 ** random.uniform(-2.5, 0, length))


def test_kannala_brandt_domain_by_brute_force() -> None:
    random = np.random.default_rng(21)
    seen = {True: 0, False: 0}
    for _ in range(80):
        k = random_k(random, int(random.integers(1, 5)))

        def radius(t: Floats, k: tuple[float, ...] = k) -> Floats:
            return t + sum(c * t ** (2 * i + 3) for i, c in enumerate(k))

        lens = Lens(projection="kannala-brandt", focal_mm=1.0, k=k)
        expected = brute_end(radius, math.pi)
        assert lens.end_rad == pytest.approx(expected, abs=2.5e-5), k
        seen[expected == math.pi] += 1
    assert min(seen.values()) >= 10


def test_brown_conrady_domain_by_brute_force() -> None:
    random = np.random.default_rng(22)
    seen = {True: 0, False: 0}
    for number in range(80):
        k = random_k(random, 6 if number % 2 else int(random.integers(1, 4)))
        full = (*k, *(0.0,) * (6 - len(k)))

        def radius(t: Floats, k: tuple[float, ...] = full) -> Floats:
            s = np.tan(t) ** 2
            below = 1 + k[3] * s + k[4] * s**2 + k[5] * s**3
            value = np.tan(t) * (1 + k[0] * s + k[1] * s**2 + k[2] * s**3) / below
            # Once the denominator has crossed 0 the picture has been to infinity: nothing grows there.
            return np.where(np.logical_and.accumulate(below > 0), value, -1e300 * (1 + t))

        last = math.pi / 2 - 1e-4
        lens = Lens(projection="brown-conrady", focal_mm=1.0, k=k)
        expected = brute_end(radius, last)
        if expected == last:
            assert lens.end_rad >= last - 2e-5, k
        else:
            assert lens.end_rad == pytest.approx(expected, abs=2.5e-5), k
        seen[expected == last] += 1
    assert min(seen.values()) >= 10


@pytest.mark.parametrize("seed", range(sample(2, 6)))
def test_tangential_domain_by_brute_force(seed: int) -> None:
    """The largest disc without a fold, found from OpenCV's projection by differences."""
    import cv2

    random = np.random.default_rng(seed)
    k = random_k(random, 3) if seed % 2 else (-0.2, 0.02, 0.0)
    p = (float(random.normal(0, 0.01)), float(random.normal(0, 0.01)))
    lens = Lens(projection="brown-conrady", focal_mm=1.0, k=k, p=p)

    def distorted(x: Floats, y: Floats) -> Floats:
        points = np.stack([x, y, np.ones_like(x)], axis=-1).reshape(-1, 1, 3)
        coefficients = np.array([k[0], k[1], p[0], p[1], k[2]])
        return cv2.projectPoints(points, np.zeros(3), np.zeros(3), np.eye(3), coefficients)[0].reshape(*x.shape, 2)

    theta = np.linspace(0.0007, min(lens.end_rad * 1.1, 1.55), 1500)[:, None]
    azimuth = np.linspace(0, 2 * np.pi, 250, endpoint=False)[None, :] + 0.003
    x, y = np.tan(theta) * np.cos(azimuth), np.tan(theta) * np.sin(azimuth)
    h = 1e-6 * (1 + np.hypot(x, y))
    across = (distorted(x + h, y) - distorted(x - h, y)) / (2 * h[..., None])
    down = (distorted(x, y + h) - distorted(x, y - h)) / (2 * h[..., None])
    folds = (across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0] <= 0).any(axis=1)
    if folds.any():
        assert lens.end_rad == pytest.approx(theta[np.argmax(folds), 0], abs=0.003)
    else:
        assert lens.end_rad >= 1.5


def test_round_trip_of_random_lenses() -> None:
    """150 lenses with random coefficients, folding ones and ones with poles among them, each over its own domain."""
    random = np.random.default_rng(77)
    for number in range(150):
        if number % 3 == 0:
            lens = Lens(projection="kannala-brandt", focal_mm=3.0, k=random_k(random, int(random.integers(1, 5))))
        else:
            p = (0.0, 0.0) if number % 3 == 1 else (float(random.normal(0, 0.01)), float(random.normal(0, 0.01)))
            lens = Lens(projection="brown-conrady", focal_mm=3.0, k=random_k(random, int(random.integers(1, 7))), p=p)
        rays = rays_over_domain(lens, count=300)
        points, there = lens.project(rays)
        back, and_back = lens.unproject(points)
        assert there.all() and and_back.all(), lens
        assert apart_rad(rays, back).max() <= 1e-9, lens


def test_hand_worked_ends() -> None:
    # d/dt (t + k t^3) = 0 at t = sqrt(-1 / 3k); the same for x / z with Brown-Conrady.
    assert Lens(projection="kannala-brandt", focal_mm=1, k=(-0.1,)).end_rad == pytest.approx(math.sqrt(1 / 0.3), rel=1e-12)
    assert Lens(projection="brown-conrady", focal_mm=1, k=(-0.1,)).end_rad == pytest.approx(math.atan(math.sqrt(1 / 0.3)), rel=1e-12)
    assert Lens(projection="kannala-brandt", focal_mm=1, k=(0.1,)).end_rad == math.pi
    assert Lens(projection="brown-conrady", focal_mm=1, k=(0.1,)).end_rad == math.pi / 2
    # r = t / (1 - t^2) in t = tan(theta): its pole at 45 degrees ends the picture.
    assert Lens(projection="brown-conrady", focal_mm=1, k=(0.0, 0.0, 0.0, -1.0)).end_rad == pytest.approx(math.pi / 4, rel=1e-12)


# ---- squeeze, focus, figures that no lens has ----


@pytest.mark.parametrize("projection", PROJECTIONS)
def test_squeeze_divides_the_width_alone(projection: str) -> None:
    plain, squeezed = Lens(projection=projection, focal_mm=10.0), Lens(projection=projection, focal_mm=10.0, squeeze=1.8)
    rays = rays_over_domain(plain, count=2000, share=0.9)
    a, _ = plain.project(rays)
    b, _ = squeezed.project(rays)
    assert b[:, 0] * 1.8 == pytest.approx(a[:, 0], rel=1e-14)
    assert np.array_equal(a[:, 1], b[:, 1])
    assert apart_rad(squeezed.unproject(a / [1.8, 1])[0], plain.unproject(a)[0]).max() < 1e-12


@pytest.mark.parametrize("projection", PROJECTIONS)
@pytest.mark.parametrize(("focal_mm", "distance_m"), [(18.0, 0.5), (50.0, 1.0), (50.0, 0.06), (35.0, 1000.0)])
def test_focus_lengthens_the_image_distance(projection: str, focal_mm: float, distance_m: float) -> None:
    """Thin lens: 1/f = 1/s + 1/s' gives the image distance s' that the picture is drawn at."""
    image_mm = 1 / (1 / focal_mm - 1 / (1000 * distance_m))
    focused = Lens(projection=projection, focal_mm=focal_mm, squeeze=1.5).focused(distance_m)
    assert focused.focal_mm == pytest.approx(image_mm, rel=1e-12)
    assert (focused.projection, focused.squeeze) == (projection, 1.5)
    # 50 mm focused at 1 m: m = 50 / 950, so everything is drawn 5.26 % larger.
    near, far = (
        Lens(projection=projection, focal_mm=50.0).focused(1.0).project([0.1, 0.05, 1])[0],
        Lens(projection=projection, focal_mm=50.0).project([0.1, 0.05, 1])[0],
    )
    assert near / far == pytest.approx(1 + 50 / 950, rel=1e-12)


def test_focus_at_infinity_and_too_near() -> None:
    lens = LENSES["brown-conrady everything"]
    assert lens.focused(math.inf) == lens
    for distance_m in (0.0, 0.008, -1.0, math.nan, -math.inf):
        with pytest.raises(InputError) as caught:
            lens.focused(distance_m)
        assert caught.value.field == "focus_m"


@pytest.mark.parametrize(
    ("figures", "field"),
    [
        ({"projection": "sideways"}, "projection"),
        ({"focal_mm": 0.0}, "focal_mm"),
        ({"focal_mm": -3.0}, "focal_mm"),
        ({"focal_mm": math.nan}, "focal_mm"),
        ({"focal_mm": math.inf}, "focal_mm"),
        ({"squeeze": 0.0}, "squeeze"),
        ({"squeeze": math.nan}, "squeeze"),
        ({"k": (0.1,)}, "distortion.k"),
        ({"projection": "kannala-brandt", "k": (0.1,) * 5}, "distortion.k"),
        ({"projection": "brown-conrady", "k": (0.1,) * 7}, "distortion.k"),
        ({"projection": "brown-conrady", "k": (math.nan,)}, "distortion.k"),
        ({"projection": "kannala-brandt", "p": (0.1, 0.0)}, "distortion.p"),
    ],
)
def test_figures_that_no_lens_has(figures: dict[str, object], field: str) -> None:
    with pytest.raises(InputError) as caught:
        Lens(**{"projection": "rectilinear", "focal_mm": 10.0, **figures})  # type: ignore[arg-type]
    assert caught.value.field == field and caught.value.fix


# ---- properties ----


def any_lens() -> st.SearchStrategy[Lens]:
    k = st.floats(-0.3, 0.3)
    focal_mm, squeeze = st.floats(1, 100), st.floats(1, 2)
    return st.one_of(
        st.builds(Lens, projection=st.sampled_from(PLAIN), focal_mm=focal_mm, squeeze=squeeze),
        st.builds(Lens, projection=st.just("kannala-brandt"), focal_mm=focal_mm, squeeze=squeeze, k=st.lists(k, max_size=4).map(tuple)),
        st.builds(
            Lens,
            projection=st.just("brown-conrady"),
            focal_mm=focal_mm,
            squeeze=squeeze,
            k=st.lists(k, max_size=6).map(tuple),
            p=st.tuples(st.floats(-0.01, 0.01), st.floats(-0.01, 0.01)) | st.just((0.0, 0.0)),
        ),
    )


@given(lens=any_lens(), part=st.floats(0, 0.99), azimuth=st.floats(-math.pi, math.pi), length=st.floats(-100, 100).map(lambda power: 10.0**power))
@settings(max_examples=300, deadline=None)
def test_every_ray_of_the_domain_comes_back_whatever_its_length(lens: Lens, part: float, azimuth: float, length: float) -> None:
    ray = rays_at(part * lens.end_rad, azimuth)
    point, ok = lens.project(ray)
    assert ok
    assert lens.project(ray * length)[0] == pytest.approx(point, rel=1e-9, abs=1e-12)
    back, ok = lens.unproject(point)
    assert ok
    assert apart_rad(back, ray) < 1e-7


@given(lens=any_lens(), part=st.floats(0.001, 0.99), azimuth=st.floats(-math.pi, math.pi))
@settings(max_examples=200, deadline=None)
def test_mirrored_rays_have_mirrored_images(lens: Lens, part: float, azimuth: float) -> None:
    if any(lens.p):
        return
    x, y, z = rays_at(part * lens.end_rad, azimuth)
    (u, v), _ = lens.project([x, y, z])
    assert lens.project([-x, y, z])[0].tolist() == [-u, v]
    assert lens.project([x, -y, z])[0].tolist() == [u, -v]


@given(lens=any_lens(), longer=st.floats(1.01, 10), part=st.floats(0.001, 0.99), azimuth=st.floats(-math.pi, math.pi))
@settings(max_examples=100, deadline=None)
def test_a_longer_lens_draws_larger(lens: Lens, longer: float, part: float, azimuth: float) -> None:
    ray = rays_at(part * lens.end_rad, azimuth)
    other = Lens(projection=lens.projection, focal_mm=lens.focal_mm * longer, k=lens.k, p=lens.p, squeeze=lens.squeeze)
    assert other.project(ray)[0] == pytest.approx(lens.project(ray)[0] * longer, rel=1e-12)
    assert other.end_rad == lens.end_rad


# ---- outside truth: OpenCV ----
# OpenCV puts a pixel's centre on whole numbers, we at +0.5. Here both work on the same principal
# point, given by OpenCV's rule; its result is ours less half a pixel: HALF is added to compare.

HALF = 0.5
FX, FY, CX, CY = 558.478087865323, 560.506767351568, 620.458515360843, 381.939424848348


def ours_px(lens: Lens, rays: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Pixels for FX, FY, CX, CY given in OpenCV's rule, by our rule."""
    points, ok = lens.project(rays)
    return points / lens.focal_mm * [FX, FY] + [CX + HALF, CY + HALF], ok


CAMERA_MATRIX = np.array([[FX, 0, CX], [0, FY, CY], [0, 0, 1]])


def test_published_kannala_brandt_point() -> None:
    """OpenCV's fisheye model and the constants of its tests: (1, 0, 1) lands on (1058.5263, 381.9394)."""
    pixels, _ = ours_px(LENSES["kannala-brandt published"], np.array([1.0, 0.0, 1.0]))
    assert pixels - HALF == pytest.approx([1058.5263, 381.9394], abs=5e-5)


KANNALA_BRANDT_K = [PUBLISHED_K, (-0.08, 0.01, 0.0, 0.0), (0.05, 0.01, -0.002, 0.0003), (0.0, 0.0, 0.0, 0.0)]


@pytest.mark.parametrize("k", KANNALA_BRANDT_K)
def test_kannala_brandt_as_opencv(k: tuple[float, float, float, float]) -> None:
    import cv2

    lens = Lens(projection="kannala-brandt", focal_mm=3.0, k=k)
    random = np.random.default_rng(31)
    # OpenCV divides by z first, so it is good for less than 90 degrees only.
    limit = min(lens.end_rad, math.radians(89))
    rays = rays_at(np.arccos(random.uniform(math.cos(limit), 1, 10_000)), random.uniform(-np.pi, np.pi, 10_000))
    rays *= random.uniform(0.5, 40, (10_000, 1))
    theirs = cv2.fisheye.projectPoints(rays[:, None], np.zeros(3), np.zeros(3), CAMERA_MATRIX, np.array(k))[0][:, 0]
    ours, ok = ours_px(lens, rays)
    assert ok.all()
    assert np.abs(ours - (theirs + HALF)).max() <= 1e-6


@pytest.mark.parametrize("k", KANNALA_BRANDT_K)
def test_kannala_brandt_undone_as_opencv(k: tuple[float, float, float, float]) -> None:
    import cv2

    lens = Lens(projection="kannala-brandt", focal_mm=3.0, k=k)
    random = np.random.default_rng(32)
    limit = min(0.95 * lens.end_rad, math.radians(80))
    rays = rays_at(random.uniform(0, limit, 10_000), random.uniform(-np.pi, np.pi, 10_000))
    pixels, _ = ours_px(lens, rays)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-15)
    theirs = cv2.fisheye.undistortPoints((pixels - HALF)[:, None], CAMERA_MATRIX, np.array(k), criteria=criteria)[:, 0]
    ours, ok = lens.unproject((pixels - [CX + HALF, CY + HALF]) / [FX, FY] * lens.focal_mm)
    assert ok.all()
    assert np.abs(ours[:, :2] / ours[:, 2:] - theirs).max() <= 1e-9


BROWN_CONRADY: dict[str, tuple[tuple[float, ...], tuple[float, float]]] = {
    "radial": ((-0.02, 0.004), (0.0, 0.0)),
    "folding": ((-0.3, 0.05), (0.0, 0.0)),
    "three": ((-0.28, 0.09, -0.012), (0.0, 0.0)),
    "tangential": ((-0.25, 0.03), (0.001, -0.002)),
    "rational": ((0.4, -0.15, 0.002, 0.7, -0.1, 0.01), (0.0, 0.0)),
    "everything": ((0.2, -0.1, 0.001, 0.5, -0.05, 0.002), (-0.0015, 0.001)),
}
brown_conrady = pytest.mark.parametrize(("k", "p"), BROWN_CONRADY.values(), ids=BROWN_CONRADY.keys())


def opencv_order(k: tuple[float, ...], p: tuple[float, float]) -> Floats:
    """k1, k2, p1, p2, k3, k4, k5, k6."""
    k = (*k, *(0.0,) * (6 - len(k)))
    return np.array([*k[:2], *p, *k[2:]])


@brown_conrady
def test_brown_conrady_as_opencv(k: tuple[float, ...], p: tuple[float, float]) -> None:
    import cv2

    lens = Lens(projection="brown-conrady", focal_mm=18.0, k=k, p=p)
    random = np.random.default_rng(33)
    limit = min(lens.end_rad * 0.9999, math.radians(75))
    rays = rays_at(random.uniform(0, limit, 10_000), random.uniform(-np.pi, np.pi, 10_000)) * random.uniform(0.5, 40, (10_000, 1))
    theirs = cv2.projectPoints(rays[:, None], np.zeros(3), np.zeros(3), CAMERA_MATRIX, opencv_order(k, p))[0][:, 0]
    ours, ok = ours_px(lens, rays)
    assert ok.all()
    assert np.abs(ours - (theirs + HALF)).max() <= 1e-6


@brown_conrady
def test_brown_conrady_undone_as_opencv(k: tuple[float, ...], p: tuple[float, float]) -> None:
    import cv2

    lens = Lens(projection="brown-conrady", focal_mm=18.0, k=k, p=p)
    random = np.random.default_rng(34)
    # OpenCV's own iteration settles well inside the domain only; beyond that it is no truth.
    rays = rays_at(random.uniform(0, min(0.55 * lens.end_rad, math.radians(40)), 10_000), random.uniform(-np.pi, np.pi, 10_000))
    pixels, _ = ours_px(lens, rays)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-15)
    theirs = cv2.undistortPoints((pixels - HALF)[:, None], CAMERA_MATRIX, opencv_order(k, p), criteria=criteria)[:, 0]
    ours, ok = lens.unproject((pixels - [CX + HALF, CY + HALF]) / [FX, FY] * lens.focal_mm)
    assert ok.all()
    assert np.abs(ours[:, :2] / ours[:, 2:] - theirs).max() <= 1e-9


# ---- outside truth: lensfun ----

LENSFUN_TYPES = {"equisolid": "equisolid", "orthographic": "orthographic", "rectilinear": "rectilinear", "stereographic": "stereographic"}


@pytest.mark.parametrize("projection", LENSFUN_TYPES)
def test_projections_as_lensfun(projection: str) -> None:
    """lensfun turns an equidistant picture into another projection; its maps are single precision.

    10 mm lenses on 36 x 24 mm, 3600 x 2400 pixels of 0.01 mm. The middle row as far as the picture goes
    (103 degrees) or the projection's good part. Within 0.0002 mm at 45 degrees, 0.0008 mm over the row
    (its own scale differs by 0.01 % from one projection to another).
    """
    need(importlib.util.find_spec("lensfunpy") is not None, "lensfunpy")
    import lensfunpy

    described = (
        '<lensdatabase version="1"><mount><name>plain</name></mount><lens><maker>plain</maker><model>plain</model>'
        f"<mount>plain</mount><cropfactor>1</cropfactor><type>{LENSFUN_TYPES[projection]}</type></lens></lensdatabase>"
    )
    theirs = lensfunpy.Database(xml=described, load_common=False, load_bundled=False).lenses[0]
    modifier = lensfunpy.Modifier(theirs, 1.0, 3600, 2400)
    modifier.initialize(10.0, 8.0, scale=1.0, targeom=lensfunpy.LensType.FISHEYE, pixel_format=np.float32, flags=lensfunpy.ModifyFlags.GEOMETRY)
    centre = np.array([1799.5, 1199.5])
    their_radius = np.linalg.norm(modifier.apply_geometry_distortion()[1200, 1800:] - centre, axis=-1) * 0.01
    equidistant = np.linalg.norm(np.stack(np.broadcast_arrays(np.arange(1800, 3600), 1200), axis=-1) - centre, axis=-1) * 0.01
    # lensfun's pictures reach from the first pixel's centre to the last one's.
    focal_mm = 10 * math.hypot(3599, 2399) / math.hypot(3600, 2400)
    theta = equidistant / focal_mm
    good = theta < {"rectilinear": math.radians(60), "orthographic": math.radians(85)}.get(projection, math.pi)
    points, ok = Lens(projection=projection, focal_mm=focal_mm).project(rays_at(theta[good], 0.0))
    assert ok.all()
    off = np.abs(points[:, 0] - their_radius[good])
    assert off[np.abs(theta[good] - math.pi / 4).argmin()] <= 0.0002
    assert off.max() <= 0.0008
