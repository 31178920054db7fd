"""The horizon where the card says: measured in pictures that the renderers make of the recorded frame."""

from __future__ import annotations

import math

import numpy as np
import pytest
from outside import need

from framematch.flight import attitude
from framematch.geometry.camera import Camera, Display, Rect, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount, rotation_from_aim
from framematch.geometry.pairing import Pairing
from framematch.geometry.pose import Pose
from framematch.render import render
from framematch.scene.model import Scene, Surface
from framematch.shot.place import standing

EYE_M = 1.6


def _ring_of_wall() -> Scene:
    """A round wall 200 m off, dark below the camera's height and pale above: its seam is on the horizon from where the camera stands."""
    turn = np.linspace(0, 2 * np.pi, 721)[:-1]
    circle = np.stack([200 * np.sin(turn), np.zeros_like(turn), -200 * np.cos(turn)], axis=1)
    vertices, faces, colours = [], [], []
    for low, high, grey in ((-300.0, EYE_M, 20), (EYE_M, 300.0, 235)):
        start = len(vertices) * len(turn)
        vertices += [circle + [0, low, 0], circle + [0, high, 0]]
        here, after = start + np.arange(len(turn)), start + (np.arange(len(turn)) + 1) % len(turn)
        up = len(turn)
        faces += [np.stack([here, after + up, after], axis=1), np.stack([here, here + up, after + up], axis=1)]
        colours.append(np.full((2 * len(turn), 3), grey, dtype=np.uint8))
    both = np.concatenate(faces)
    return Scene(name="wall", surface=Surface(vertices=np.concatenate(vertices), faces=np.concatenate([both, both[:, ::-1]]), colours=np.concatenate(colours)))


SCENE = _ring_of_wall()


def _pairing(projection: str, k: tuple[float, ...], *, aim: float) -> Pairing:
    return Pairing(
        recording=Camera(lens=Lens(projection=projection, focal_mm=18, k=k), sensor_mm=(24.89, 13.12), raster_px=(5760, 3036), centre_px=(2871.0, 1540.0)),
        frame=frame_in((5760, 3036), aspect=2.39, keep_percent=92),
        monitoring=Camera(lens=Lens(projection="equidistant", focal_mm=5.9 / math.radians(118)), sensor_mm=(5.9, 4.425), raster_px=(1440, 1080)),
        display=Display(raster_px=(1280, 720), source_px=(1440, 1080)),
        mount=Mount(up_mm=58, forward_mm=31, tilt_deg=aim),
        near_m=1.5,
        far_m=30.0,
    )


def _turned(airframe_from_camera: np.ndarray) -> Pose:
    return Pose(a="airframe", b="recording", rotation=airframe_from_camera, translation_m=np.zeros(3))


def _seam_row(camera: Camera, part: Rect, scene_from_camera: Pose, renderer: str) -> float:
    """Row of the seam in the picture's own pixels, rendered in a strip up the middle column at full size."""
    middle = (part.left + part.right) / 2
    strip = Rect(left=middle - 4, top=part.top, right=middle + 4, bottom=part.top + math.floor(part.height))
    found = render(SCENE, camera.cropped(strip, (8, round(strip.height))), scene_from_camera, renderer=renderer)
    column = np.asarray(found.colour, dtype=np.float64).mean(axis=(1, 2))
    share = (column - column.min()) / np.ptp(column)
    row = int(np.flatnonzero(share < 0.5)[0])
    # Between the centres of the rows on either side of the half-way grey.
    return strip.top + row - 0.5 + (share[row - 1] - 0.5) / (share[row - 1] - share[row])


@pytest.mark.parametrize("renderer", ["rays", "gl"])
@pytest.mark.parametrize(("projection", "k"), [("rectilinear", ()), ("brown-conrady", (-0.02, 0.004)), ("kannala-brandt", (0.03, -0.01))])
@pytest.mark.parametrize(("percent", "pitch"), [(50.0, 6.3), (33.0, 14.0), (72.0, 2.5)])
def test_horizon_stands_at_the_asked_height_in_the_rendered_frame(projection: str, k: tuple[float, ...], percent: float, pitch: float, renderer: str) -> None:
    """Nose down by the pitch, the camera tilted as told: well within 1 px of the recorded picture's 5760 x 3036."""
    if renderer == "gl":
        from framematch.render.gl import missing

        need(not missing(), "GL")
    pairing = _pairing(projection, k, aim=-4.0)
    tilt = attitude.tilt_for_horizon(pairing, pitch_deg=pitch, percent=percent)
    airframe = standing((0.0, EYE_M, 0.0), pitch_deg=-pitch, of="airframe")
    mounted = _turned(rotation_from_aim(tilt_deg=tilt.recording_deg))
    row = _seam_row(pairing.recording, pairing.frame, airframe @ mounted, renderer)
    asked = pairing.frame.bottom - pairing.frame.height * percent / 100
    assert abs(row - asked) <= (0.25 if renderer == "rays" else 0.6), (row, asked)


def test_horizon_stands_where_told_on_the_goggles_display() -> None:
    pairing = _pairing("brown-conrady", (-0.02, 0.004), aim=-4.0)
    tilt = attitude.tilt_for_horizon(pairing, pitch_deg=9.0, percent=50)
    airframe = standing((0.0, EYE_M, 0.0), pitch_deg=-9.0, of="airframe")
    mounted = _turned(rotation_from_aim(tilt_deg=tilt.recording_deg) @ pairing.mount.recording_from_monitoring)
    part = pairing.display.source_shown
    row = _seam_row(pairing.monitoring, part, airframe @ mounted, "rays")
    assert abs(100 * (part.bottom - row) / part.height - tilt.monitoring_percent) <= 100 * 0.3 / part.height
