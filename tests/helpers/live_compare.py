"""Live pictures against the ray renderer's: shots, lens pairs, and how far apart the pictures are."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from live_stills import stills
from rigs import glasshouse, straight

from framematch.geometry.camera import Camera, Display, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.live.rig_part import rig_part
from framematch.live.scene_part import scene_part
from framematch.render.rays import first_hits
from framematch.render.recorded import agreement
from framematch.render.sheet import marked
from framematch.render.views import both_views, wide_camera_and_bars
from framematch.scene.model import Light, Scene, Surface
from framematch.scene.registry import make_scene
from framematch.shot.place import standing

#: Scene, where the recording camera stands, heading, pitch, bank.
SHOTS = {
    "glasshouse, square on": ("glasshouse", (0.0, 1.35, 3.0), 0.0, 0.0, 0.0),
    "doorway, near and banked": ("doorway", (0.15, 1.1, 1.2), 6.0, -5.0, 18.0),
    "alley, from the side": ("alley", (0.6, 1.7, 6.0), -25.0, 4.0, -7.0),
    "trunks, low": ("trunks", (-0.2, 0.7, 4.0), 12.0, 8.0, 0.0),
    "window, looking back": ("window", (0.5, 1.6, 5.0), 160.0, -12.0, 3.0),
    "car, from above": ("car", (0.0, 2.6, 2.5), -4.0, -35.0, 0.0),
}


def pairs() -> dict[str, Pairing]:
    """Five pairs of lenses: our own; two straight ones; a circular fisheye with bars; squeezed and stereographic; both fisheyes, aimed and stretched."""
    fisheye = Camera(lens=Lens(projection="equisolid", focal_mm=1.55), sensor_mm=(6.0, 4.5), raster_px=(1440, 1080))
    squeezed = Camera(lens=Lens(projection="rectilinear", focal_mm=35.0, squeeze=1.5), sensor_mm=(24.89, 18.66), raster_px=(4096, 3072))
    stereographic = Camera(lens=Lens(projection="stereographic", focal_mm=2.2), sensor_mm=(6.0, 4.5), raster_px=(1440, 1080))
    kannala = Camera(lens=Lens(projection="kannala-brandt", focal_mm=14.0, k=(-0.02, 0.004)), sensor_mm=(24.0, 13.5), raster_px=(3840, 2160))
    kannala_wide = Camera(lens=Lens(projection="kannala-brandt", focal_mm=2.4, k=(-0.01, 0.003, -0.001)), sensor_mm=(6.0, 4.5), raster_px=(1440, 1080))
    return {
        "glasshouse": glasshouse(),
        "straight": straight(mount=Mount(right_mm=60.0, up_mm=-20.0)),
        "fisheye with bars": glasshouse(monitoring=fisheye, display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit="letterbox")),
        "squeezed": glasshouse(recording=squeezed, frame=frame_in((4096, 3072), squeeze=1.5, aspect=2.39, keep_percent=90.0), monitoring=stereographic),
        "aimed": straight(
            recording=kannala,
            frame=frame_in((3840, 2160), aspect=16 / 9, keep_percent=85.0),
            monitoring=kannala_wide,
            display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit="stretch"),
            mount=Mount(right_mm=-40.0, up_mm=70.0, forward_mm=25.0, pan_deg=6.0, tilt_deg=-9.0, roll_deg=4.0),
        ),
    }


@dataclass(frozen=True, kw_only=True)
class Apart:
    """How far live and ray pictures are apart.

    Args:
        markers_px: distance of each marker's middle in one from the same in the other.
        colours: median difference of wide view and frame, of 255.
        overlap: of the really recorded areas.
        hidden_percent: of the frame's part of the wide view that something hides, live and by rays.
    """

    markers_px: np.ndarray
    colours: tuple[float, float]
    overlap: float
    hidden_percent: tuple[float, float]


@lru_cache(maxsize=2)
def scene_named(name: str) -> Scene:
    return make_scene(name)


def pose_of(shot: str) -> Pose:
    _, place, heading, pitch, bank = SHOTS[shot]
    return standing(place, heading_deg=heading, pitch_deg=pitch, bank_deg=bank)


def with_markers(scene: Scene, camera: Camera, eye: np.ndarray, *, across: int = 7, down: int = 4, width_px: float = 6.0) -> tuple[Scene, np.ndarray]:
    """The scene with magenta squares that face the camera before what it sees, and their middles (n, 3)."""
    w, h = camera.raster_px
    spots = np.stack(np.meshgrid((np.arange(across) + 0.6) * w / across, (np.arange(down) + 0.4) * h / down), axis=-1).reshape(-1, 2)
    rays, ok = camera.unproject(spots)
    beside, also = camera.unproject(spots + (1.0, 0.0))
    rays, beside = rays[ok & also], beside[ok & also]
    turned = rays @ eye[:3, :3].T
    away = np.minimum(0.85 * first_hits(scene, eye[:3, 3], turned), 15.0)
    middles = eye[:3, 3] + turned * away[:, None]
    half = away * np.linalg.norm(beside - rays, axis=1) * width_px / 2
    right = np.cross(turned, eye[:3, :3] @ (0.0, 1.0, 0.01))
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    below = np.cross(turned, right)
    corners = np.stack([middles + half[:, None] * (x * right + y * below) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))], axis=1).reshape(-1, 3)
    n, s = len(middles), scene.surface
    first = len(s.vertices) + 4 * np.arange(n)[:, None]
    faces = np.concatenate([first + (0, 1, 2), first + (0, 2, 3)])
    white = s.uv[np.argmax(s.texture[(-1 - np.floor(s.uv[:, 1] * s.texture.shape[0]).astype(int)) % s.texture.shape[0],
                                     np.floor(s.uv[:, 0] * s.texture.shape[1]).astype(int) % s.texture.shape[1]].astype(int).sum(axis=1))]  # fmt: skip
    surface = Surface(
        vertices=np.concatenate([s.vertices, corners]),
        faces=np.concatenate([s.faces, faces]),
        colours=np.concatenate([s.colours, np.tile(np.array([[255, 0, 255]], dtype=np.uint8), (4 * n, 1))]),
        uv=np.concatenate([s.uv, np.tile(white, (4 * n, 1))]),
        texture=s.texture,
    )
    return replace(scene, surface=surface), middles


def whitened(scene: Scene) -> Scene:
    """The same shapes, all white, so that only the marks show."""
    plain = Surface(vertices=scene.surface.vertices, faces=scene.surface.faces, colours=np.full_like(scene.surface.colours, 255))
    return replace(scene, surface=plain, light=Light(ambient=(1.0, 1.0, 1.0), sun=(0.0, 0.0, 0.0), sky_zenith=(1.0, 1.0, 1.0), sky_horizon=(1.0, 1.0, 1.0)))


def middle_of(picture: np.ndarray, spot: np.ndarray, reach: int = 7) -> np.ndarray | None:
    """The middle of what is magenta around a spot, None without enough of it or where it may be cut off."""
    x, y = (int(v) for v in spot)
    h, w = picture.shape[:2]
    if not (reach < x < w - reach and reach < y < h - reach):
        return None
    part = picture[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(float)
    weight = np.maximum(np.minimum(part[..., 0], part[..., 2]) - part[..., 1] - 20, 0)
    if weight.sum() < 1500 or weight[[0, -1]].any() or weight[:, [0, -1]].any():
        return None
    rows, columns = np.mgrid[y - reach : y + reach + 1, x - reach : x + reach + 1] + 0.5
    return np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()


def apart(page: Any, parts: dict[str, bytes], shot: str, pairing: Pairing, *, height_px: int, focals_mm: tuple[float, float] | None = None) -> Apart:
    """Draw a shot through a pairing both ways and compare."""
    pose = pose_of(shot)
    eye = (pose @ pairing.mount.pose).matrix
    scene, middles = with_markers(scene_named(SHOTS[shot][0]), wide_camera_and_bars(pairing, height_px=height_px)[0], eye)
    views = both_views(scene, pairing, pose, height_px=height_px, renderer="rays")
    parts["scene"], parts["white"], parts["rig"] = scene_part(scene), scene_part(whitened(scene)), rig_part(pairing, focals_mm=focals_mm)
    sizes = [(v.colour.shape[1], v.colour.shape[0]) for v in (views.wide, views.frame)]
    focal = pairing.recording.lens.focal_mm
    wide, frame = stills(page, pose.matrix, focal, *sizes, scene="scene", rig="rig")
    hidden = page.evaluate("painter.hiddenPercent()"), 100 * float((views.recorded.in_frame & views.recorded.hidden).sum() / views.recorded.in_frame.sum())
    white, _ = stills(page, pose.matrix, focal, *sizes, scene="white")
    truth = marked(views)
    off = []
    for camera, axes, live, rays in ((views.wide_camera, eye, wide, truth), (views.frame_camera, pose.matrix, frame, views.frame.colour)):
        spots, ok = camera.project((middles - axes[:3, 3]) @ axes[:3, :3])
        for spot in spots[ok]:
            if (rays[tuple(slice(max(int(v) - 6, 0), int(v) + 7) for v in spot[::-1])].min(axis=-1) > 250).any():
                continue  # the line round what is really recorded cuts it
            both = [middle_of(picture, spot) for picture in (live, rays)]
            if both[0] is not None and both[1] is not None:
                off.append(math.dist(*both))
    blank = replace(views.wide, colour=np.where((views.shown & ~np.isnan(views.wide.distance_m))[..., None], np.uint8((255, 255, 255)), np.uint8(0)))
    lit = [picture[..., 1] > 180 for picture in (white, marked(replace(views, wide=blank)))]
    colours = tuple(float(np.median(np.abs(a.astype(int) - b))) for a, b in ((wide, truth), (frame, views.frame.colour)))
    return Apart(markers_px=np.array(off), colours=(colours[0], colours[1]), overlap=agreement(*lit), hidden_percent=hidden)
