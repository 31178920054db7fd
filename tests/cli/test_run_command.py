"""The run as a film: decoded again, its frames counted, timed and measured against the core's projection."""

from __future__ import annotations

import math
import os
import re
import signal
import subprocess
import sys
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from at_length import sample
from PIL import Image
from rigs import glasshouse
from typer.testing import CliRunner

from framematch.cli import app
from framematch.cli.shot import ShotOptions, subjects_asked
from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.guide.shown import shown_in, speed
from framematch.render.run_frames import Filming, before_gap_m, frame_times, gap_share, layout, lean_in_words, run_frames, where_in_words
from framematch.render.video import write_video
from framematch.render.views import frame_camera, wide_camera_and_bars
from framematch.scene.model import Light, Scene, Surface
from framematch.scene.open import scene_of
from framematch.scene.registry import places
from framematch.shot.flown import Flown
from framematch.shot.opening import Opening
from framematch.shot.path import Heading
from framematch.shot.path import Path as CurvedPath
from framematch.shot.place import Place
from framematch.shot.run import Run
from framematch.shot.shot import Shot
from framematch.shot.timing import timed
from framematch.shot.way import Straight

av = pytest.importorskip("av")
pytest.importorskip("trimesh")

SIDE_M = 0.12
FLAT = Light(sun=(0.0, 0.0, 0.0), ambient=(1.0, 1.0, 1.0), sky_zenith=(0.1, 0.1, 0.1), sky_horizon=(0.1, 0.1, 0.1))


def _marker(x: float, y: float, z: float) -> Scene:
    """One red square that faces the rig, before a dark sky, with a gap at the origin."""
    h = SIDE_M / 2
    vertices = np.array([(x - h, y - h, z), (x + h, y - h, z), (x + h, y + h, z), (x - h, y + h, z)])
    surface = Surface(vertices=vertices, faces=np.array([(0, 1, 2), (0, 2, 3)]), colours=np.tile(np.array([[255, 0, 0]], dtype=np.uint8), (4, 1)))
    return Scene(name="marker", surface=surface, light=FLAT, opening=Opening(middle_m=(0.0, 1.4, 0.0), width_m=1.0, height_m=1.0))


def _redness(picture: np.ndarray) -> np.ndarray:
    return np.clip(picture[..., 0].astype(float) - picture[..., 1:].max(axis=-1) - 40, 0, None)


def _middle(redness: np.ndarray) -> np.ndarray:
    y, x = np.mgrid[: redness.shape[0], : redness.shape[1]]
    return np.array([(redness * (x + 0.5)).sum(), (redness * (y + 0.5)).sum()]) / redness.sum()


@pytest.mark.parametrize("rate", [24, 25, 30, 60])
def test_frames_last_as_long_as_the_run(rate: int) -> None:
    run = Flown(course=timed(((0, 1, 6), (0, 1, 0)), 4.0))  # 1.5 s
    times = frame_times(run, rate)
    assert len(times) == math.floor(1.5 * rate) + 1
    assert times[1] == Fraction(1, rate) and times[-1] <= Fraction(3, 2) < times[-1] + Fraction(1, rate)


def test_a_film_shows_each_moment_where_and_when_it_is(tmp_path: Path) -> None:
    """The marker in every decoded frame lies where the core projects it for the pose at that frame's own time stamp."""
    scene, pairing = _marker(0.35, 1.25, -1.0), glasshouse()
    run = Straight(scene_from_opening=scene.scene_from_opening, run=Run(speed_m_s=7.0), from_m=4.0, to_m=0.5)
    filming = Filming(frames_per_s=24, height_px=240)
    file = tmp_path / "run.mp4"
    assert write_video(file, run_frames(scene, pairing, run, filming), frames_per_s=24) == 13
    place = layout(pairing, filming)
    with av.open(str(file)) as container:
        stream = container.streams.video[0]
        assert stream.average_rate == 24 and (stream.width, stream.height) == place.size
        frames = [(frame.time, frame.to_ndarray(format="rgb24", src_colorspace="ITU709")) for frame in container.decode(stream)]
    assert [t for t, _ in frames] == pytest.approx([i / 24 for i in range(13)], abs=1e-6)
    misses = []
    for seconds, picture in frames:
        pose = run.pose(seconds)
        narrow = picture[place.head : place.head + 240, place.second : place.second + place.frame_px[0]]
        at = pose.inverse.points((0.35, 1.25, -1.0))
        expected, ok = frame_camera(pairing, height_px=240).project(at[:3])
        assert ok
        misses.append(np.linalg.norm(_middle(_redness(narrow)) - expected))
    assert np.median(misses) < 0.3 and max(misses) < 0.8, misses
    last = frames[-1][1]
    assert (
        abs(last[: place.head].mean() - last[place.head : place.head + 200, place.pad : place.pad + 200].mean()) > 5
    )  # labels' ground differs from the picture


