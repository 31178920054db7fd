"""The hidden cut: angle, blur and horizon alike on both sides; motion blur against the mean of many pictures."""

from itertools import pairwise

import numpy as np
import pytest

from framematch.compare.cut import BLUR_PERCENT, cut_of
from framematch.errors import InputError
from framematch.files.pairing import read_pairing
from framematch.files.shot import parse_shot
from framematch.geometry.pose import Pose
from framematch.render.blur import exposed
from framematch.render.cut_frames import cut_frames, frame_count, second_frame_camera
from framematch.render.pixels import frame_camera
from framematch.render.rays import render
from framematch.render.run_frames import Filming
from framematch.scene.open import scene_of
from framematch.shot.horizon import horizon_in
from framematch.shot.way import Straight

PAIRING = read_pairing("assets/examples/glasshouse.toml")
SHOT = parse_shot(
    PAIRING, "[gap]\nsize_m = [1.2, 0.9]\n[run]\nspeed_m_s = 6\ntilt_deg = -4\nbank_deg = 6\n[second]\nsensor_mm = [24.9, 14.0]\nrate_fps = 24\nat_m = 3.0\n"
)
WAY = Straight(scene_from_opening=SHOT.opening.scene_from_opening, run=SHOT.run, from_m=6.0, to_m=1.0)
CUT = cut_of(SHOT, PAIRING, WAY)


def test_the_cut_is_where_the_second_camera_s_table_says() -> None:
    assert CUT.time_s == pytest.approx(0.5, abs=1e-3)
    assert frame_count(CUT, 25) == int(CUT.duration_s * 25) + 1
    with pytest.raises(InputError, match="no second camera"):
        cut_of(parse_shot(PAIRING, "[gap]\nsize_m = [1.2, 0.9]\n"), PAIRING, WAY)


def test_angle_horizon_and_blur_are_alike_on_both_sides() -> None:
    first = PAIRING.recording.angles(PAIRING.frame).horizontal
    assert CUT.second_camera.angles(CUT.second.frame).horizontal == pytest.approx(first, abs=1e-3)
    ours = horizon_in(PAIRING.recording, PAIRING.frame, CUT.before(CUT.time_s))
    theirs = horizon_in(CUT.second_camera, CUT.second.frame, CUT.after(CUT.time_s))
    assert float(theirs[0]) == pytest.approx(float(ours[0]), abs=0.1)
    assert float(theirs[1]) == pytest.approx(float(ours[1]), abs=0.3)
    # A point far off in the middle of each frame, over each exposure: its way in percent of the frame's width.
    for camera, frame, pose_at, shutter in (
        (PAIRING.recording, PAIRING.frame, CUT.before, SHOT.run.shutter_s),
        (CUT.second_camera, CUT.second.frame, CUT.after, CUT.second.shutter_s),
    ):
        ray, _ = camera.unproject(((frame.left + frame.right) / 2, (frame.top + frame.bottom) / 2))
        far = pose_at(CUT.time_s).points(1e6 * ray)
        step = 1e-4
        (a, b), _ = camera.project([pose_at(CUT.time_s + side * step).inverse.points(far) for side in (-0.5, 0.5)])
        assert 100 * abs(b[0] - a[0]) / step * shutter / frame.width == pytest.approx(BLUR_PERCENT, rel=0.02)


def test_motion_blur_is_the_mean_of_many_pictures_in_linear_light() -> None:
    scene, camera = scene_of(SHOT), frame_camera(PAIRING, height_px=120)

    def draw(pose: Pose):  # type: ignore[no-untyped-def]
        return render(scene, camera, pose.matrix, quick=True)

    for time, share in ((0.1, 0.7), (0.42, 0.35)):  # flying alone, where grains of the texture flicker, and in the pan
        exposure = 1 / 48
        moments = [draw(CUT.before(time + exposure * ((i + 0.5) / 17 - 0.5))) for i in range(17)]
        mean = np.mean([(m.colour / 255.0) ** 2.2 for m in moments], axis=0)
        true = 255 * mean ** (1 / 2.2)
        drawn = []
        found = exposed(camera, moments[8], CUT.before, lambda pose, drawn=drawn: (drawn.append(1), draw(pose))[1], exposure_s=exposure, time_s=time)  # type: ignore[misc]
        sharp = np.abs(moments[8].colour - true).mean()
        assert np.abs(found - true).mean() < share * sharp
        assert len(drawn) <= 8


def test_the_film_changes_cameras_at_the_cut() -> None:
    scene = scene_of(SHOT)
    filming = Filming(frames_per_s=25, height_px=120)
    short = cut_of(SHOT, PAIRING, Straight(scene_from_opening=SHOT.opening.scene_from_opening, run=SHOT.run, from_m=4.0, to_m=1.0))  # at 0.17 s
    frames = [f for _, f in zip(range(7), cut_frames(scene, PAIRING, short, filming, run_shutter_s=SHOT.run.shutter_s), strict=False)]
    assert {f.shape for f in frames} == {frames[0].shape} and not any(n % 2 for n in frames[0].shape[:2])
    assert second_frame_camera(CUT, 120).raster_px[1] == 120
    # At the cut (frame 4.2) neighbouring frames differ no more than the pan's own frames do.
    steps = [np.abs(a[:120].astype(float) - b[:120]).mean() for a, b in pairwise(frames)]
    assert steps[4] < 2 * max(steps[1:4])
