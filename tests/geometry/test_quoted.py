"""Lenses from quoted angles of view: known lenses found again, published tables, angles that can't be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import PLAIN
from framematch.geometry.quoted import lens_from_angles

SENSOR_MM = (5.9, 4.425)
RASTER_PX = (1440, 1080)


def angles_of(lens: Lens, sensor_mm: tuple[float, float] = SENSOR_MM) -> dict[str, float]:
    """Full angles by a way of its own: the edges' and corner's rays, each against the axis."""
    half_w, half_h = sensor_mm[0] / 2, sensor_mm[1] / 2
    rays, ok = lens.unproject([(half_w, 0), (0, half_h), (half_w, half_h)])
    assert ok.all()
    angles = 2 * np.degrees(np.arctan2(np.hypot(rays[:, 0], rays[:, 1]), rays[:, 2]))
    return dict(zip(("horizontal", "vertical", "diagonal"), map(float, angles), strict=True))


@pytest.mark.parametrize("squeeze", [1.0, 1.33, 2.0])
@pytest.mark.parametrize("direction", ["horizontal", "vertical", "diagonal"])
@pytest.mark.parametrize("projection", PLAIN)
def test_one_angle_gives_the_focal_length(projection: str, direction: str, squeeze: float) -> None:
    known = Lens(projection=projection, focal_mm=7.5, squeeze=squeeze)
    fit = lens_from_angles(
        angles_deg={direction: angles_of(known)[direction]}, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=projection, squeeze=squeeze
    )
    assert fit.lens.projection == projection and fit.lens.squeeze == squeeze
    assert fit.lens.focal_mm == pytest.approx(7.5, rel=1e-12)
    assert fit.residual_deg[direction] == pytest.approx(0, abs=1e-10)


@pytest.mark.parametrize(
    ("projection", "half_width_over_focal"),
    # r / f at 110 degrees off the axis, worked by hand from the textbook formulas
    [("equidistant", 110 * math.pi / 180), ("equisolid", 2 * 0.8191520443), ("stereographic", 2 * 1.4281480067)],
)
def test_angles_past_180_degrees(projection: str, half_width_over_focal: float) -> None:
    fit = lens_from_angles(angles_deg={"horizontal": 220.0}, width_mm=6.0, height_mm=1.0, projection=projection)
    assert fit.lens.focal_mm == pytest.approx(3.0 / half_width_over_focal, rel=1e-9)


def test_orthographic_reaches_180_degrees_and_no_more() -> None:
    fit = lens_from_angles(angles_deg={"diagonal": 180.0}, width_mm=6.0, height_mm=8.0, projection="orthographic")
    assert fit.lens.focal_mm == pytest.approx(5.0, rel=1e-15)
    assert abs(fit.residual_deg["diagonal"]) < 1e-5


@pytest.mark.parametrize(
    ("focal_mm", "horizontal", "vertical", "diagonal"),
    [(24, 73.7, 53.1, 84.1), (50, 39.6, 27.0, 46.8)],
)
def test_published_angles_of_135_format(focal_mm: float, horizontal: float, vertical: float, diagonal: float) -> None:
    """Published angle-of-view tables for the 36 x 24 mm frame (ISO 1007), printed to 0.1 degrees.

    Angles that were rounded to 0.1 degrees leave residuals of half of that at most.
    """
    quoted = {"horizontal": horizontal, "vertical": vertical, "diagonal": diagonal}
    fit = lens_from_angles(angles_deg=quoted, width_mm=36, height_mm=24, projection="rectilinear")
    assert fit.lens.focal_mm == pytest.approx(focal_mm, rel=0.002)
    assert max(map(abs, fit.residual_deg.values())) <= 0.05
    for name, value in quoted.items():
        one = lens_from_angles(angles_deg={name: value}, width_mm=36, height_mm=24, projection="rectilinear")
        assert one.lens.focal_mm == pytest.approx(focal_mm, rel=0.003)


@pytest.mark.parametrize("squeeze", [1.0, 1.5])
@pytest.mark.parametrize("projection", [None, "equidistant"])
@pytest.mark.parametrize(
    "k",
    [(0.0, 0.0), (-0.03, 0.0), (0.02, 0.0), (-0.04, 0.006), (-0.0014613319981768, -0.00329861110580401)],
    ids=["plain", "barrel", "swelling", "two-terms", "published"],
)
def test_three_angles_of_a_known_lens_give_it_back(k: tuple[float, float], projection: str | None, squeeze: float) -> None:
    known = Lens(projection="kannala-brandt", focal_mm=3.2, k=k, squeeze=squeeze)
    quoted = angles_of(known)
    fit = lens_from_angles(angles_deg=quoted, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=projection, squeeze=squeeze)
    assert fit.lens.projection == "kannala-brandt"
    assert (fit.lens.focal_mm, *fit.lens.k) == pytest.approx((3.2, *k), abs=1e-9)
    assert max(map(abs, fit.residual_deg.values())) < 1e-9
    assert angles_of(fit.lens) == pytest.approx(quoted, abs=1e-9)


@pytest.mark.parametrize("pair", [("horizontal", "vertical"), ("horizontal", "diagonal"), ("vertical", "diagonal")])
def test_two_angles_give_k1(pair: tuple[str, str]) -> None:
    known = Lens(projection="kannala-brandt", focal_mm=2.9, k=(-0.05,))
    quoted = {name: value for name, value in angles_of(known).items() if name in pair}
    fit = lens_from_angles(angles_deg=quoted, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=None)
    assert len(fit.lens.k) == 1
    assert (fit.lens.focal_mm, *fit.lens.k) == pytest.approx((2.9, -0.05), abs=1e-9)


def test_the_cameras_angles_are_the_quoted_ones() -> None:
    quoted = {"horizontal": 118.0, "vertical": 86.0, "diagonal": 155.0}
    fit = lens_from_angles(angles_deg=quoted, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=None)
    angles = Camera(lens=fit.lens, sensor_mm=SENSOR_MM, raster_px=RASTER_PX).angles()
    for name, value in quoted.items():
        assert getattr(angles, name) == pytest.approx(value + fit.residual_deg[name], abs=1e-9)


def test_a_curve_that_would_turn_back_before_the_corner_loses_terms() -> None:
    # A corner hardly farther off the axis than the side: the one curve through all three turns back.
    quoted = {"horizontal": 120.0, "vertical": 60.0, "diagonal": 121.0}
    fit = lens_from_angles(angles_deg=quoted, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=None)
    assert len(fit.lens.k) < 2
    assert max(map(abs, fit.residual_deg.values())) > 1
    assert fit.lens.unproject([SENSOR_MM[0] / 2, SENSOR_MM[1] / 2])[1]


@pytest.mark.parametrize("quoted", [{"horizontal": 120.0, "vertical": 60.0, "diagonal": 121.0}, {"horizontal": 118.0, "vertical": 69.0, "diagonal": 150.0}])
@pytest.mark.parametrize("projection", [None, "rectilinear", "equisolid", "stereographic"])
def test_no_lens_beside_the_fitted_one_misses_less(projection: str | None, quoted: dict[str, float]) -> None:
    """Least squares: nudging any term of the fitted lens never lowers the sum of squares."""
    fit = lens_from_angles(angles_deg=quoted, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=projection)

    def missed(lens: Lens) -> float:
        return sum((value - quoted[name]) ** 2 for name, value in angles_of(lens).items())

    best = missed(fit.lens)
    assert best == pytest.approx(sum(r * r for r in fit.residual_deg.values()), abs=1e-9)
    for nudge in (-1e-3, -1e-5, 1e-5, 1e-3):
        terms = [(fit.lens.focal_mm * (1 + nudge), fit.lens.k)]
        terms += [(fit.lens.focal_mm, (*fit.lens.k[:i], k + nudge * 0.01, *fit.lens.k[i + 1 :])) for i, k in enumerate(fit.lens.k)]
        for focal_mm, k in terms:
            other = Lens(projection=fit.lens.projection, focal_mm=focal_mm, k=k)
            if other.unproject([SENSOR_MM[0] / 2, SENSOR_MM[1] / 2])[1]:
                assert missed(other) >= best - 1e-9


def test_a_square_picture_says_each_side_once() -> None:
    fit = lens_from_angles(angles_deg={"horizontal": 90.0, "vertical": 92.0, "diagonal": 130.0}, width_mm=4, height_mm=4, projection=None)
    assert len(fit.lens.k) == 1
    assert fit.residual_deg["horizontal"] == pytest.approx(1, abs=1e-6)
    assert fit.residual_deg["vertical"] == pytest.approx(-1, abs=1e-6)


@given(
    focal_mm=st.floats(1.5, 40),
    projection=st.sampled_from(PLAIN),
    wanted=st.sets(st.sampled_from(["horizontal", "vertical", "diagonal"]), min_size=1),
)
@settings(max_examples=150, deadline=None)
def test_what_a_lens_has_gives_it_back(focal_mm: float, projection: str, wanted: set[str]) -> None:
    known = Lens(projection=projection, focal_mm=focal_mm)
    if not known.unproject([SENSOR_MM[0] / 2, SENSOR_MM[1] / 2])[1]:
        return  # the corner lies beyond what this lens images
    quoted = {name: value for name, value in angles_of(known).items() if name in wanted}
    fit = lens_from_angles(angles_deg=quoted, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=projection)
    assert fit.lens.focal_mm == pytest.approx(focal_mm, rel=1e-6)
    assert max(map(abs, fit.residual_deg.values())) < 1e-5


@pytest.mark.parametrize(
    ("projection", "quoted", "field"),
    [
        ("rectilinear", {"horizontal": 180.0}, "angle_deg.horizontal"),
        ("rectilinear", {"vertical": 200.0}, "angle_deg.vertical"),
        ("orthographic", {"diagonal": 180.1}, "angle_deg.diagonal"),
        ("equidistant", {"diagonal": 360.0}, "angle_deg.diagonal"),
        ("stereographic", {"diagonal": 360.0}, "angle_deg.diagonal"),
        ("equisolid", {"diagonal": 360.1}, "angle_deg.diagonal"),
        (None, {"horizontal": 100.0, "diagonal": 400.0}, "angle_deg.diagonal"),
        ("equidistant", {"horizontal": 0.0}, "angle_deg.horizontal"),
        ("equidistant", {"horizontal": -5.0}, "angle_deg.horizontal"),
        ("equidistant", {"vertical": math.nan}, "angle_deg.vertical"),
        ("equidistant", {"vertical": math.inf}, "angle_deg.vertical"),
        (None, {"horizontal": 118.0, "diagonal": 100.0}, "angle_deg.diagonal"),
        ("rectilinear", {"horizontal": 80.0, "diagonal": 80.0}, "angle_deg.diagonal"),
        (None, {"horizontal": 80.0, "vertical": 90.0}, "angle_deg.horizontal"),
        ("equidistant", {"sideways": 80.0}, "angle_deg.sideways"),
        ("equidistant", {}, "angle_deg"),
        (None, {"horizontal": 118.0}, "projection"),
        ("brown-conrady", {"horizontal": 118.0}, "projection"),
        ("sideways", {"horizontal": 118.0}, "projection"),
    ],
)
def test_angles_that_no_such_lens_has(projection: str | None, quoted: dict[str, float], field: str) -> None:
    with pytest.raises(InputError) as caught:
        lens_from_angles(angles_deg=quoted, width_mm=SENSOR_MM[0], height_mm=SENSOR_MM[1], projection=projection)
    assert caught.value.field == field
    assert caught.value.fix and "\n" not in str(caught.value)


@pytest.mark.parametrize(("width_mm", "height_mm", "squeeze", "field"), [(0, 4, 1, "sensor_mm"), (6, math.nan, 1, "sensor_mm"), (6, 4, -1, "squeeze")])
def test_sensors_that_are_none(width_mm: float, height_mm: float, squeeze: float, field: str) -> None:
    with pytest.raises(InputError) as caught:
        lens_from_angles(angles_deg={"horizontal": 90.0}, width_mm=width_mm, height_mm=height_mm, projection="equidistant", squeeze=squeeze)
    assert caught.value.field == field
