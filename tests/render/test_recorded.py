"""What is really recorded, against the guide, the edge-error curve, and rays cast from the recording camera."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from at_length import crossed
from lenses import wall
from outside import need
from rigs import glasshouse

from framematch.geometry.camera import Display
from framematch.geometry.mount import Mount
from framematch.guide.best import best_guide, outline_errors
from framematch.guide.transfer import to_recorded
from framematch.render import gl, rays
from framematch.render.pixels import frame_camera, pixel_rays
from framematch.render.recorded import agreement, filled
from framematch.render.views import Views, both_views, outline_area
from framematch.scene.registry import make_scene
from framematch.shot.opening import Opening
from framematch.shot.place import standing
from framematch.shot.run import Run

BOTH = ("gl", "rays")
WALL = wall()


@pytest.fixture(autouse=True)
def _gl_is_here() -> None:
    need(not gl.missing(), "GL through EGL")


@pytest.mark.parametrize(("distance_m", "renderer"), crossed([0.5, 3.0, 40.0], BOTH))
def test_without_offset_the_guide_is_what_is_recorded(distance_m: float, renderer: str) -> None:
    pairing = glasshouse(mount=Mount())
    views = both_views(WALL, pairing, WALL.scene_from_recording(Run(), distance_m), renderer=renderer, height_px=360)
    guide = outline_area(pairing, best_guide(pairing).set_distance_m, views.wide_camera.raster_px)
    assert agreement(views.recorded.area, guide) >= 0.995


@pytest.mark.parametrize(("mount", "renderer"), crossed({"beside": Mount(right_mm=60.0), "above": Mount(up_mm=60.0)}, BOTH))
def test_agreement_with_an_offset_falls_as_the_edge_error_curve_says(mount: Mount, renderer: str) -> None:
    """On a plane: whole at the set distance; elsewhere the shift that the overlap shows is the curve's.

    Two equal areas shifted by a share e of their width overlap by (1 - e) / (1 + e) of what they cover
    together. Areas are weighed as the recorded frame sees them, since the display stretches them.
    """
    pairing = glasshouse(mount=mount)
    set_m = best_guide(pairing).set_distance_m
    found = []
    for distance_m in (set_m, 1.0, 1.5, 2.0, 5.0, 10.0, 30.0):
        views = both_views(WALL, pairing, WALL.scene_from_recording(Run(), distance_m), renderer=renderer, height_px=480)
        guide = outline_area(pairing, set_m, views.wide_camera.raster_px)
        plain = agreement(views.recorded.area, guide)
        errors = outline_errors(pairing, set_m, distance_m)
        sides = (errors.left, errors.right) if mount.right_mm else (errors.top, errors.bottom)
        assert sides[0] * sides[1] <= 1e-9  # one side is loose by what the other is tight
        expected = (abs(sides[0]) + abs(sides[1])) / 2
        weight = _recorded_pixels_per_display_pixel(pairing, views, distance_m)
        both, either = (np.sum(weight[mask]) for mask in (views.recorded.area & guide, views.recorded.area | guide))
        shift_percent = 100 * (1 - both / either) / (1 + both / either)
        assert abs(shift_percent - expected) <= 0.5, (distance_m, shift_percent, expected)
        if distance_m == set_m:
            assert plain >= 0.995
        found.append((abs(1 / distance_m - 1 / set_m), plain))
    falling = np.array([plain for _, plain in sorted(found)])  # the farther in 1/distance, the less they agree
    assert (np.diff(falling) < 0.001).all()
    assert falling[-1] < 0.97


def _recorded_pixels_per_display_pixel(pairing, views: Views, distance_m: float) -> np.ndarray:  # type: ignore[no-untyped-def]
    width, height = views.wide_camera.raster_px
    scale = pairing.display.raster_px[1] / height
    x, y = np.meshgrid((np.arange(width) + 0.5) * scale, (np.arange(height) + 0.5) * scale)
    there, _ = to_recorded(pairing, np.stack([x, y], axis=-1), np.float64(1 / distance_m))
    down, across = np.gradient(there, axis=(0, 1))
    area: np.ndarray = np.nan_to_num(np.abs(down[..., 0] * across[..., 1] - down[..., 1] * across[..., 0]))
    return area


@pytest.mark.parametrize("renderer", BOTH)
def test_what_is_hidden_is_hidden(renderer: str) -> None:
    """Against rays cast from the recording camera to the very points that the wide picture shows."""
    scene = make_scene("trunks")
    pairing = glasshouse(mount=Mount(up_mm=120.0, right_mm=90.0))
    pose = standing((0.3, 1.5, 3.0), heading_deg=-5.0)
    views = both_views(scene, pairing, pose, renderer=renderer, height_px=360)
    pixel, _ = pixel_rays(views.wide_camera)
    rows, columns = np.nonzero(views.recorded.in_frame & np.isfinite(views.wide.distance_m))
    to_scene = pose @ pairing.mount.pose
    points = to_scene.points(pixel[rows, columns] * views.wide.distance_m[rows, columns][:, None])
    eye = pose.translation_m
    away = np.linalg.norm(points - eye, axis=1)
    free = rays.first_hits(scene, eye, (points - eye) / away[:, None]) >= away * 0.99
    hidden = views.recorded.hidden[rows, columns]
    assert 0.01 < hidden.mean() < 0.3
    assert np.mean(hidden == ~free) >= 0.98  # all but the pixel along the edges that the 3 x 3 depth leaves out
    assert np.mean(free[hidden]) <= 0.02  # and hardly anything is called hidden that isn't


def test_letterboxed_bars_carry_nothing_and_heights_scale() -> None:
    pairing = glasshouse(display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit="letterbox"))
    views = both_views(WALL, pairing, WALL.scene_from_recording(Run(), 3.0), renderer="rays", height_px=180)
    assert views.wide.colour.shape == (180, 320, 3) and views.frame.colour.shape[0] == 180
    assert not views.shown[:, :40].any() and views.shown[:, 40:280].all()
    assert (views.wide.colour[:, :40] == 0).all() and np.isnan(views.wide.distance_m[:, :40]).all()
    assert not views.recorded.area[:, :40].any()


@pytest.mark.parametrize("fit", ["crop", "letterbox", "stretch"])
def test_the_display_camera_is_monitoring_camera_and_display_in_one(fit: str) -> None:
    pairing = glasshouse(display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=fit))
    directions = np.random.default_rng(2).normal(size=(500, 3)) * [1, 1, 0.2] + [0, 0, 1]
    direct, ok = pairing.monitoring.project(directions)
    camera = pairing.display_camera
    assert np.allclose(camera.project(directions)[0][ok], pairing.display.from_source(direct[ok]), atol=1e-8)


def test_the_frame_camera_shows_the_frame_desqueezed() -> None:
    pairing = glasshouse()
    squeezed = replace(pairing.recording, lens=replace(pairing.recording.lens, squeeze=1.5))
    camera = frame_camera(replace(pairing, recording=squeezed), height_px=400)
    assert camera.raster_px == (round(400 * pairing.frame.width / pairing.frame.height * 1.5), 400)
    corner, _ = camera.unproject([0.0, 0.0])
    assert np.allclose(corner, squeezed.unproject([pairing.frame.left, pairing.frame.top])[0], atol=1e-12)


def test_filled_is_shapelys_inside() -> None:
    import shapely

    rng = np.random.default_rng(4)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 40))
    ring = np.array([30, 20]) + np.stack([25 * np.cos(angle), 18 * np.sin(angle)], axis=-1) * rng.uniform(0.5, 1.3, (40, 1))
    hole = np.array([[25.2, 15.1], [34.9, 15.3], [34.7, 24.8], [25.4, 25.1]])
    x, y = np.meshgrid(np.arange(64) + 0.5, np.arange(40) + 0.5)
    inside = shapely.contains_xy(shapely.Polygon(ring).symmetric_difference(shapely.Polygon(hole)), x, y)
    assert np.array_equal(filled([ring, hole], (64, 40)), inside)
    assert not filled([], (8, 4)).any()


def test_the_rig_stands_square_before_any_gap() -> None:
    turned = replace(WALL, opening=Opening(middle_m=(2.0, 1.5, -3.0), width_m=1.0, height_m=1.0, heading_deg=-40.0))
    pose = turned.scene_from_recording(Run(), 4.0)
    assert np.allclose(pose.inverse.points([2.0, 1.5, -3.0]), [0, 0, 4.0], atol=1e-12)
    for distance_m in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="not a distance"):
            turned.scene_from_recording(Run(), distance_m)
