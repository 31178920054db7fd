"""The two renderers against each other, against the core, and against OpenCV and plain pyrender."""

from __future__ import annotations

import gc
import threading
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache

import numpy as np
import pytest
from at_length import crossed, sample
from lenses import LENSES, OTHERS, SENSOR_MM, balls, camera, textured_ground
from outside import need

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.pose import Pose
from framematch.render import gl, picked, render
from framematch.render.faces import plan
from framematch.render.pixels import pixel_rays
from framematch.scene.model import Light, Scene, Surface
from framematch.scene.registry import make_scene
from framematch.shot.place import standing

BOTH = ("gl", "rays")
SCENES = ("doorway", "window", "alley", "underpass", "trunks", "car")
POSE = standing((0.25, 1.5, 2.6), heading_deg=6.0, pitch_deg=-4.0, bank_deg=3.0)


@pytest.fixture(autouse=True)
def _gl_is_here() -> None:
    need(not gl.missing(), "GL through EGL")


@lru_cache(maxsize=1)
def _scene(name: str) -> Scene:
    return make_scene(name)


@pytest.mark.parametrize(("scene", "lens"), crossed(SCENES, list(LENSES)))
def test_the_two_renderers_agree(scene: str, lens: str) -> None:
    here, view = _scene(scene), camera(LENSES[lens])
    a, b = (render(here, view, POSE, renderer=which) for which in BOTH)
    assert (a.renderer, b.renderer) == BOTH
    assert np.array_equal(np.isnan(a.distance_m), np.isnan(b.distance_m))
    # Silhouettes: of all that stands before the sky, and of what is nearer than a little beyond the gap.
    for beyond in (np.inf, 3.2):
        hit_a, hit_b = a.distance_m < beyond, b.distance_m < beyond
        assert (hit_a & hit_b).sum() / (hit_a | hit_b).sum() >= 0.99
    difference = np.abs(a.colour.astype(int) - b.colour)
    assert np.median(difference) <= 4
    assert np.mean(difference) <= 4
    both = np.isfinite(a.distance_m) & np.isfinite(b.distance_m)
    assert np.median(np.abs(a.distance_m[both] / b.distance_m[both] - 1)) <= 0.001


@pytest.mark.parametrize(("lens", "renderer"), crossed([*LENSES, *OTHERS], BOTH))
def test_known_places_appear_where_the_core_projects_them(lens: str, renderer: str) -> None:
    """Truth that no renderer made: small balls at known places, found again as blobs."""
    view = camera({**LENSES, **OTHERS}[lens], (640, 360))
    pose = standing((3.0, 2.0, -1.0), heading_deg=130.0, pitch_deg=-20.0, bank_deg=25.0)
    rng = np.random.default_rng(5)
    grid = np.stack(np.meshgrid(np.linspace(24, 616, 9), np.linspace(24, 336, 6)), axis=-1).reshape(-1, 2) + rng.uniform(-8, 8, (54, 2))
    rays, ok = view.unproject(grid)
    beside, ok_beside = view.unproject(grid + [4.0, 4.0])
    ok &= ok_beside
    distances = rng.uniform(1.5, 20.0, len(grid))
    radii = distances * np.linalg.norm(rays - beside, axis=1) / np.sqrt(2) / 1.5
    places, radii = (rays * distances[:, None])[ok], radii[ok]
    picture = render(balls(pose.points(places), radii), view, pose, renderer=renderer)
    expected, seen = view.project(places)
    assert seen.all() and len(expected) >= 20
    brightness = picture.colour.mean(axis=-1)
    rows, columns = np.mgrid[:360, :640] + 0.5
    misses = []
    for x, y in expected:
        near = brightness * ((np.abs(columns - x) < 11) & (np.abs(rows - y) < 11))
        assert near.sum() > 500
        misses.append(np.hypot((near * columns).sum() / near.sum() - x, (near * rows).sum() / near.sum() - y))
        # and the depth there is that of the ball's near side
    depth = picture.distance_m[expected[:, 1].astype(int), expected[:, 0].astype(int)]
    assert np.median(np.abs(depth - (distances[ok] - radii)) / radii) < 0.2
    assert np.median(misses) <= 0.25
    assert np.max(misses) <= 1.0


