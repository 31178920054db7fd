"""Depth of field, blur and diffraction against published figures and against each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros

from framematch.errors import InputError
from framematch.geometry.lens import Lens
from framematch.optics import sharpness as optics

FOOT_M = 0.3048


def test_textbook_hyperfocal() -> None:
    # The standard textbook example: 50 mm, f/8, 0.03 mm.
    hyperfocal = optics.hyperfocal_m(focal_mm=50, f_number=8, circle_mm=0.03)
    assert round(1000 * hyperfocal) == 10467
    assert round(1000 * optics.depth_of_field(focal_mm=50, f_number=8, circle_mm=0.03, focus_m=hyperfocal).near_m) == 5233
    assert math.isinf(optics.depth_of_field(focal_mm=50, f_number=8, circle_mm=0.03, focus_m=hyperfocal).far_m)


@pytest.mark.parametrize(("f_number", "feet"), [(2.8, 115.3), (5.6, 57.7), (16, 20.2)])
def test_handbook_hyperfocal(f_number: float, feet: float) -> None:
    # A cinematographers' handbook table: 50 mm, circle 0.001 in. It prints f^2 / (N c): counted from the
    # lens's front focal point, so one focal length less than ours, which counts from the lens.
    hyperfocal = optics.hyperfocal_m(focal_mm=50, f_number=f_number, circle_mm=0.0254)
    assert round((hyperfocal - 0.05) / FOOT_M, 1) == feet


def test_airy_disk() -> None:
    # First zero of J1 from SciPy: diameter 2 (j / pi) lambda N, of which 2.44 is the customary rounding.
    assert round(1000 * optics.airy_disk_mm(f_number=8), 2) == pytest.approx(10.73, abs=0.011)
    exact = 2 * jn_zeros(1, 1)[0] / math.pi
    assert optics.airy_disk_mm(f_number=8) == pytest.approx(exact * 550e-6 * 8, rel=6e-4)


def test_circle_follows_the_shown_frame() -> None:
    # 135 format: 43.27 mm / 1500 = 0.0288 mm.
    assert optics.circle_mm(frame_mm=(36, 24)) == pytest.approx(0.02884, abs=1e-5)


figures = st.fixed_dictionaries({"focal_mm": st.floats(6, 200), "f_number": st.floats(1, 22), "focus_m": st.floats(0.5, 500) | st.just(math.inf)})


@given(lens=figures, circle=st.floats(0.003, 0.05))
def test_the_blur_disk_at_the_limits_is_the_circle(lens: dict[str, float], circle: float) -> None:
    depth = optics.depth_of_field(**lens, circle_mm=circle)
    assert depth.near_m <= lens["focus_m"] <= depth.far_m
    assert optics.blur_disk_mm(**lens, depth_m=depth.near_m) == pytest.approx(circle, rel=1e-9)
    if depth.far_m < 1e6:
        assert optics.blur_disk_mm(**lens, depth_m=depth.far_m) == pytest.approx(circle, rel=1e-6)
    elif math.isinf(depth.far_m):
        assert optics.blur_disk_mm(**lens, depth_m=1e12) <= circle * (1 + 1e-9)


def test_blur_by_ray_tracing() -> None:
    """Through a thin lens ray by ray: the rim rays of the aperture meet the sensor a blur disk apart."""
    focal, stop, focus, depth = 35.0, 2.8, 2.0, 1.3
    image = 1 / (1 / focal - 1 / (1000 * focus))
    rim = focal / stop / 2
    # A ray from the axis point at depth to the rim leaves at slope rim/depth - rim/f.
    hits = [y + image * (y / (1000 * depth) - y / focal) for y in (rim, -rim)]
    blur = optics.blur_disk_mm(focal_mm=focal, f_number=stop, focus_m=focus, depth_m=depth)
    assert blur == pytest.approx(abs(hits[0] - hits[1]), rel=1e-12)


@given(lens=figures, circle=st.floats(0.003, 0.05))
def test_stop_and_focus_for_a_near_limit_give_it_back(lens: dict[str, float], circle: float) -> None:
    near = optics.depth_of_field(**lens, circle_mm=circle).near_m
    if near >= lens["focus_m"] * (1 - 1e-6):
        return
    stop = optics.f_number_for_near(focal_mm=lens["focal_mm"], circle_mm=circle, focus_m=lens["focus_m"], near_m=near)
    assert stop == pytest.approx(lens["f_number"], rel=1e-6)
    focus = optics.focus_for_near(focal_mm=lens["focal_mm"], f_number=lens["f_number"], circle_mm=circle, near_m=near)
    if math.isfinite(focus):
        given_back = optics.depth_of_field(focal_mm=lens["focal_mm"], f_number=lens["f_number"], circle_mm=circle, focus_m=focus).near_m
        assert given_back == pytest.approx(near, rel=1e-6)


def test_any_stop_will_do_beyond_the_focus() -> None:
    assert optics.f_number_for_near(focal_mm=18, circle_mm=0.017, focus_m=3, near_m=3) == 0.0


def test_focal_length_before_focusing() -> None:
    for focus in (0.4, 2.0, math.inf):
        focused = Lens(projection="rectilinear", focal_mm=25).focused(focus)
        assert optics.focal_before_focusing_mm(image_distance_mm=focused.focal_mm, focus_m=focus) == pytest.approx(25, rel=1e-12)


def test_spot_is_never_less_than_either() -> None:
    depth = np.geomspace(0.5, 100, 50)
    lens = {"focal_mm": 18.0, "f_number": 8.0, "focus_m": 5.0}
    spot = optics.spot_mm(**lens, depth_m=depth)
    assert (spot >= np.maximum(optics.blur_disk_mm(**lens, depth_m=depth), optics.airy_disk_mm(f_number=8))).all()
    assert spot.argmin() == np.abs(1 / depth - 1 / 5).argmin()


def test_what_no_lens_has() -> None:
    with pytest.raises(InputError, match="f_number"):
        optics.hyperfocal_m(focal_mm=18, f_number=0, circle_mm=0.02)
    with pytest.raises(InputError, match="focus_m"):
        optics.depth_of_field(focal_mm=18, f_number=8, circle_mm=0.02, focus_m=0.018)
    with pytest.raises(InputError, match="near_m"):
        optics.f_number_for_near(focal_mm=18, circle_mm=0.02, focus_m=3, near_m=0.01)
    assert np.isnan(optics.blur_disk_mm(focal_mm=18, f_number=8, focus_m=3, depth_m=[-1.0, 0.0, 0.01])).all()
