"""Props and parts in shot against rays cast at meshes of the same props."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
import trimesh
from at_length import crossed
from gap_truth import LENSES, camera_of, frame_of, hits, pixel_grid

from framematch.compare import Aircraft, Part, Prop, props_in_frame
from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.mount import rotation_from_aim

PROPS = (
    Prop(name="front left", right_mm=-130, up_mm=45, forward_mm=90, radius_mm=70),
    Prop(name="front right", right_mm=130, up_mm=45, forward_mm=90, radius_mm=70, blade_mm=20),
    Prop(name="low", right_mm=40, up_mm=-60, forward_mm=140, radius_mm=50),
)
PARTS = (
    Part(name="arm", right_mm=-70, up_mm=30, forward_mm=60, size_mm=(90, 8, 14)),
    Part(name="leg", right_mm=0, up_mm=-70, forward_mm=90, size_mm=(6, 60, 6)),
)


@lru_cache(maxsize=32)
def mesh_of(body: Prop | Part) -> trimesh.Trimesh:
    """The same thing as a mesh in airframe axes, in metres, made by trimesh from its own figures."""
    if isinstance(body, Part):
        mesh = trimesh.creation.box(extents=body.size_mm)
    else:
        mesh = trimesh.creation.cylinder(radius=body.radius_mm, height=body.blade_mm, sections=512)
        mesh.apply_transform(trimesh.transformations.rotation_matrix(math.pi / 2, (1, 0, 0)))
    mesh.apply_translation((body.right_mm, -body.up_mm, body.forward_mm))
    mesh.apply_scale(0.001)
    return mesh


def cast_percent(camera: Camera, body: Prop | Part, tilt_deg: float, *, columns: int = 300) -> float:
    """Share of the frame that a body covers: a coarse picture first, then a fine one of the part where it is."""
    frame = frame_of(camera.raster_px)
    pixels = pixel_grid(frame, columns, round(columns / 2.39))
    there = pixels[shown(camera, body, tilt_deg, pixels)]
    if not len(there):
        return 0.0
    cell = 3 * frame.width / columns
    (left, top), (right, bottom) = there.min(axis=0) - cell, there.max(axis=0) + cell
    part = Rect(left=max(left, frame.left), top=max(top, frame.top), right=min(right, frame.right), bottom=min(bottom, frame.bottom))
    share = shown(camera, body, tilt_deg, pixel_grid(part, 300, 300)).mean()
    return 100 * float(share) * part.width * part.height / (frame.width * frame.height)


def shown(camera: Camera, body: Prop | Part, tilt_deg: float, pixels: np.ndarray) -> np.ndarray:
    """Which pixels' rays meet the body."""
    rays, ok = camera.unproject(pixels)
    out = np.zeros(len(pixels), dtype=bool)
    out[ok] = np.isfinite(hits(mesh_of(body), np.zeros(3), rays[ok] @ rotation_from_aim(tilt_deg=tilt_deg).T)[:, 0])
    return out


@pytest.mark.parametrize(("lens", "tilt_deg"), crossed(LENSES | {"wide": Lens(projection="rectilinear", focal_mm=10)}, [15.0, 0.0, 35.0]))
def test_area_in_the_frame_meets_the_ray_caster(lens: Lens, tilt_deg: float) -> None:
    camera = camera_of(lens)
    aircraft = Aircraft(width_m=0.4, height_m=0.2, length_m=0.4, camera_tilt_deg=tilt_deg, props=PROPS, parts=PARTS)
    ours = {b.name: b.area_percent for b in props_in_frame(camera, frame_of(), aircraft).in_shot}
    for body in (*PROPS, *PARTS):
        expected = cast_percent(camera, body, tilt_deg)
        if expected < 0.05:
            assert ours.get(body.name, 0.0) < 0.06
        else:
            assert ours[body.name] == pytest.approx(expected, rel=0.02, abs=0.004), body.name


def test_together_they_cover_what_any_of_them_does() -> None:
    camera = camera_of(LENSES["fisheye"])
    aircraft = Aircraft(width_m=0.4, height_m=0.2, length_m=0.4, camera_tilt_deg=10, props=PROPS, parts=PARTS)
    report = props_in_frame(camera, frame_of(), aircraft)
    rays, _ = camera.unproject(pixel_grid(frame_of(), 800, 335))
    ahead = rays @ rotation_from_aim(tilt_deg=10).T
    any_of = np.any([np.isfinite(hits(mesh_of(b), np.zeros(3), ahead)[:, 0]) for b in (*PROPS, *PARTS)], axis=0)
    assert report.total_percent == pytest.approx(100 * any_of.mean(), rel=0.02)
    assert report.total_percent < sum(b.area_percent for b in report.in_shot)


@pytest.mark.parametrize("lens", [LENSES["straight"], LENSES["fisheye"], Lens(projection="rectilinear", focal_mm=10)], ids=["straight", "fisheye", "wide"])
def test_the_tilts_that_keep_them_out(lens: Lens) -> None:
    camera = camera_of(lens)
    aircraft = Aircraft(width_m=0.4, height_m=0.2, length_m=0.4, props=PROPS[:2])
    clear = props_in_frame(camera, frame_of(), aircraft).clear_tilts_deg
    assert clear

    def shows(tilt: float, columns: int = 1000) -> bool:
        pixels = pixel_grid(frame_of(), columns, round(columns / 2.39))
        return any(shown(camera, body, tilt, pixels).any() for body in PROPS[:2])

    for low, high in clear:
        for border, way in ((low, -1), (high, 1)):
            if abs(border) < 90:
                assert shows(border + 0.6 * way), border
                assert not shows(border - 0.05 * way), border
    for tilt in np.arange(-80, 81, 20.0):
        inside = any(low <= tilt <= high for low, high in clear)
        border = min(min(abs(tilt - low), abs(tilt - high)) for low, high in clear)
        assert shows(tilt, 300) != inside or border < 0.6


def test_where_and_how_far_it_comes_in() -> None:
    """A box across the top: its lower edge is at 20 degrees up in a straight lens."""
    lens = Lens(projection="rectilinear", focal_mm=10)
    camera = camera_of(lens)
    frame = frame_in(camera.raster_px)
    depth = 100.0
    bar = Part(name="bar", right_mm=0, up_mm=depth * math.tan(math.radians(20)) + 50, forward_mm=depth + 5, size_mm=(2000, 100, 10))
    aircraft = Aircraft(width_m=0.4, height_m=0.2, length_m=0.4, parts=(bar,))
    found = props_in_frame(camera, frame, aircraft).in_shot[0]
    share = 0.5 - 10 * math.tan(math.radians(20)) * depth / (depth + 10) / 13.12  # the far side hangs lower in the picture
    assert found.reach_percent == pytest.approx(100 * share, abs=0.01)
    assert found.area_percent == pytest.approx(100 * share, abs=0.01)
    assert set(found.sides) == {"left", "top", "right"}


def test_nothing_to_show() -> None:
    bare = Aircraft(width_m=0.4, height_m=0.2, length_m=0.4)
    report = props_in_frame(camera_of(LENSES["straight"]), frame_of(), bare)
    assert report.in_shot == () and report.total_percent == 0 and report.clear_tilts_deg == ((-90.0, 90.0),)


def test_a_camera_inside_a_prop() -> None:
    with pytest.raises(InputError, match="inside"):
        Prop(name="front", right_mm=10, up_mm=0, forward_mm=10, radius_mm=60)
    with pytest.raises(InputError, match="inside"):
        Part(name="body", right_mm=0, up_mm=0, forward_mm=0, size_mm=(10, 10, 10))