def test_the_goggles_view_is_on_time_too(tmp_path: Path) -> None:
    scene, pairing = _marker(-0.4, 1.6, -1.0), glasshouse()
    run = Straight(scene_from_opening=scene.scene_from_opening, run=Run(speed_m_s=5.0), from_m=2.0, to_m=1.0)
    filming = Filming(frames_per_s=25, height_px=240)
    place = layout(pairing, filming)
    camera, _ = wide_camera_and_bars(pairing, height_px=240)
    for index, picture in enumerate(run_frames(scene, pairing, run, filming)):
        pose = run.pose(index / 25)
        at = pose.inverse.points((-0.4, 1.6, -1.0))
        seen = pairing.mount.recording_from_monitoring.T @ (at - pairing.mount.translation_m)
        expected, _ = camera.project(seen)
        wide = picture[place.head : place.head + 240, place.pad : place.pad + place.wide_px[0]]
        assert np.linalg.norm(_middle(_redness(wide)) - expected) < 0.8


@pytest.mark.at_length
def test_motion_blur_is_as_long_as_speed_and_shutter_make_it() -> None:
    """Sideways at 6 m/s before a marker 3 m away, 360 degrees at 25 frames per second: 1/25 s, 0.24 m there."""
    scene, pairing = _marker(0.0, 1.4, -3.0), glasshouse()
    run = Flown(course=timed(((-0.36, 1.4, 0.0), (0.36, 1.4, 0.0)), 6.0, heading=Heading(held_deg=0.0)))
    camera = frame_camera(pairing, height_px=240)
    place = layout(pairing, Filming(height_px=240))

    def width(shutter_deg: float | None) -> float:
        """Of the smear at the marker's middle row, at half its brightest linear light, in pixels."""
        filming = Filming(frames_per_s=25, shutter_deg=shutter_deg, moments=15, height_px=240)
        frames = run_frames(scene, pairing, run, filming)
        next(frames)
        picture = next(frames)  # at x = -0.12 m
        row = picture[place.head + 120, place.second : place.second + place.frame_px[0], 0].astype(float)
        light = (row / 255) ** 2.2
        return float((light > (light.max() + light.min()) / 2).sum())

    per_m = float(np.ptp(camera.project([(-0.06, 0, 3.0), (0.06, 0, 3.0)])[0][:, 0]) / 0.12)
    assert width(None) == pytest.approx(SIDE_M * per_m, abs=1.5)
    assert width(360.0) == pytest.approx(6.0 / 25 * per_m, abs=3.0)  # twice the marker's width: the smear's own length


def test_a_smear_takes_as_many_moments_as_it_is_long() -> None:
    """Without gaps: along the smear of a narrow marker, linear light dips by no more than a few percent."""
    scene, pairing = _marker(0.0, 1.4, -1.2), glasshouse()
    run = Flown(course=timed(((-0.36, 1.4, 0.0), (0.36, 1.4, 0.0)), 6.0, heading=Heading(held_deg=0.0)))
    place = layout(pairing, Filming(height_px=240))
    frames = run_frames(scene, pairing, run, Filming(frames_per_s=25, shutter_deg=180.0, height_px=240))
    next(frames)
    picture = next(frames)
    light = (picture[place.head + 120, place.second : place.second + place.frame_px[0], 0] / 255.0) ** 2.2
    smear = np.flatnonzero(light > 0.2)
    assert len(smear) > 60 and (np.diff(smear) == 1).all()
    steps = np.abs(np.diff(light))
    assert steps.max() < 0.12  # a few copies would step by a quarter or more


@pytest.mark.parametrize("rate", [24, 25, 30])
def test_a_gif_keeps_time_to_a_hundredth(tmp_path: Path, rate: int) -> None:
    file = tmp_path / "run.gif"
    dice = np.random.default_rng(rate)
    frames = [np.repeat(np.repeat(dice.integers(0, 255, (8, 12, 3), dtype=np.uint8), 4, axis=0), 4, axis=1) for _ in range(20)]
    assert write_video(file, iter(frames), frames_per_s=rate) == 20
    ends = []
    with Image.open(file) as picture:
        assert picture.n_frames == 20 and picture.size == (48, 32)
        for i in range(20):
            picture.seek(i)
            ends.append((ends[-1] if ends else 0) + picture.info["duration"])
            assert np.abs(np.asarray(picture.convert("RGB")).astype(int) - frames[i]).mean() < 16
    assert ends == pytest.approx([1000 * (i + 1) / rate for i in range(20)], abs=5.01)


