"""What is packed for the browser: whole, true to the cameras, kept on disk only as long as it is what it says."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from live_compare import pairs
from rigs import glasshouse
from scipy.spatial.transform import Rotation

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.live import kept
from framematch.live.component import Hand, hand_of
from framematch.live.grids import FRAME_CELLS, WIDE_CELLS, lensed
from framematch.live.parts import head_of, packed, whole
from framematch.live.path_part import shot_path
from framematch.live.rig_part import rig_part, without_focal
from framematch.live.scene_part import scene_part
from framematch.scene.model import Scene, Surface
from framematch.shot.opening import Opening
from framematch.shot.path import Path as Path_
from framematch.shot.run import Run
from framematch.shot.shot import Shot


def _array(part: bytes, name: str) -> np.ndarray:
    head = head_of(part)
    at = head["arrays"][name]
    start = 4 + int.from_bytes(part[:4], "little") + at["at"]
    return np.frombuffer(part, dtype={"f4": np.float32, "u1": np.uint8}[at["type"]], count=at["count"], offset=start)


def _bilinear(table: np.ndarray, at: np.ndarray) -> np.ndarray:
    low = np.clip(np.floor(at).astype(int), 0, np.array(table.shape[1::-1]) - 2)
    s = (at - low)[..., None]
    (x, y), (u, v) = np.moveaxis(low, -1, 0), np.moveaxis(s, -2, 0)
    return (1 - v) * ((1 - u) * table[y, x] + u * table[y, x + 1]) + v * ((1 - u) * table[y + 1, x] + u * table[y + 1, x + 1])


def test_parts_say_what_they_hold_and_notice_a_changed_byte() -> None:
    values = np.arange(7, dtype=np.float32)
    part = packed("rig", {"word": "ö"}, {"odd": b"abc", "values": values})
    assert whole(part) and head_of(part)["word"] == "ö" and np.array_equal(_array(part, "values"), values)
    assert (4 + int.from_bytes(part[:4], "little")) % 4 == 0 == head_of(part)["arrays"]["values"]["at"] % 4
    for i in (len(part) - 1, part.index(b"abc")):
        assert not whole(part[:i] + bytes([part[i] ^ 1]) + part[i + 1 :])
    assert not whole(b"") and not whole(part[:-4])


@pytest.mark.parametrize("name", sorted(pairs()))
def test_between_its_corners_the_ray_grid_is_true_to_a_fifth_of_a_pixel(name: str) -> None:
    pairing = pairs()[name]
    camera, shown = pairing.display_camera, pairing.display.shown
    tables = lensed(camera, shown, WIDE_CELLS)
    dice = np.random.default_rng(3)
    share = dice.uniform(0, 1, (4000, 2))
    grid = _bilinear(tables.rays.astype(float), share * WIDE_CELLS)
    true, ok = camera.unproject(share * (shown.width, shown.height) + (shown.left, shown.top))
    assert np.mean((grid[:, 3] >= 0) == ok) > 0.998  # where the picture ends, within a cell
    near_end = np.abs(grid[:, 3]) < 0.02
    back, imaged = camera.project(grid[:, :3])
    want = share * (shown.width, shown.height) + (shown.left, shown.top)
    off = np.linalg.norm(back - want, axis=1)
    usual = ok & imaged & ~near_end
    ahead = usual & (true[:, 2] > np.cos(np.radians(110)))
    assert np.count_nonzero(ahead) > 2000 and off[ahead].max() < 0.2
    assert off[usual].max() < 0.7  # far behind the camera only the circular fisheye sees


@pytest.mark.parametrize("name", sorted(pairs()))
def test_a_rung_below_spread_from_the_axis_is_the_lens_itself(name: str) -> None:
    """The scale that the browser uses is exact for every lens; what is left is the tables' own step."""
    pairing = pairs()[name]
    camera, frame = pairing.recording, pairing.frame
    focal = camera.lens.focal_mm
    rung = lensed(replace(camera, lens=replace(camera.lens, focal_mm=focal / 1.4)), frame, FRAME_CELLS)
    spread = focal / rung.focal_mm
    dice = np.random.default_rng(5)
    share = dice.uniform(0.02, 0.98, (3000, 2))
    px = share * (frame.width, frame.height) + (frame.left, frame.top)
    rays, ok = camera.unproject(px)
    height = 540 / frame.height  # pixels as the page shows them
    grid = _bilinear(rung.rays.astype(float), (rung.centre + (share - rung.centre) / spread) * FRAME_CELLS)
    shown = camera.project(grid[:, :3])[0]
    assert np.linalg.norm(shown - px, axis=1)[ok].max() * height < 0.3
    plane = rays[:, :2] / (1 + rays[:, 2:])
    at = (plane - rung.low) / (rung.high - rung.low) * (rung.table.shape[0] - 1)
    found = rung.centre + (_bilinear(rung.table.astype(float), at) - rung.centre) * spread
    assert (np.abs(found - share)[ok] * (frame.width, frame.height)).max() * height < 0.3


