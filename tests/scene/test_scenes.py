"""Scenes measured by rays through the finished surface (embreex), not by the numbers they were built from.

Outside values: clear door width 815 mm (ADA 404.2.3), door height 1985 mm (DIN 18101), adult stature
means 1.754 and 1.617 m (US national survey 2015-16).
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from itertools import product

import numpy as np
import pytest
import shapely
from at_length import sample

from framematch.errors import InputError
from framematch.scene.build import pack, surface_from
from framematch.scene.ground import distance_figures, floor
from framematch.scene.material import MATERIALS, picture
from framematch.scene.model import Scene
from framematch.scene.opening import buildable, outline
from framematch.scene.parts import ball, body, box, slab, tube
from framematch.scene.people import Figure, figure_parts, subject_parts
from framematch.scene.registry import make_scene, places, setting
from framematch.shot.opening import Opening
from framematch.shot.values import Subject

trimesh = pytest.importorskip("trimesh")
pytest.importorskip("embreex")

NAMES = ("doorway", "window", "alley", "underpass", "trunks", "car", "glasshouse")
SIZES = {
    "its own": {},
    "wide": {"width_m": 2.4, "height_m": 0.8, "sill_m": 0.7},
    "small": {"width_m": 0.5, "height_m": 0.5, "sill_m": 1.3},
    "tall": {"width_m": 0.7, "height_m": 2.6, "sill_m": 0.0},
}


@lru_cache(maxsize=4)
def _scene(name: str, shape: str | None = None, size: str = "its own") -> tuple[Scene, object]:
    changes = dict(SIZES[size])
    if shape == "arch" and size == "wide":
        changes["height_m"] = 1.4  # room for its half circle
    scene = make_scene(name, replace(setting(name).opening, shape=shape or setting(name).opening.shape, **changes), figures=[])
    mesh = trimesh.Trimesh(scene.surface.vertices, scene.surface.faces, process=False)
    return scene, trimesh.ray.ray_pyembree.RayMeshIntersector(mesh, scale_to_box=False)


def _first_hit(rays: object, origins: np.ndarray, direction: tuple[float, float, float]) -> np.ndarray:
    """Distance to the nearest face, inf where there is none."""
    n = len(origins)
    where, index, _ = rays.intersects_location(origins, np.tile(direction, (n, 1)), multiple_hits=False)
    out = np.full(n, math.inf)
    out[index] = np.linalg.norm(where - origins[index], axis=1)
    return out


def _points(area: object, count: int = 400) -> np.ndarray:
    """Points (K, 2) on an even grid inside a shapely area, corners of the area's box included."""
    x0, y0, x1, y1 = area.bounds
    step = math.sqrt((x1 - x0) * (y1 - y0) / count)
    grid = np.stack(np.meshgrid(np.arange(x0, x1 + step, step), np.arange(y0, y1 + step, step)), axis=-1).reshape(-1, 2)
    return grid[shapely.contains_xy(area, grid[:, 0], grid[:, 1])]


def test_every_scene_is_listed_with_a_line() -> None:
    assert tuple(places()) == NAMES
    assert all(20 < len(p.about) < 80 for p in places().values())


@pytest.mark.parametrize(
    ("size", "shape"), sample([("its own", "rectangle"), ("tall", "arch"), ("its own", "circle")], list(product(SIZES, ("rectangle", "arch", "circle"))))
)
@pytest.mark.parametrize("name", NAMES)
def test_rays_pass_inside_the_gap_and_stop_round_it(name: str, size: str, shape: str) -> None:
    scene, rays = _scene(name, shape, size)
    gap = scene.opening
    assert gap is not None
    reach = gap.thickness_m / 2 + 0.25
    opening = outline(gap)

    inside = _points(opening.buffer(-0.004))
    assert len(inside) > 150
    hits = _first_hit(rays, np.column_stack([inside, np.full(len(inside), reach)]), (0, 0, -1))
    assert (hits > 2 * reach).all(), f"{(hits <= 2 * reach).sum()} of {len(inside)} rays inside the opening are stopped"

    above_ground = shapely.box(-100, 0.01, 100, 100)
    rim = opening.buffer(0.035).difference(opening.buffer(0.004)).intersection(above_ground)
    beside = _points(rim, 6000)
    if gap.shape != "rectangle" and name == "trunks" and gap.sill_m == 0:  # open ground, nothing lies on it
        beside = beside[beside[:, 1] > 0.3]
    assert len(beside) > 100
    hits = _first_hit(rays, np.column_stack([beside, np.full(len(beside), reach)]), (0, 0, -1))
    assert (hits < 2 * reach).all(), f"{(hits >= 2 * reach).sum()} of {len(beside)} rays beside the opening pass"