@pytest.mark.parametrize("renderer", BOTH)
@pytest.mark.parametrize("k", [(), (-0.02, 0.003, -0.0005, 0.00002)])
def test_wide_pictures_equal_opencvs_fisheye_map_of_a_plain_raster(k: tuple[float, ...], renderer: str) -> None:
    """Source: OpenCV's fisheye model (its map) and plain pyrender (its picture), neither of which is ours."""
    import cv2
    import pyrender

    scene, pose = textured_ground(), standing((0.5, 0.5, 0.5), heading_deg=20.0, pitch_deg=-25.0)
    projection = "kannala-brandt" if k else "equidistant"
    view = Camera(lens=Lens(projection=projection, focal_mm=18.0, k=k), sensor_mm=SENSOR_MM, raster_px=(480, 270))
    size, focal = (1800, 1100), 900.0
    reference = gl._owner.call(lambda: _plain_picture(pyrender, scene, pose, size, focal))
    per_mm = 480 / 24.0
    matrix = np.array([[18.0 * per_mm, 0, 240 - 0.5], [0, 18.0 * per_mm, 135 - 0.5], [0, 0, 1]])  # OpenCV's pixel rule
    straight = np.array([[focal, 0, size[0] / 2 - 0.5], [0, focal, size[1] / 2 - 0.5], [0, 0, 1]])
    pixels = np.stack(np.meshgrid(np.arange(480.0), np.arange(270.0)), axis=-1).reshape(-1, 1, 2)
    coefficients = np.array([*k, *[0.0] * (4 - len(k))])
    there = cv2.fisheye.undistortPoints(pixels, matrix, coefficients, P=straight).reshape(270, 480, 2).astype(np.float32)
    expected = cv2.remap(reference, there[..., 0], there[..., 1], cv2.INTER_LINEAR)
    ours = render(scene, view, pose, renderer=renderer)
    hit = np.isfinite(ours.distance_m) & (there.min(axis=-1) > 0) & (there[..., 0] < size[0] - 1) & (there[..., 1] < size[1] - 1)
    assert hit.mean() > 0.5
    difference = np.abs(ours.colour.astype(int) - expected)[hit]
    assert reference.std() > 20  # there is something to be misplaced
    assert np.median(difference) <= 2


def _plain_picture(pyrender, scene: Scene, pose: Pose, size: tuple[int, int], focal: float) -> np.ndarray:  # type: ignore[no-untyped-def]
    s = scene.surface
    material = pyrender.MetallicRoughnessMaterial(baseColorTexture=pyrender.Texture(source=s.texture, source_channels="RGB"), doubleSided=True)
    primitive = pyrender.Primitive(
        positions=s.vertices, texcoord_0=s.uv, color_0=np.c_[s.colours / 255, np.ones(len(s.colours))], indices=s.faces, material=material
    )
    plain = pyrender.Scene(bg_color=(0, 0, 0, 1))
    plain.add(pyrender.Mesh([primitive]))
    plain.add(pyrender.IntrinsicsCamera(focal, focal, size[0] / 2, size[1] / 2, znear=0.05, zfar=200.0), pose=pose.matrix @ np.diag([1.0, -1, -1, 1]))
    _held.append(pyrender.OffscreenRenderer(*size))  # deleting one ends the EGL display of the whole process
    colour, _ = _held[-1].render(plain, flags=pyrender.RenderFlags.FLAT)
    return np.array(colour)


_held: list[object] = []


@pytest.mark.parametrize("renderer", BOTH)
def test_eight_threads_get_the_pictures_that_one_gets(renderer: str) -> None:
    around = np.random.default_rng(8).uniform(-6, 6, (60, 3)) + [0, 0, -1]
    scenes = [textured_ground(), balls(around[np.linalg.norm(around, axis=1) > 3], np.full((np.linalg.norm(around, axis=1) > 3).sum(), 0.5))]
    lenses = [*LENSES.values(), *OTHERS.values()]
    jobs = [(scenes[i % 2], camera(lenses[i % len(lenses)], (112, 63)), standing((0.1 * i, 0.2, 0.0), heading_deg=9.0 * i, pitch_deg=-10.0)) for i in range(20)]
    alone = [render(scene, view, pose, renderer=renderer) for scene, view, pose in jobs]
    start = threading.Barrier(8)

    def ask(first: int) -> int:
        start.wait()
        same = 0
        for step in range(20):
            index = (first * 3 + step) % 20
            scene, view, pose = jobs[index]
            got = render(scene, view, pose, renderer=renderer)
            same += np.array_equal(got.colour, alone[index].colour) and np.array_equal(got.distance_m, alone[index].distance_m, equal_nan=True)
        return same

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(ask, range(8))) == [20] * 8
    assert len({picture.colour.tobytes() for picture in alone}) == 20


@pytest.mark.parametrize("renderer", sample(("gl",), BOTH))
def test_a_million_triangles_far_from_the_origin(renderer: str) -> None:
    """A location scan in survey coordinates: depth is still true to a millimetre or so in float32's hands."""
    n, centre = 709, np.array([412_000.0, 120.0, -5_310_000.0])
    x, z = np.meshgrid(np.linspace(-30, 30, n), np.linspace(-30, 30, n))
    vertices = np.stack([x, 0.2 * np.sin(2 * x) * np.sin(2 * z), z], axis=-1).reshape(-1, 3)
    corner = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate([np.stack([corner, corner + n, corner + 1], 1), np.stack([corner + 1, corner + n, corner + n + 1], 1)])
    assert len(faces) > 1_000_000
    scene = Scene(name="scan", surface=Surface(vertices=vertices + centre, faces=faces, colours=np.full((len(vertices), 3), 180, dtype=np.uint8)))
    view = camera(LENSES["equidistant 150"], (240, 135))
    pose = standing((float(centre[0]), float(centre[1]) + 2.0, float(centre[2])), pitch_deg=-35.0)
    picture = render(scene, view, pose, renderer=renderer)
    hit = np.isfinite(picture.distance_m)
    assert hit.mean() > 0.7
    rays, _ = pixel_rays(view)
    there = (rays * np.where(hit, picture.distance_m, 0)[..., None])[hit] @ pose.rotation.T + [0.0, 2.0, 0.0]
    assert np.median(np.abs(there[:, 1] - 0.2 * np.sin(2 * there[:, 0]) * np.sin(2 * there[:, 2]))) < 0.002


