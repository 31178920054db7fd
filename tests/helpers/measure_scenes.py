"""Rendered truth for the measuring tests: a chart on a wall of paper, seen by the project's own cameras.

Each pixel's ray is cut with the chart's plane and the printed pattern looked up there, several rays to a
pixel; then blur, vignetting, noise and JPEG as a camera has them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.measure.chart import CHARUCO, Chart, board

PER_MM = 3


def chart_texture(chart: Chart) -> np.ndarray:
    """The board printed at PER_MM pixels to a millimetre, without a border."""
    size = (round(chart.columns * chart.square_mm * PER_MM), round(chart.rows * chart.square_mm * PER_MM))
    if chart.kind == CHARUCO:
        return board(chart).generateImage(size, marginSize=0, borderBits=1)
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    side = chart.square_mm * PER_MM
    return np.where((x // side + y // side) % 2 == 0, 0, 255).astype(np.uint8)


@dataclass(frozen=True, kw_only=True)
class Spoil:
    """What a camera does to a picture."""

    blur_px: float = 0.7
    noise: float = 3.0
    vignetting: float = 0.45
    quality: int = 88


STEP_PX = 4


def even_rays(camera: Camera, x: np.ndarray, y: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Rays @ turn (y, x, 3) of even places in a picture, NaN where the lens has none: worked out every few pixels and drawn on straight between.

    That puts them off by less than 0.01 pixels; a picture is many millions of rays.
    """
    across, down = (np.arange(a[0], a[-1] + 2 * STEP_PX, STEP_PX) for a in (x, y))
    rays, ok = camera.unproject(np.stack(np.meshgrid(across, down), axis=-1))
    rays = np.where(ok[..., None], rays @ turn, np.nan)
    for axis, at, coarse in ((0, y, down), (1, x, across)):
        share = (at - coarse[0]) / STEP_PX
        i = share.astype(int)
        part = np.expand_dims(share - i, (1, 2) if axis == 0 else (0, 2))
        before = np.take(rays, i, axis)
        rays = before + part * (np.take(rays, i + 1, axis) - before)
    return rays


def chart_still(camera: Camera, turn: np.ndarray, shift_mm: np.ndarray, chart: Chart, rng: np.random.Generator, spoil: Spoil = Spoil(), fine: int = 3):
    """The still (height, width) of a chart whose points X are at turn X + shift_mm in camera axes."""
    import cv2

    width, height = camera.raster_px
    texture = chart_texture(chart)
    border = 2 * chart.square_mm / 3
    wide, tall = chart.columns * chart.square_mm, chart.rows * chart.square_mm
    picture = np.full((height, width), 110.0)
    picture += 25 * cv2.resize(rng.normal(size=(9, 12)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    along = np.linspace(0, 1, 40)
    edge = np.concatenate([np.stack(np.broadcast_arrays(a, b), -1) for a, b in ((along, 0), (along, 1), (0, along), (1, along))])
    outline = edge * (wide + 2 * border, tall + 2 * border) - border
    px, ok = camera.project(np.column_stack([outline, np.zeros(len(outline))]) @ turn.T + shift_mm)
    if ok.any():
        left, top = np.clip(np.floor(px[ok].min(axis=0)) - 3, 0, (width, height)).astype(int)
        right, bottom = np.clip(np.ceil(px[ok].max(axis=0)) + 3, 0, (width, height)).astype(int)
        if right > left and bottom > top:
            step = (np.arange(fine) + 0.5) / fine
            x = (np.arange(left, right)[:, None] + step).ravel()
            y = (np.arange(top, bottom)[:, None] + step).ravel()
            toward, origin = even_rays(camera, x, y, turn), -turn.T @ shift_mm
            with np.errstate(all="ignore"):
                far = -origin[2] / toward[..., 2]
                at = origin[:2] + far[..., None] * toward[..., :2]
            on = (far > 0) & (at > -border).all(-1) & (at < (wide + border, tall + border)).all(-1)
            shade = cv2.remap(texture, (at * PER_MM - 0.5).astype(np.float32), None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=255)
            light = 45 + 165 * shade.astype(np.float32) / 255
            share = on.reshape(bottom - top, fine, right - left, fine).mean(axis=(1, 3))
            mean = np.where(on, light, 0).reshape(bottom - top, fine, right - left, fine).mean(axis=(1, 3))
            part = picture[top:bottom, left:right]
            picture[top:bottom, left:right] = part * (1 - share) + mean
    return spoiled(picture, camera, rng, spoil)


def spoiled(picture: np.ndarray, camera: Camera, rng: np.random.Generator, spoil: Spoil) -> np.ndarray:
    """Blur, vignetting, noise and JPEG."""
    import cv2

    height, width = picture.shape[:2]
    picture = picture.astype(np.float32)
    if spoil.blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), spoil.blur_px)
    y, x = ((np.arange(n, dtype=np.float32) + 0.5 - n / 2) for n in (height, width))
    fall = 1 - spoil.vignetting * (x[None] ** 2 + y[:, None] ** 2) * (4 / np.float32(height**2 + width**2))
    picture = picture * (fall if picture.ndim == 2 else fall[..., None])
    picture = picture + np.float32(spoil.noise) * rng.standard_normal(picture.shape, dtype=np.float32)
    grey = np.clip(picture + 0.5, 0, 255).astype(np.uint8)
    if not spoil.quality:
        return grey
    return cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, spoil.quality])[1], cv2.IMREAD_UNCHANGED)


