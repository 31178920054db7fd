"""Lenses and scenes that the rendering tests share."""

from __future__ import annotations

import math

import numpy as np

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.scene.model import Light, Scene, Surface
from framematch.shot.opening import Opening

SENSOR_MM = (24.0, 13.5)
#: The five kinds that the two renderers are compared with.
LENSES = {
    "rectilinear with distortion": Lens(projection="brown-conrady", focal_mm=18.0, k=(-0.02, 0.004), p=(0.001, -0.0005)),
    "equidistant 150": Lens(projection="equidistant", focal_mm=24.0 / math.radians(150)),
    "equisolid 180": Lens(projection="equisolid", focal_mm=24.0 / (4 * math.sin(math.radians(45)))),
    "stereographic": Lens(projection="stereographic", focal_mm=8.0),
    "kannala-brandt": Lens(projection="kannala-brandt", focal_mm=9.0, k=(-0.03, 0.004)),
}
OTHERS = {
    "rectilinear": Lens(projection="rectilinear", focal_mm=14.0),
    "orthographic": Lens(projection="orthographic", focal_mm=14.5),
    "squeezed": Lens(projection="brown-conrady", focal_mm=30.0, k=(-0.03,), squeeze=1.8),
    "past the side": Lens(projection="equidistant", focal_mm=24.0 / math.radians(230)),
}


def camera(lens: Lens, raster_px: tuple[int, int] = (480, 270)) -> Camera:
    return Camera(lens=lens, sensor_mm=SENSOR_MM, raster_px=raster_px)


FULL = Light(sun=(0.0, 0.0, 0.0), ambient=(1.0, 1.0, 1.0), sky_zenith=(0.0, 0.0, 0.0), sky_horizon=(0.0, 0.0, 0.0))


def balls(centres: np.ndarray, radii: np.ndarray, *, grey: int = 255) -> Scene:
    """White balls in the dark, lit alike from everywhere."""
    import trimesh

    ball = trimesh.creation.icosphere(subdivisions=2)
    corners = np.asarray(ball.vertices)[None] * radii[:, None, None] + centres[:, None, :]
    faces = np.asarray(ball.faces)[None] + len(ball.vertices) * np.arange(len(centres))[:, None, None]
    vertices = corners.reshape(-1, 3)
    surface = Surface(vertices=vertices, faces=faces.reshape(-1, 3), colours=np.full((len(vertices), 3), grey, dtype=np.uint8))
    return Scene(name="balls", surface=surface, light=FULL)


def wall(*, half_m: float = 500.0) -> Scene:
    """A plane at z = 0 seen square on from +z."""
    vertices = np.array([[-half_m, -half_m, 0], [half_m, -half_m, 0], [half_m, half_m, 0], [-half_m, half_m, 0]])
    surface = Surface(vertices=vertices, faces=np.array([[0, 1, 2], [0, 2, 3]]), colours=np.full((4, 3), 200, dtype=np.uint8))
    return Scene(name="wall", surface=surface, opening=Opening(middle_m=(0.0, 0.0, 0.0), width_m=1.0, height_m=1.0))


def textured_ground() -> Scene:
    """A wavy textured sheet below the camera with a smooth random texture: something to see everywhere."""
    rng = np.random.default_rng(3)
    n = 41
    x, z = np.meshgrid(np.linspace(-40, 40, n), np.linspace(-40, 40, n))
    vertices = np.stack([x, 0.3 * np.sin(x) * np.cos(z) - 1.5, z], axis=-1).reshape(-1, 3)
    corner = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    faces = np.concatenate([np.stack([corner, corner + n, corner + 1], 1), np.stack([corner + 1, corner + n, corner + n + 1], 1)])
    from scipy.ndimage import gaussian_filter

    texture = gaussian_filter(rng.uniform(0, 255, (256, 256, 3)), (2.5, 2.5, 0), mode="wrap")
    texture = np.clip((texture - 127) * 6 + 127, 0, 255).astype(np.uint8)
    uv = vertices[:, [0, 2]] / 5.0
    colours = rng.integers(150, 255, (len(vertices), 3)).astype(np.uint8)
    return Scene(name="ground", surface=Surface(vertices=vertices, faces=faces, colours=colours, uv=uv, texture=texture), light=FULL)
