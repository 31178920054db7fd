"""Both views against two plain rasters of the same scene and size, timed turn by turn in one run.

The reference is pyrender as its own guide has it: off-screen, default flags, one directional light.
"""

from __future__ import annotations

import math
import os
import resource
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from framematch.geometry.camera import Camera, Display, Rect
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.render import gl
from framematch.render.views import both_views
from framematch.scene.registry import make_scene
from framematch.shot.run import Run

SIZE = (960, 540)
SCENE = make_scene("glasshouse")
RECORDING = Camera(lens=Lens(projection="rectilinear", focal_mm=18.0), sensor_mm=(24.89, 14.0), raster_px=SIZE)
WIDE = Camera(lens=Lens(projection="equidistant", focal_mm=6.4 / math.radians(150)), sensor_mm=(6.4, 3.6), raster_px=SIZE)
PAIRING = Pairing(
    recording=RECORDING,
    frame=Rect(left=0, top=0, right=960, bottom=540),
    monitoring=WIDE,
    display=Display(raster_px=SIZE, source_px=SIZE),
    mount=Mount(up_mm=58, forward_mm=31),
)
POSE = SCENE.scene_from_recording(Run(), 3.0)
_held: list[object] = []


def plain_rasters() -> Callable[[], None]:
    """Two pictures by plain pyrender, drawn in the thread that owns the context."""
    import pyrender

    surface = SCENE.surface
    corners = surface.vertices[surface.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    assert surface.uv is not None and surface.texture is not None
    height, width = surface.texture.shape[0] // 4 * 4, surface.texture.shape[1] // 4 * 4
    material = pyrender.MetallicRoughnessMaterial(
        baseColorTexture=pyrender.Texture(source=surface.texture[:height, :width], source_channels="RGB"), metallicFactor=0.0, doubleSided=True
    )
    colours = np.concatenate([surface.colours[surface.faces].reshape(-1, 3) / 255, np.ones((3 * len(corners), 1))], axis=1)
    primitive = pyrender.Primitive(
        positions=corners.reshape(-1, 3).astype(np.float32),
        normals=np.repeat(normals, 3, axis=0).astype(np.float32),
        texcoord_0=surface.uv[surface.faces].reshape(-1, 2).astype(np.float32),
        color_0=colours.astype(np.float32),
        material=material,
    )
    scene = pyrender.Scene(bg_color=(0.5, 0.6, 0.8, 1.0), ambient_light=(0.3, 0.3, 0.3))
    scene.add(pyrender.Mesh([primitive]))
    pose = POSE.matrix @ np.diag([1.0, -1, -1, 1])
    scene.add(pyrender.DirectionalLight(intensity=3.0), pose=pose)
    focal = SIZE[0] * 18.0 / 24.89
    scene.add(pyrender.IntrinsicsCamera(focal, focal, SIZE[0] / 2, SIZE[1] / 2, znear=0.05, zfar=200.0), pose=pose)
    renderer = gl._owner.call(lambda: pyrender.OffscreenRenderer(*SIZE))
    _held.append(renderer)  # deleting one ends the EGL display of the whole process

    def draw() -> None:
        for _ in range(2):
            gl._owner.call(lambda: renderer.render(scene))

    return draw


def turn_by_turn(reference: Callable[[], object], ours: Callable[[], object], rounds: int = 7) -> tuple[float, float]:
    """Median seconds of each, timed alternately so that both meet the same load."""
    times: list[tuple[float, float]] = []
    for _ in range(rounds + 1):
        start = time.perf_counter()
        reference()
        middle = time.perf_counter()
        ours()
        times.append((middle - start, time.perf_counter() - middle))
    first, second = np.median(np.array(times[1:]), axis=0)
    return float(first), float(second)


@pytest.mark.parametrize(("renderer", "most"), [("gl", 3.0), ("rays", 4.0)])
def test_both_views_against_two_plain_rasters(benchmark: object, renderer: str, most: float) -> None:
    assert not gl.missing(), gl.missing()
    pairing = replace(PAIRING, title=renderer)

    def ours() -> None:
        both_views(SCENE, pairing, POSE, renderer=renderer)

    reference, time_ours = turn_by_turn(plain_rasters(), ours)
    benchmark.pedantic(ours, rounds=3, warmup_rounds=1)  # type: ignore[attr-defined]
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    ratio = time_ours / reference
    print(
        f"\n{renderer}: {1e3 * time_ours:.0f} ms, two plain rasters {1e3 * reference:.0f} ms, ratio {ratio:.2f}, peak {peak_mb:.0f} MB, {os.cpu_count()} cores"
    )
    benchmark.extra_info.update({"both views / two plain rasters": ratio, "peak MB": round(peak_mb)})  # type: ignore[attr-defined]
    assert ratio <= most