def test_where_the_rig_is_is_said_in_words() -> None:
    scene = _marker(0, 1, -1)
    run = Straight(scene_from_opening=scene.scene_from_opening, run=Run(speed_m_s=4), from_m=6, to_m=-2)
    assert where_in_words(scene, run, 0.0) == "6.0 m before the gap"
    assert where_in_words(scene, run, 1.5) == "in the gap"
    assert where_in_words(scene, run, 2.0) == "2.0 m past the gap"
    with shown_in("imperial"):
        assert where_in_words(scene, run, 0.0) == "19.7 ft before the gap" and speed(4) == "8.9 mph"
    assert gap_share(scene, run) == pytest.approx(0.75, abs=1e-6)
    assert before_gap_m(scene, run.pose(1.0)) == pytest.approx(2.0)
    away = Flown(course=timed(((0, 1, 6), (3, 1, 6)), 5.0))
    assert gap_share(scene, away) is None


def test_a_leaning_flight_says_what_it_does() -> None:
    # A level circle at 6 m/s and 12 m radius turns by v / r and banks by atan(v^2 / (r g)): 28.6 deg/s, 17 deg (FAA handbook's formula).
    turn = np.linspace(0, np.pi, 25)
    circle = CurvedPath(points_m=np.stack([12 * (1 - np.cos(turn)), 0 * turn + 2, -12 * np.sin(turn)], axis=-1), times_s=2 * turn, start_m_s=6, end_m_s=6)
    flown = Flown(course=circle)
    assert lean_in_words(flown, flown.duration_s / 2) == "turning right 29 deg/s, right side down 17 deg"
    assert lean_in_words(Flown(course=timed(((0, 1, 6), (0, 1, 0)), 4.0)), 0.5) == "level"
    braking = lean_in_words(Flown(course=timed(((0, 1, 6), (0, 1, 0)), [0, 0])), 2.0)
    assert braking.startswith("braking ") and ", nose up " in braking


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    file = tmp_path / "rig.toml"
    file.write_text(STARTER)
    return file