def test_past_the_end_of_its_domain_a_table_stays_far_outside_and_finite() -> None:
    camera = Camera(lens=Lens(projection="kannala-brandt", focal_mm=8.0, k=(-0.05, -0.02)), sensor_mm=(36.0, 24.0), raster_px=(360, 240))
    tables = lensed(camera, camera.picture, FRAME_CELLS)
    assert np.isfinite(tables.rays).all() and np.isfinite(tables.table).all()
    assert (tables.rays[..., 3] < 0).any() and math.cos(camera.lens.end_rad) == pytest.approx(tables.end_cos)


def test_a_rig_with_a_range_does_not_change_with_its_own_focal_length() -> None:
    rig = glasshouse()
    longer = replace(rig, recording=replace(rig.recording, lens=replace(rig.recording.lens, focal_mm=35.0)))
    assert rig_part(rig, focals_mm=(4.0, 100.0)) == rig_part(longer, focals_mm=(4.0, 100.0)) != rig_part(rig)
    assert without_focal(rig) == without_focal(longer)
    rungs = [rung["focal"] for rung in head_of(rig_part(rig, focals_mm=(4.0, 100.0)))["frame"]["rungs"]]
    assert rungs[0] == 4.0 and rungs[-1] >= 100.0 and all(b / a < 1.42 for a, b in pairwise(rungs))


def test_a_path_is_the_shots_own_poses() -> None:
    shot = Shot(openings=(Opening(width_m=2, height_m=1, middle_m=(5, 1, 2), heading_deg=90),), run=Run(speed_m_s=6, pan_deg=4, tilt_deg=-8, bank_deg=5))
    part = shot_path(shot, (1.0, 3.0))
    head, stops, run, before = head_of(part), _array(part, "stops").reshape(-1, 7), _array(part, "run").reshape(-1, 7), _array(part, "before")
    for rows, distances in ((stops, np.array([1.0, 3.0])), (run, before)):
        poses = shot.scene_from_recording(distances)
        assert np.allclose(rows[:, :3] + head["origin"], poses.translation_m, atol=1e-5)
        assert np.allclose(Rotation.from_quat(rows[:, 3:]).as_matrix(), poses.rotation, atol=1e-6)
    assert np.allclose(-np.diff(before) * head["rate"], 6, atol=1e-3) and abs(before[head["crossing"]]) < 0.06
    ring = np.array(head["openings"][0])  # flown along +x: it stands across
    assert ring[:, 0] == pytest.approx(np.full(len(ring), 5.0)) and np.ptp(ring[:, 2]) == pytest.approx(2.0) and np.ptp(ring[:, 1]) == pytest.approx(1.0)


def test_a_flown_course_leans_in_the_live_run_as_it_does_elsewhere() -> None:
    course = Path_(points_m=np.array([[0.0, 1.5, 9.0], [0.5, 1.6, 3.0], [0.0, 1.5, -3.0]]), times_s=np.array([0.0, 1.5, 3.0]))
    shot = Shot(openings=(Opening(width_m=2, height_m=1),), course=course)
    part = shot_path(shot, (1.0,))
    head, run, before = head_of(part), _array(part, "run").reshape(-1, 7), _array(part, "before")
    flown = shot.flown
    assert flown is not None and len(run) == pytest.approx(flown.duration_s * head["rate"], abs=1)
    poses = flown.recording(np.arange(len(run)) / head["rate"])
    assert np.allclose(run[:, :3] + head["origin"], poses.translation_m, atol=1e-5)
    assert np.allclose(Rotation.from_quat(run[:, 3:]).as_matrix(), poses.rotation, atol=1e-6)
    assert before[0] > 8 > 0 > before[-1] and abs(before[head["crossing"]]) < 0.1


def test_scenes_are_kept_and_taken_again_only_if_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(kept.sys, "platform", "linux")
    surface = Surface(vertices=np.eye(3), faces=np.array([[0, 1, 2]]), colours=np.full((3, 3), 9, dtype=np.uint8))
    made = []

    def make() -> bytes:
        made.append(1)
        return scene_part(Scene(name="three", surface=surface))

    first = kept.kept_scene(("three", 1), make)
    assert kept.kept_scene(("three", 1), make) == first and len(made) == 1
    (file,) = (tmp_path / "framematch").iterdir()
    file.write_bytes(first[:-1] + b"\0")
    assert kept.kept_scene(("three", 1), make) == first and len(made) == 2
    assert kept.kept_scene(("three", 2), make) == first and len(made) == 3
    monkeypatch.setenv("XDG_CACHE_HOME", str(file))  # no folder: nothing is kept, nothing is said
    assert kept.kept_scene(("three", 1), make) == first


@pytest.mark.parametrize("said", [None, {}, {"hand": 3}, {"hand": {"n": 1, "distance_m": "2", "focal_mm": 0}}, {"hand": {"n": 1}}])
def test_what_no_hand_does_is_not_taken(said: object) -> None:
    assert hand_of(said) is None


def test_what_a_hand_does_is_taken() -> None:
    assert hand_of({"hand": {"n": 1, "distance_m": 2, "focal_mm": None, "more": "x"}}) == Hand(n=1, distance_m=2.0, focal_mm=None)