@pytest.mark.parametrize("name", NAMES)
def test_the_gap_measures_what_was_asked_for(name: str) -> None:
    """Across and upwards from the middle of the opening, a millimetre behind the face that distances are counted to."""
    scene = make_scene(name, replace(setting(name).opening, width_m=1.37, height_m=0.83, sill_m=0.71, shape="rectangle"), figures=[])
    mesh = trimesh.Trimesh(scene.surface.vertices, scene.surface.faces, process=False)
    rays = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh, scale_to_box=False)
    depth = float(scene.scene_from_opening.translation_m[2]) - 0.001
    middle = np.array([[0.0, 0.71 + 0.83 / 2, depth]])
    right, left, up, down = (float(_first_hit(rays, middle, d)[0]) for d in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0)))
    assert right + left == pytest.approx(1.37, abs=0.002)
    assert right == pytest.approx(left, abs=0.002)
    assert up + down == pytest.approx(0.83, abs=0.002)
    assert middle[0, 1] - down == pytest.approx(0.71, abs=0.002)


def test_the_door_has_the_sizes_of_the_standards() -> None:
    scene, rays = _scene("doorway")
    middle = np.array([[0.0, 1.0, 0.0]])
    right, left, up = (float(_first_hit(rays, middle, d)[0]) for d in ((1, 0, 0), (-1, 0, 0), (0, 1, 0)))
    assert right + left == pytest.approx(0.815, abs=0.001)  # ADA 404.2.3
    assert 1.0 + up == pytest.approx(1.985, abs=0.001)  # DIN 18101
    assert scene.opening.width_m == 0.815


@pytest.mark.parametrize("thickness", [0.05, 0.3, 0.6])
def test_the_lining_of_an_opening_is_as_thick_as_asked(thickness: float) -> None:
    scene = make_scene("window", replace(setting("window").opening, thickness_m=thickness), figures=[])
    mesh = trimesh.Trimesh(scene.surface.vertices, scene.surface.faces, process=False)
    rays = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh, scale_to_box=False)
    x, y = -0.63, 1.35  # the frame: its near edge is the opening's
    front = 3 - _first_hit(rays, np.array([[x, y, 3.0]]), (0, 0, -1))[0]
    back = -3 + _first_hit(rays, np.array([[x, y, -3.0]]), (0, 0, 1))[0]
    assert front - back == pytest.approx(thickness, abs=1e-4)
    assert front == pytest.approx(-back, abs=1e-4)


@pytest.fixture(scope="module", params=NAMES)
def scene(request: pytest.FixtureRequest) -> Scene:
    """Each scene as it is, built once for the tests of it."""
    return make_scene(request.param)


def test_the_run_up_is_clear(scene: Scene) -> None:
    """Nothing but the gap's own frame stands in a corridor of 0.3 x 0.3 m along the run, people included."""
    mesh = trimesh.Trimesh(scene.surface.vertices, scene.surface.faces, process=False)
    rays = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh, scale_to_box=False)
    side = np.stack(np.meshgrid([-0.15, 0.0, 0.15], [-0.15, 0.0, 0.15]), axis=-1).reshape(-1, 2)
    start = 12.0
    origins = np.column_stack([side[:, 0], scene.scene_from_opening.translation_m[1] + side[:, 1], np.full(9, start)])
    assert (_first_hit(rays, origins, (0, 0, -1)) > start + 6.0).all()


@pytest.mark.parametrize("height", [1.62, 1.75, 1.98])
def test_figures_stand_on_the_ground_at_their_height(height: float) -> None:
    parts = figure_parts(Figure(x_m=1.2, z_m=-3.4, height_m=height, heading_deg=35))
    low, high = surface_from(parts).bounds
    assert high[1] == pytest.approx(height, abs=0.002)
    assert low[1] == pytest.approx(0.0, abs=0.002)
    assert 0.24 * height < high[0] - low[0] < 0.40 * height  # shoulders and arms, turned
    assert (low[0] + high[0]) / 2 == pytest.approx(1.2, abs=0.05)
    assert all(_closed(part) for part in parts)


