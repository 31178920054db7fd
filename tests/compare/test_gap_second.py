"""The second camera of a hidden cut: turn it, look through it, and compare with the run."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from gap_truth import LENSES, camera_of, frame_of

from framematch.compare import Opening, Run, match_second
from framematch.compare.second import blur_of_wall
from framematch.errors import InputError
from framematch.geometry.camera import Camera, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.mount import rotation_from_aim

PANE = Opening(width_m=1.2, height_m=0.9, sill_m=1.1)
RUN = Run(speed_m_s=8, up_m=0.1, climb_deg=5, tilt_deg=7, bank_deg=6)
SECOND = Camera(lens=Lens(projection="rectilinear", focal_mm=20), sensor_mm=(13.2, 7.425), raster_px=(3840, 2160))
SECOND_FRAME = frame_in(SECOND.raster_px, aspect=2.39)


@pytest.mark.parametrize("projection", ["rectilinear", "equisolid", "stereographic"])
@pytest.mark.parametrize("lens", LENSES.values(), ids=LENSES)
def test_match(lens: Lens, projection: str) -> None:
    camera, frame = camera_of(lens), frame_of()
    second = replace(SECOND, lens=Lens(projection=projection, focal_mm=20))
    match = match_second(camera, frame, PANE, RUN, second=second, second_frame=SECOND_FRAME, second_shutter_s=1 / 60, at_m=1.5)
    matched = replace(second, lens=Lens(projection=projection, focal_mm=match.focal_mm))
    assert matched.angles(SECOND_FRAME).horizontal == pytest.approx(camera.angles(frame).horizontal, rel=1e-9)
    assert matched.angles(SECOND_FRAME).vertical - camera.angles(frame).vertical == pytest.approx(match.vertical_off_deg, abs=1e-9)

    # Pan it for the shutter's time and see how far the middle of its frame has gone.
    middle = ((SECOND_FRAME.left + SECOND_FRAME.right) / 2, (SECOND_FRAME.top + SECOND_FRAME.bottom) / 2)
    ray = matched.unproject(middle)[0]
    turn = math.degrees(math.radians(match.pan_deg_s) / 60)
    gone = np.linalg.norm(matched.project(ray @ rotation_from_aim(pan_deg=turn / 2))[0] - matched.project(ray @ rotation_from_aim(pan_deg=-turn / 2))[0])
    assert 100 * gone / SECOND_FRAME.width == pytest.approx(match.blur_percent, rel=5e-3)

    # A far point level with the lens is at the same height in both frames.
    assert match.tilt_deg is not None
    share = []
    for cam, part, pose in (
        (camera, frame, RUN.opening_from_camera),
        (matched, SECOND_FRAME, rotation_from_aim(tilt_deg=match.tilt_deg, roll_deg=match.roll_deg)),
    ):
        level = pose[:, 2] * (1e9, 0, 1e9)
        share.append((cam.project(level @ pose)[0][1] - part.top) / part.height)
    assert share[0] == pytest.approx(share[1], abs=1e-9)
    assert 100 * share[0] == pytest.approx(match.horizon_percent)
    climbed = 1.5 * math.sin(math.radians(5))
    assert match.height_m == pytest.approx(1.1 + 0.45 + 0.1 - climbed, abs=1e-9)


def test_the_same_camera_needs_no_change() -> None:
    camera, frame = camera_of(LENSES["straight"]), frame_of()
    match = match_second(camera, frame, PANE, RUN, second=camera, second_frame=frame, second_shutter_s=RUN.shutter_s, at_m=2.0)
    assert match.focal_mm == pytest.approx(18)
    assert match.vertical_off_deg == pytest.approx(0, abs=1e-9)
    assert match.tilt_deg == pytest.approx(7, abs=1e-6)


def test_blur_of_the_wall_by_flying_it() -> None:
    """Carry points of the wall through the shutter's time and measure how long their traces are."""
    camera, frame = camera_of(LENSES["straight"]), frame_of()
    blur = blur_of_wall(camera, frame, Run(speed_m_s=2), at_m=5.0)
    rng = np.random.default_rng(3)
    pixels = np.stack([rng.uniform(frame.left, frame.right, 4000), rng.uniform(frame.top, frame.bottom, 4000)], axis=1)
    run = Run(speed_m_s=2)
    rays = camera.unproject(pixels)[0]
    points = run.camera_m(5.0) + rays * (5.0 / rays[:, 2])[:, None]
    half = 2 * run.shutter_s / 2
    trace = camera.project(run.seen_from(points, 5.0 - half))[0] - camera.project(run.seen_from(points, 5.0 + half))[0]
    assert blur == pytest.approx(np.median(np.linalg.norm(trace, axis=1)) / frame.width, rel=0.03)


def test_no_such_lens() -> None:
    wide = Camera(lens=Lens(projection="equidistant", focal_mm=7.0), sensor_mm=(24.89, 13.12), raster_px=(5760, 3036))
    with pytest.raises(InputError, match="no rectilinear lens"):
        match_second(wide, wide.picture, PANE, RUN, second=SECOND, second_frame=SECOND_FRAME, second_shutter_s=1 / 48, at_m=2.0)


def test_a_run_under_the_ground() -> None:
    with pytest.raises(InputError, match="below the ground"):
        match_second(
            camera_of(LENSES["straight"]), frame_of(), PANE, Run(climb_deg=60), second=SECOND, second_frame=SECOND_FRAME, second_shutter_s=1 / 48, at_m=5.0
        )