@dataclass(frozen=True, kw_only=True)
class Rig:
    """A recording camera, a monitoring camera and the mount between them."""

    recording: Camera
    monitoring: Camera
    mount: Mount


def random_rig(rng: np.random.Generator, *, recording_px=(1920, 1012), monitoring_px=(1440, 1080), fisheye_deg=160.0) -> Rig:
    """18 mm rectilinear, a little barrel, and a fisheye of 160 degrees across, on a mount as drones have them."""
    k = (0.01 * rng.normal(), 0.004 * rng.normal())
    unit = Lens(projection="kannala-brandt", focal_mm=1.0, k=k)
    focal = 5.9 / 2 / float(unit.radius_mm(np.radians(fisheye_deg / 2)))
    recording = Camera(
        lens=Lens(projection="brown-conrady", focal_mm=18 * rng.uniform(0.97, 1.03), k=(-0.02 + 0.005 * rng.normal(), 0.004)),
        sensor_mm=(24.89, 24.89 * recording_px[1] / recording_px[0]),
        raster_px=recording_px,
        centre_px=tuple(np.array(recording_px) / 2 + rng.normal(scale=recording_px[0] * 0.003, size=2)),
    )
    monitoring = Camera(
        lens=Lens(projection="kannala-brandt", focal_mm=focal, k=k),
        sensor_mm=(5.9, 5.9 * monitoring_px[1] / monitoring_px[0]),
        raster_px=monitoring_px,
        centre_px=tuple(np.array(monitoring_px) / 2 + rng.normal(scale=monitoring_px[0] * 0.005, size=2)),
    )
    right, up, forward = rng.uniform((-25, 35, 0), (25, 85, 50))
    pan, tilt, roll = rng.normal(scale=(1.5, 4, 1))
    return Rig(recording=recording, monitoring=monitoring, mount=Mount(right_mm=right, up_mm=up, forward_mm=forward, pan_deg=pan, tilt_deg=tilt, roll_deg=roll))


def chart_positions(rig: Rig, chart: Chart, rng: np.random.Generator, *, both: int, wide: int):
    """Chart to recording camera: ``both`` that both cameras see, ``wide`` at the monitoring picture's outer parts."""
    middle = np.array([chart.columns, chart.rows, 0]) * chart.square_mm / 2
    out = []
    cells = [(x, y) for x in (0.2, 0.5, 0.8) for y in (0.22, 0.5, 0.78)]
    for i in range(both):
        share = np.array(cells[(4 * i) % 9]) + rng.uniform(-0.06, 0.06, size=2)
        ray = rig.recording.unproject(share * rig.recording.raster_px)[0]
        out.append(_placed(ray, rng.uniform(480, 1000), middle, rng))
    for i in range(wide):
        azimuth = 2 * np.pi * (i + rng.uniform(0, 0.5)) / wide
        angle = np.radians(rng.uniform(45, 66))
        ray = np.array([np.sin(angle) * np.cos(azimuth), 0.8 * np.sin(angle) * np.sin(azimuth), np.cos(angle)])
        turn, shift = _placed(ray / np.linalg.norm(ray), rng.uniform(260, 420), middle, rng)
        m = rig.mount
        out.append((m.recording_from_monitoring @ turn, m.recording_from_monitoring @ shift + m.translation_m * 1000))
    return out


def _placed(ray, distance, middle, rng):
    face = Rotation.align_vectors([ray], [[0, 0, 1]])[0]
    tilt = Rotation.from_rotvec(np.radians(rng.uniform(18, 42)) * np.append(_unit(rng.normal(size=2)), 0))
    spin = Rotation.from_rotvec([0, 0, rng.uniform(-0.5, 0.5)])
    turn = (face * tilt * spin).as_matrix()
    return turn, ray * distance - turn @ middle


def _unit(v):
    return v / np.linalg.norm(v)