def test_figures_look_where_they_are_told() -> None:
    """The nose, the foremost part of the head, points along the heading: 0 is -Z, 90 is +X."""
    for heading, axis, sign in ((0, 2, -1), (90, 0, 1), (180, 2, 1), (270, 0, -1)):
        vertices = surface_from(figure_parts(Figure(x_m=0, z_m=0, heading_deg=heading))).vertices
        head = vertices[vertices[:, 1] > 0.9 * 1.75]
        assert head[:, axis].max() + head[:, axis].min() == pytest.approx(sign * 0.008, abs=0.03)
        assert sign * (head[np.abs(head[:, 1] - 0.922 * 1.75) < 0.02][:, axis] * sign).max() * sign > 0.10


@pytest.mark.parametrize("height", [0.0, -1.0, math.nan, math.inf])
def test_a_figure_of_no_stature_is_refused(height: float) -> None:
    with pytest.raises(InputError, match="valid height"):
        Figure(x_m=0, z_m=0, height_m=height)


@pytest.mark.parametrize(
    ("name", "kwargs", "says"),
    [
        ("cave", {}, "no scene 'cave'"),
        ("window", {"width_m": 0.0}, "width_m"),
        ("window", {"height_m": math.nan}, "height_m"),
        ("window", {"sill_m": -0.1}, "sill_m"),
        ("window", {"thickness_m": 1e9}, "gap.thickness_m"),
        ("window", {"shape": "star"}, "rectangle, arch, circle"),
    ],
)
def test_what_is_no_gap_gets_one_line(name: str, kwargs: dict[str, object], says: str) -> None:
    with pytest.raises(InputError, match=says) as caught:
        make_scene(name, replace(setting("window").opening, **kwargs))
    assert "\n" not in str(caught.value)


def _closed(part: object) -> bool:
    mesh = trimesh.Trimesh(part.vertices.round(7), part.faces, process=True)
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    return bool(mesh.is_watertight and mesh.is_winding_consistent and mesh.volume > 0)


@pytest.mark.parametrize("material", ["", "brick", "boards", "rust"])
def test_bodies_are_closed_and_keep_their_volume_when_cut_into_tiles(material: str) -> None:
    hollow = shapely.box(-3, 0, 5, 4).difference(shapely.box(-0.6, 0.9, 0.6, 1.8)).difference(shapely.Point(3, 2).buffer(0.7))
    wall = slab(hollow, thickness_m=0.3, material=material)
    assert _closed(wall)
    assert trimesh.Trimesh(wall.vertices, wall.faces).volume == pytest.approx(hollow.area * 0.3, rel=1e-6)
    block = box((3.3, 2.2, 5.1), foot=(1, 0.2, 3), material=material)
    assert _closed(block)
    assert trimesh.Trimesh(block.vertices, block.faces).volume == pytest.approx(3.3 * 2.2 * 5.1, rel=1e-6)
    log = tube([(0, 0, 0), (0.2, 3, 0.1), (0.3, 7, -0.2)], [0.3, 0.25, 0.2], material=material)
    assert _closed(log)
    assert _closed(ball((3, 2, 3), centre=(1, 1, 1), material=material))


@pytest.mark.parametrize("name", NAMES)
def test_walls_of_every_scene_are_closed(name: str) -> None:
    """All bodies with thickness, so that no ray slips between two triangles of one."""
    here = places()[name]
    parts = [p for p in here.build(here.opening) if np.ptp(p.vertices, axis=0).min() > 1e-6 and p.material != "wood"]
    assert len(parts) >= 8
    assert [i for i, part in enumerate(parts) if not _closed(part)] == []


def test_a_scene_is_finite_small_and_textured(scene: Scene) -> None:
    surface = scene.surface
    assert np.isfinite(surface.vertices).all()
    assert 3_000 < len(surface.faces) < 120_000
    assert surface.faces.min() == 0 and surface.faces.max() == len(surface.vertices) - 1
    assert surface.uv.min() >= 0 and surface.uv.max() <= 1
    assert max(surface.texture.shape) <= 4096
    corners = surface.vertices[surface.faces]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    assert (areas > 1e-12).mean() > 0.999


