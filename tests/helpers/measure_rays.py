"""Rendered truth by the project's ray renderer: a chart as a board with a picture on it, and rigs measured from stills of it.

Twenty rigs and the share of intervals that hold the truth (about a quarter of an hour on two cores):

    python tests/helpers/measure_rays.py
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from measure_scenes import Spoil, chart_positions, random_rig, spoiled

from framematch.geometry.camera import Camera, Display, frame_in
from framematch.geometry.pairing import Pairing
from framematch.measure.chart import CHARUCO, Chart, board, find_chart, parse_chart
from framematch.measure.corrected import guide_off_percent
from framematch.measure.lens import fit_lens
from framematch.measure.mount import MountFit, fit_mount
from framematch.render.rays import render
from framematch.scene.model import Scene, Surface

PER_MM = 8  # texels; the nearest stills take five samples to a millimetre
_ALIKE = 64  # texture sides are multiples of it, so that halving them loses no row
_BOARD_TO_SCENE = np.diag([1.0, -1.0, -1.0]) / 1000
DISTANCES_M = (1.5, 2.86, 30.0)


@lru_cache(maxsize=2)
def chart_board(chart: Chart) -> Scene:
    """The chart on white paper, its top left corner at the scene's origin, facing +z, in metres."""
    size = (round(chart.columns * chart.square_mm * PER_MM), round(chart.rows * chart.square_mm * PER_MM))
    if chart.kind == CHARUCO:
        printed = board(chart).generateImage(size, marginSize=0, borderBits=1)
    else:
        x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
        side = chart.square_mm * PER_MM
        printed = np.where((x // side + y // side) % 2 == 0, 0, 255).astype(np.uint8)
    border = round(2 * chart.square_mm / 3 * PER_MM)
    wide, tall = (-(-(n + 2 * border) // _ALIKE) * _ALIKE for n in size)
    paper = np.full((tall, wide), 255, dtype=np.uint8)
    paper[border : border + size[1], border : border + size[0]] = printed
    texture = np.repeat((50 + paper.astype(np.float32) * (200 / 255)).round().astype(np.uint8)[..., None], 3, axis=2)
    left = top = -border / PER_MM
    right, bottom = left + wide / PER_MM, top + tall / PER_MM
    corners_mm = np.array([(left, top, 0), (right, top, 0), (right, bottom, 0), (left, bottom, 0)])
    return Scene(
        name="chart",
        surface=Surface(
            vertices=corners_mm @ _BOARD_TO_SCENE,
            faces=np.array([(0, 2, 1), (0, 3, 2)]),
            colours=np.full((4, 3), 255, dtype=np.uint8),
            uv=np.array([(0.0, 1.0), (1.0, 1.0), (1.0, 0.0), (0.0, 0.0)]),
            texture=texture,
        ),
    )


def ray_still(camera: Camera, turn: np.ndarray, shift_mm: np.ndarray, chart: Chart, rng: np.random.Generator, spoil: Spoil = Spoil(), fine: int = 2):  # noqa: B008
    """The still (height, width) of a chart whose points X are at turn X + shift_mm in camera axes.

    Only the part of the picture that holds the chart is cast, ``fine`` x ``fine`` times as finely, and the mean taken.
    """
    import cv2

    width, height = camera.raster_px
    picture = np.full((height, width), 110.0, dtype=np.float32)
    picture += 25 * cv2.resize(rng.normal(size=(9, 12)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    scene = chart_board(chart)
    corners = scene.surface.vertices @ np.linalg.inv(_BOARD_TO_SCENE)
    edge = np.concatenate([a + np.linspace(0, 1, 40)[:, None] * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    px, ok = camera.project(edge @ turn.T + shift_mm)
    if ok.any():
        left, top = np.clip(np.floor(px[ok].min(axis=0)) - 3, 0, (width, height)).astype(int)
        right, bottom = np.clip(np.ceil(px[ok].max(axis=0)) + 3, 0, (width, height)).astype(int)
        if right - left > 1 and bottom - top > 1:
            pose = np.eye(4)
            pose[:3, :3] = 1000 * _BOARD_TO_SCENE @ turn.T
            pose[:3, 3] = -_BOARD_TO_SCENE @ turn.T @ shift_mm
            part = render(scene, window(camera, left, top, right, bottom, fine), pose)
            grey = part.colour[..., 1].astype(np.float32)
            blocks = (bottom - top, fine, right - left, fine)
            on = np.isfinite(part.distance_m).astype(np.float32)
            share = on.reshape(blocks).mean(axis=(1, 3))
            ground = picture[top:bottom, left:right]
            picture[top:bottom, left:right] = ground * (1 - share) + (grey * on).reshape(blocks).mean(axis=(1, 3))
    return spoiled(picture, camera, rng, spoil)


def window(camera: Camera, left: int, top: int, right: int, bottom: int, fine: int) -> Camera:
    """The camera reading out a part of its picture, ``fine`` pixels for each one across and down."""
    size = np.array([right - left, bottom - top])
    sensor = size / camera.pixels_per_mm
    centre = (np.array(camera.centre_px) - (left, top)) * fine
    return replace(
        camera,
        sensor_mm=(float(sensor[0]), float(sensor[1])),
        raster_px=(int(size[0]) * fine, int(size[1]) * fine),
        centre_px=(float(centre[0]), float(centre[1])),
    )


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """How far one measured rig is from the truth.

    Args:
        aim_deg, offset_mm, guide_percent: the worst of each.
        inside: for each of the six figures, whether its 95 % interval holds the truth.
    """

    aim_deg: float
    offset_mm: float
    guide_percent: float
    inside: tuple[bool, ...]


def measured_rig(seed: int, *, still=ray_still, both: int = 12, wide: int = 6) -> Outcome:
    """An 18 mm rectilinear and a 160 degree fisheye on one mount, measured from pairs of stills with noise, blur, JPEG and vignetting."""
    chart = parse_chart("A3")
    rng = np.random.default_rng(seed)
    rig = random_rig(rng, recording_px=(1440, 759), monitoring_px=(1280, 960))
    m = rig.mount
    sides = ([], [])
    for i, (turn, shift) in enumerate(chart_positions(rig, chart, rng, both=both, wide=wide)):
        seen = m.recording_from_monitoring.T
        at = ((rig.recording, turn, shift), (rig.monitoring, seen @ turn, seen @ (shift - m.translation_m * 1000)))
        for side, (camera, a, b) in zip(sides, at, strict=True):
            side.append(find_chart(still(camera, a, b, chart, rng, fine=2), chart, still=f"{i:02d}"))
    lenses = tuple(fit_lens([f for f in s if f], chart, sensor_mm=c.sensor_mm) for s, c in zip(sides, (rig.recording, rig.monitoring), strict=True))
    fit: MountFit = fit_mount(*sides, chart, cameras=lenses)
    off = {f.name: abs(f.value - getattr(m, f.name)) for f in fit.figures}
    measured, true = pairing_of(*fit.cameras, m=fit.mount), pairing_of(rig.recording, rig.monitoring, m=m)
    return Outcome(
        aim_deg=max(v for n, v in off.items() if n.endswith("_deg")),
        offset_mm=max(v for n, v in off.items() if n.endswith("_mm")),
        guide_percent=max(guide_off_percent(measured, true, d) for d in DISTANCES_M),
        inside=tuple(off[f.name] <= f.half_95 for f in fit.figures),
    )


def pairing_of(recording: Camera, monitoring: Camera, *, m) -> Pairing:
    """The rig with a frame of 2.39:1, 92 % kept, over 1.5 to 30 m."""
    return Pairing(
        recording=recording,
        frame=frame_in(recording.raster_px, aspect=2.39, keep_percent=92),
        monitoring=monitoring,
        display=Display(raster_px=(1280, 720), source_px=monitoring.raster_px),
        mount=m,
        near_m=1.5,
        far_m=30.0,
    )


def main(count: int = 20, first: int = 900) -> None:
    """Measure rigs and print how they come out."""
    found = []
    for seed in range(first, first + count):
        found.append(measured_rig(seed))
        print(f"rig {seed - first}: aim {found[-1].aim_deg:.4f} deg, offset {found[-1].offset_mm:.3f} mm, guide {found[-1].guide_percent:.3f} %", flush=True)
    worst = {name: max(getattr(f, name) for f in found) for name in ("aim_deg", "offset_mm", "guide_percent")}
    inside = [i for f in found for i in f.inside]
    print(
        f"{count} rigs: aim {worst['aim_deg']:.4f} deg, offset {worst['offset_mm']:.3f} mm, guide {worst['guide_percent']:.3f} %, "
        f"intervals cover {100 * np.mean(inside):.1f} % of {len(inside)}"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