def test_run_writes_a_film_and_says_what_it_is(rig: Path, tmp_path: Path) -> None:
    out = tmp_path / "run.mp4"
    arguments = [
        "run",
        str(rig),
        "--scene",
        "window",
        "--gap",
        "1.2x0.9",
        "--speed",
        "10",
        "--from",
        "2",
        "--to",
        "-1",
        "--fps",
        "30",
        "--picture-height",
        "120",
    ]
    result = CliRunner().invoke(app, [*arguments, "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert "10 frames, 0.33 s at 30 frames per second, 3.0 m flown" in result.output
    assert "pilot decide" in result.output
    with av.open(str(out)) as container:
        assert sum(1 for _ in container.decode(video=0)) == 10


def test_run_flies_a_path_and_writes_it_for_3d_programs(rig: Path, tmp_path: Path) -> None:
    points, out = tmp_path / "way.csv", tmp_path / "way.glb"
    points.write_text("0,1.4,6\n0.4,1.5,2\n0,1.35,-2\n")
    result = CliRunner().invoke(app, ["run", str(rig), "--path", str(points), "--bank", "turn", "--units", "imperial", "--out", str(out)])
    assert result.exit_code == 0, result.output
    assert out.read_bytes()[:4] == b"glTF" and re.search(r"flying 2\d\.\d ft in ", result.output)


def test_a_mesh_is_flown_through_the_opening_that_is_pointed_at(tmp_path: Path) -> None:
    import trimesh

    file = tmp_path / "hall.ply"
    trimesh.creation.box(extents=(4, 3, 4)).export(file)
    rig = tmp_path / "rig.toml"
    rig.write_text(STARTER)
    gap = {"gap": "1.2x0.9", "gap_at": "2,0.5,1", "gap_heading": 90.0}
    asked = ShotOptions(scene=str(file), **gap).asked(parse_pairing(STARTER), rig)
    scene = scene_of(asked)
    pose = scene.scene_from_recording(asked.run, 5.0)
    assert pose.translation_m == pytest.approx((-3, 0.5, 1)) and pose.rotation[:, 2] == pytest.approx((1, 0, 0))
    assert before_gap_m(scene, pose) == pytest.approx(5)
    assert asked.opening.sill_m == pytest.approx(0.05 + 1.5)  # over the mesh's lowest point
    plain = scene_of(ShotOptions(scene=str(file)).asked(parse_pairing(STARTER), rig))
    assert plain.scene_from_recording(Run(), 5.0).translation_m == pytest.approx((0, 0, 7))


def test_help_names_every_scene() -> None:
    for command in ("run", "view"):
        said = " ".join(CliRunner().invoke(app, [command, "--help"], env={"COLUMNS": "200"}).output.split())
        assert all(name in said for name in places())


def test_people_stand_where_they_are_put() -> None:
    asked = Shot(place=Place(scene="underpass"))
    vertices = scene_of(asked, figures=subjects_asked(["0.4,3", "-0.9,4,1.2"])).surface.vertices
    for x, z, height in ((0.4, 3.0, 1.75), (-0.9, 4.0, 1.2)):
        near = vertices[np.hypot(vertices[:, 0] - x, vertices[:, 2] - z) < 0.15]
        assert near[:, 1].max() == pytest.approx(height, abs=0.01)


def test_shape_and_sill_reach_the_scene(rig: Path) -> None:
    """On top of the scene's own opening where the file has none."""
    gap = ShotOptions(scene="window", gap="0.8x0.8", shape="circle", sill=1.3).asked(parse_pairing(STARTER), rig).opening
    assert (gap.shape, gap.sill_m, gap.width_m, gap.thickness_m) == ("circle", 1.3, 0.8, 0.3)
    assert gap.scene_from_opening.translation_m == pytest.approx((0, 1.7, 0.15))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--shape", "star"], "rectangle, arch or circle"),
        (["--sill", "-1"], "gap.sill_m"),
        (["--gap-at", "0,0.2,2"], "below the ground"),
        (["--gap-at", "0,1"], "not a valid place"),
        (["--subject", "1"], "not a valid place"),
        (["--subject", "1,2,30"], "not a subject's height"),
        (["--fps", "23"], "24, 25, 30, 60"),
        (["--shutter", "400"], "at most 360"),
        (["--shutter", "nan"], "not a shutter angle"),
        (["--speed", "0"], "run.speed_m_s"),
        (["--speed", "0.01", "--from", "100"], "a shorter way"),
        (["--from", "1", "--to", "2"], "forwards"),
        (["--gap", "big"], "1.2x0.9"),
        (["--scene", "moon"], "no scene"),
        (["--bank", "left"], "degrees, or turn"),
        (["--path", "gone.csv"], "no such file"),
        (["--out", "run.avi"], ".mp4 or .gif"),
        (["--out", "run.gif", "--fps", "60"], "hundredths of a second"),
        (["--out", "run.gif", "--speed", "0.1", "--from", "9"], "too many for a GIF"),
        (["--out", "nowhere/run.mp4"], "folder"),
        (["--picture-height", "5000"], "120 to 1080"),
        (["--renderer", "fast"], "not a renderer"),
    ],
)
def test_what_can_not_be_filmed_gets_one_line_and_no_file(rig: Path, tmp_path: Path, arguments: list[str], says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    result = CliRunner().invoke(app, ["run", str(rig), "--picture-height", "120", *arguments])
    assert isinstance(result.exception, InputError), result.output
    assert says in str(result.exception) and "\n" not in str(result.exception)
    assert sorted(tmp_path.iterdir()) == before


def test_what_breaks_half_way_leaves_no_file(tmp_path: Path) -> None:
    def frames() -> object:
        yield np.zeros((32, 48, 3), dtype=np.uint8)
        yield np.zeros((32, 48, 3), dtype=np.uint8)
        raise KeyboardInterrupt

    for name in ("run.mp4", "run.gif"):
        with pytest.raises(KeyboardInterrupt):
            write_video(tmp_path / name, frames(), frames_per_s=25)
        assert list(tmp_path.iterdir()) == []


def members(group: int) -> list[int]:
    """Processes of a group, by /proc."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            after_name = stat.read_text().rpartition(")")[2].split()
        except OSError:  # gone meanwhile
            continue
        if int(after_name[2]) == group and after_name[0] != "Z":
            found.append(int(stat.parent.name))
    return found


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="counts processes by /proc")
@pytest.mark.parametrize("to", sample(["the first alone"], ["all of them, as a terminal does", "the first alone"]))
def test_ctrl_c_leaves_the_file_that_was_there_and_no_process(rig: Path, tmp_path: Path, to: str) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    out = folder / "run.mp4"
    out.write_bytes(b"an older film")
    command = [sys.executable, "-m", "framematch", "run", str(rig), "--scene", "window", "--speed", "0.2", "--picture-height", "120", "--workers", "2"]
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    process = subprocess.Popen(
        [*command, "--out", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=env,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background jobs ignore it, and so would this
    )
    try:
        limit = time.monotonic() + 120
        while len(list(folder.iterdir())) < 2 or len(members(process.pid)) < 3:  # the film being written beside it, by itself and two that draw
            assert process.poll() is None and time.monotonic() < limit
            time.sleep(0.05)
        time.sleep(1.0)
        if to == "the first alone":
            process.send_signal(signal.SIGINT)
        else:
            os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=60)
        limit = time.monotonic() + 30
        while left := members(process.pid):
            assert time.monotonic() < limit, left
            time.sleep(0.1)
    finally:
        if members(process.pid):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    assert process.returncode == 130 and "Stopped; nothing was written." in said and "Traceback" not in said
    assert [p.name for p in folder.iterdir()] == ["run.mp4"]
    assert out.read_bytes() == b"an older film"