def _colour_at(surface: object, x: float, z: float) -> np.ndarray:
    """The ground's own colour straight below a place, through the finished surface's uv and atlas."""
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    where, _, tri = mesh.ray.intersects_location([[x, 0.5, z]], [[0, -1, 0]], multiple_hits=False)
    weights = trimesh.triangles.points_to_barycentric(mesh.triangles[tri], where)
    uv = (weights[:, :, None] * surface.uv[surface.faces[tri]]).sum(axis=1)[0]
    height, width = surface.texture.shape[:2]
    return surface.texture[int((1 - uv[1]) * height), int(uv[0] * width)].astype(float)


def test_ground_lines_lie_on_whole_metres_and_every_fifth_is_stronger() -> None:
    surface = surface_from([floor((-20, -20), (20, 20), material="asphalt")])
    for metre in (-12, -5, -1, 0, 3, 10):
        on = _colour_at(surface, metre + 1e-3, 2.47)
        off = _colour_at(surface, metre + 0.3, 2.47)
        if metre % 5:
            assert on.min() > off.mean() + 30  # pale
        else:
            assert on[0] - on[2] > 100  # yellow
    edge = [_colour_at(surface, 5 + off, 2.47)[0] - _colour_at(surface, 5 + off, 2.47)[2] > 60 for off in (-0.07, -0.04, 0.04, 0.07)]
    assert edge == [False, True, True, False]  # 0.11 m wide


def test_distance_figures_stand_where_they_say() -> None:
    parts = distance_figures(beside_m=0.9, board_m=-1.75)
    plates = {}
    for part in parts:
        if part.material.startswith("label:") and np.ptp(part.vertices[:, 1]) == 0:
            middle = part.vertices.mean(axis=0)
            plates.setdefault(part.material, []).append(round(float(middle[2]), 6))
            corner = part.vertices[0]  # the text's bottom left is nearest to someone who comes along -Z, and on their left
            assert corner[0] < middle[0] and corner[2] > middle[2]
    assert plates["label:3"] == [3.0, -3.0]
    assert plates["label:10 m"] == [10.0, -10.0]
    assert plates["label:30 m"] == [30.0]
    boards = [p.vertices.mean(axis=0)[2] for p in parts if p.material == "label:15 m" and np.ptp(p.vertices[:, 1]) > 0.1]
    assert boards == [pytest.approx(15.0, abs=0.05)]


def test_materials_repeat_without_a_seam() -> None:
    """Across the border a tile changes no more than it does inside."""
    for name in MATERIALS:
        image = picture(name).astype(float)
        for axis in (0, 1):
            steps = np.abs(np.diff(image, axis=axis)).mean(axis=(1 - axis, 2))
            seam = np.abs(np.take(image, 0, axis=axis) - np.take(image, -1, axis=axis)).mean()
            assert seam <= steps.max() + 2, name


def test_bricks_have_the_size_of_bricks() -> None:
    """225 x 75 mm with the joint: courses counted on the picture of the tile."""
    image = picture("brick").astype(float)
    tile_m, height = MATERIALS["brick"].tile_m[1], image.shape[0]
    spectrum = np.abs(np.fft.rfft(image.mean(axis=(1, 2)) - image.mean()))
    courses = int(np.argmax(spectrum))
    assert tile_m / courses == pytest.approx(0.075, rel=0.01)
    assert height / courses > 12  # pixels a course


def test_packing_keeps_every_tile_whole_and_apart() -> None:
    dice = np.random.default_rng(5)
    tiles = [(dice.integers(0, 255, (h, w, 3), dtype=np.uint8), bool(i % 2)) for i, (h, w) in enumerate([(100, 40), (64, 64), (4, 4), (30, 200), (512, 512)])]
    places_px, atlas = pack(tiles)
    owner = np.full(atlas.shape[:2], -1)
    for i, ((tile, _), (left, top, w, h)) in enumerate(zip(tiles, places_px, strict=True)):
        x, y = int(left), int(top)
        assert (atlas[y : y + int(h), x : x + int(w)] == tile).all()
        around = owner[y - 32 : y + int(h) + 32, x - 32 : x + int(w) + 32]
        assert (around == -1).all()
        around[:] = i