def test_a_lost_context_is_made_again() -> None:
    """Another user of pyrender ends the process's EGL display when it deletes its renderer."""
    import pyrender

    scene, view = textured_ground(), camera(LENSES["stereographic"], (96, 54))
    before = render(scene, view, POSE, renderer="gl")
    gl._owner.call(lambda: pyrender.OffscreenRenderer(8, 8).delete())
    after = render(scene, view, POSE, renderer="gl")
    assert np.array_equal(before.colour, after.colour)
    studio = gl._owner.studio
    gc.collect()  # what is left of the lost context must not take the new one with it
    again = render(scene, view, POSE, renderer="gl")
    assert np.array_equal(before.colour, again.colour)
    assert gl._owner.studio is studio


def test_only_the_faces_that_are_needed_are_drawn() -> None:
    assert len(plan(camera(LENSES["rectilinear with distortion"])).faces) == 1
    assert 3 <= len(plan(camera(LENSES["equidistant 150"])).faces) <= 5
    assert len(plan(camera(Lens(projection="equisolid", focal_mm=3.37), (270, 270))).faces) == 6  # the whole sphere
    for lens in LENSES.values():
        view = camera(lens)
        width, height = plan(view).sheet_px
        assert width * height <= 22 * 480 * 270


@pytest.mark.parametrize("renderer", BOTH)
def test_a_lit_textured_square_has_the_colours_and_depths_worked_out_by_hand(renderer: str) -> None:
    """Six texels in an odd width, first row at the top, in light at 60 degrees; a plane's depth is h / cos."""
    texture = np.array([[[250, 0, 0], [0, 250, 0], [0, 0, 250]], [[250, 250, 0], [0, 250, 250], [200, 200, 200]]], dtype=np.uint8)
    corners = np.array([[-3.0, -2, 0], [3, -2, 0], [3, 2, 0], [-3, 2, 0]])
    surface = Surface(
        vertices=corners,
        faces=np.array([[0, 1, 2], [0, 2, 3]]),
        colours=np.full((4, 3), 204, dtype=np.uint8),
        uv=np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]]),
        texture=texture,
    )
    light = Light(sun_direction=(0.0, np.sqrt(0.75), 0.5), sun=(0.6, 0.6, 0.6), ambient=(0.2, 0.2, 0.2))
    view = Camera(lens=Lens(projection="rectilinear", focal_mm=12.0), sensor_mm=(24.0, 13.5), raster_px=(320, 180))
    pose = standing((0.0, 0.0, 4.0))
    picture = render(Scene(name="square", surface=surface, light=light), view, pose, renderer=renderer)
    factor = (0.2 + 0.6 * 0.5) ** (1 / 2.2) * 204 / 255
    for row, y in enumerate((1.0, -1.0)):
        for column, x in enumerate((-2.0, 0.0, 2.0)):
            (across, down), _ = view.project([x, -y, 4.0])
            assert np.abs(picture.colour[int(down), int(across)] - factor * texture[row, column]).max() <= 6
    rays, _ = pixel_rays(view)
    hit = np.isfinite(picture.distance_m)
    assert np.abs(hit.sum() / (6 * 4 / 4**2 * 160**2) - 1) < 0.01
    assert np.abs(picture.distance_m * rays[..., 2] / 4.0 - 1)[hit].max() < 1e-5
    up = render(Scene(name="sky", surface=surface, light=light), view, standing((0, 9, 0), pitch_deg=90), renderer=renderer)
    assert np.abs(up.colour[90, 160] - 255 * np.array(light.sky_zenith)).max() <= 1
    assert np.isinf(up.distance_m).all()


@pytest.mark.parametrize("renderer", BOTH)
def test_dark_corners_carry_no_picture(renderer: str) -> None:
    view = camera(Lens(projection="orthographic", focal_mm=6.0))
    picture = render(textured_ground(), view, POSE, renderer=renderer)
    _, ok = pixel_rays(view)
    assert 0.3 < ok.mean() < 0.9
    assert np.array_equal(np.isnan(picture.distance_m), ~ok)
    assert (picture.colour[~ok] == 0).all()


def test_a_wrong_renderer_is_refused() -> None:
    with pytest.raises(InputError, match="not a renderer"):
        picked("fast")
    assert picked("auto") == "gl"
    assert picked("rays") == "rays"