def test_a_body_carries_its_texture_at_true_size() -> None:
    wall = body([(0, 0, 0), (9, 0, 0), (9, 3, 0), (0, 3, 0)], [(0, 1, 2), (0, 2, 3)], "brick")
    corners = wall.vertices[wall.faces]
    assert np.allclose((wall.uv[:, 1] - wall.uv[:, 0])[..., 0] * 2.25, (corners[:, 1] - corners[:, 0])[..., 0])
    assert np.allclose((wall.uv[:, 2] - wall.uv[:, 0])[..., 1] * 2.25, (corners[:, 2] - corners[:, 0])[..., 1])
    low = np.floor(wall.uv.mean(axis=1, keepdims=True))
    assert ((wall.uv >= low - 1e-9) & (wall.uv <= low + 1 + 1e-9)).all()


def test_openings_too_large_to_build_are_named() -> None:
    with pytest.raises(InputError) as caught:
        buildable(Opening(width_m=1, height_m=30))
    assert "gap.height_m" in str(caught.value) and "20" in str(caught.value)


def test_an_opening_without_a_thickness_stands_in_a_thin_wall() -> None:
    """Its near edge where the opening says: the plane that the table counts distances from."""
    for name in ("window", "doorway", "underpass"):
        opening = Opening(width_m=1.2, height_m=0.9)
        surface = make_scene(name, opening, figures=[]).surface
        rim = surface.vertices[(np.abs(surface.vertices[:, 0]) <= 0.6 + 1e-6) & (np.abs(surface.vertices[:, 1] - 1.45) <= 0.45 + 1e-6)]
        there = rim[(np.abs(np.abs(rim[:, 0]) - 0.6) < 1e-6) & (np.abs(rim[:, 2]) < 0.2)]
        assert there[:, 2].max() == pytest.approx(0.0, abs=1e-9), name


def test_a_scene_stands_round_its_opening_wherever_that_is() -> None:
    """Moved and turned as a whole: what was seen through the opening's own axes is seen there again."""
    home = Opening(width_m=1.0, height_m=1.2, thickness_m=0.2)
    away = replace(home, middle_m=(7.0, 1.6 + 2.5, -4.0), heading_deg=130.0)
    first, second = (make_scene("window", o, figures=[]) for o in (home, away))
    seen = [s.scene_from_opening.inverse.points(s.surface.vertices) for s in (first, second)]
    assert seen[0] == pytest.approx(seen[1], abs=1e-9)
    assert second.ground_m == pytest.approx(4.1 - 0.6 - 1.0)


def test_further_openings_stand_in_walls_of_their_own() -> None:
    further = Opening(width_m=0.8, height_m=0.8, shape="circle", sill_m=0.6, thickness_m=0.1, middle_m=(1.5, 1.0, -8.0), heading_deg=60.0)
    scene = make_scene("window", setting("window").opening, further, figures=[])
    mesh = trimesh.Trimesh(scene.surface.vertices, scene.surface.faces, process=False)
    rays = trimesh.ray.ray_pyembree.RayMeshIntersector(mesh, scale_to_box=False)
    pose = further.scene_from_opening
    for share, through in ((0.97, True), (1.03, False)):
        start = pose.points(np.column_stack([further.corners() * share, np.full(len(further.corners()), -0.3)]))
        hits = _first_hit(rays, start, tuple(pose.rotation[:, 2]))
        assert ((hits > 0.6) == through).all()


def test_subjects_stand_where_the_table_has_them() -> None:
    opening = Opening(width_m=1.2, height_m=0.9, sill_m=1.1, middle_m=(3.0, 1.55, 2.0), heading_deg=-35.0)
    subject = Subject(height_m=1.7, beyond_m=4.0, right_m=0.6, stands_m=0.3)
    feet, _, head = opening.scene_from_opening.points(subject.points_m(opening))
    low, high = surface_from(subject_parts(opening, [subject])).bounds
    assert (low[1], high[1]) == pytest.approx((feet[1], head[1]), abs=0.003)
    assert (low + high)[[0, 2]] / 2 == pytest.approx(feet[[0, 2]], abs=0.06)
