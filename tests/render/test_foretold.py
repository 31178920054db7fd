"""The recorded frame foretold from the goggles' picture: on a real pair, on drawn markers, and in clips of odd kinds."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from outside import need
from PIL import Image
from rigs import glasshouse, straight
from typer.testing import CliRunner

from framematch.cli import app
from framematch.errors import InputError
from framematch.files.starter import STARTER
from framematch.geometry.camera import Display, Rect
from framematch.geometry.mount import Mount
from framematch.geometry.pairing import Pairing
from framematch.guide.foretold import foretold, source_fit
from framematch.guide.transfer import to_display, to_recorded
from framematch.render.foretold import write_foretold

SCRIPT = Path(__file__).parents[2] / "assets" / "make_wheel_picture.py"
RATE = 25


def test_the_wheel_of_a_real_pair_lies_where_it_was_recorded(tmp_path: Path) -> None:
    """scikit-image's motorcycle pair with measured disparity: details of the foretold frame, found again by correlation alone."""
    need(importlib.util.find_spec("skimage") is not None, "scikit-image")
    import cv2
    import skimage.data

    spec = importlib.util.spec_from_file_location("make_wheel_picture", SCRIPT)
    assert spec and spec.loader
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    left, right, disparity = skimage.data.stereo_motorcycle()
    wheel_m, wall_m = script.wheel_and_wall_m(disparity)
    area: Rect = script.WHEEL_IN_RIGHT
    truth = cv2.cvtColor(right[int(area.top) : int(area.bottom), int(area.left) : int(area.right)], cv2.COLOR_RGB2GRAY)
    Image.fromarray(left).save(tmp_path / "goggles.png")

    def off_px(distance_m: float) -> np.ndarray:
        write_foretold(tmp_path / "frame.png", tmp_path / "goggles.png", script.pairing(), distance_m=distance_m, height_px=truth.shape[0])
        made = cv2.cvtColor(np.asarray(Image.open(tmp_path / "frame.png")), cv2.COLOR_RGB2GRAY)
        assert made.shape == truth.shape
        corners = cv2.goodFeaturesToTrack(truth[20:-20, 20:-20], 200, 0.02, 4).reshape(-1, 2) + 20
        # Only what stands at the wheel's distance: its depth is measured, in the left picture.
        left_px, _ = to_display(script.pairing(), corners + (area.left + 0.5, area.top + 0.5), 1 / wheel_m)
        column, row = np.floor(left_px).astype(int).T
        depth = script.depth_m(disparity[row, column])
        corners = corners[np.abs(depth / wheel_m - 1) < 0.01]
        assert len(corners) >= 10
        found, good, _ = cv2.calcOpticalFlowPyrLK(truth, made, corners.astype(np.float32).reshape(-1, 1, 2), None, winSize=(15, 15))
        return np.linalg.norm((found.reshape(-1, 2) - corners)[good.ravel() == 1], axis=1)

    assert np.median(off_px(wheel_m)) <= 1.0
    assert np.median(off_px(wall_m)) > 3.0  # the check can fail


@pytest.mark.parametrize(
    "rig",
    [
        glasshouse(),
        straight(mount=Mount(right_mm=60, pan_deg=3.0, roll_deg=2.0)),
        glasshouse(display=Display(raster_px=(1024, 600), source_px=(1440, 1080), fit="letterbox")),
    ],
    ids=["glasshouse", "straight", "letterbox"],
)
def test_each_pixel_comes_from_where_the_transfer_leads_and_back(rig: Pairing) -> None:
    found = foretold(rig, 4.0, height_px=180)
    back, ok = to_recorded(rig, found.places[found.seen], 1 / 4.0)
    height, width = found.seen.shape
    down, across = np.nonzero(found.seen)
    wanted = np.stack([rig.frame.left + (across + 0.5) * rig.frame.width / width, rig.frame.top + (down + 0.5) * rig.frame.height / height], axis=-1)
    assert ok.all() and np.abs(back - wanted).max() < 1e-6
    assert abs(width / height / rig.aspect_of(rig.frame) - 1) < 0.02


def test_where_the_goggles_show_nothing_nothing_is_made_up(tmp_path: Path) -> None:
    rig = glasshouse(mount=Mount(pan_deg=45.0))
    found = foretold(rig, 5.0, height_px=200)
    assert 0.05 < found.seen.mean() < 0.95
    Image.fromarray(np.full((720, 1280, 3), (10, 200, 40), dtype=np.uint8)).save(tmp_path / "green.png")
    write_foretold(tmp_path / "frame.png", tmp_path / "green.png", rig, distance_m=5.0, height_px=200)
    made = np.asarray(Image.open(tmp_path / "frame.png")).astype(int)
    grey = np.abs(made - made.mean(axis=-1, keepdims=True)).max(axis=-1) < 12
    import cv2

    inner = cv2.erode(found.seen.astype(np.uint8), np.ones((7, 7))) > 0  # colour is stored at half size
    outer = cv2.dilate(found.seen.astype(np.uint8), np.ones((7, 7))) == 0
    assert not grey[inner].any() and grey[outer].all() and inner.sum() > 1000 and outer.sum() > 1000


def test_which_part_of_a_source_is_the_display() -> None:
    rig = glasshouse(display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit="letterbox"))
    shown = rig.display.shown
    corner = np.array([[shown.left, shown.top], [shown.right, shown.bottom]])
    assert source_fit(rig, (1920, 1080)).places(corner) == pytest.approx(corner * 1.5)
    assert source_fit(rig, (1440, 1080)).places(corner) == pytest.approx(np.array([[0, 0], [1440, 1080]]))  # without the display's bars
    assert source_fit(rig, (1000, 1000), bars=(0, 125, 1000, 875)).places(corner) == pytest.approx(np.array([[0, 125], [1000, 875]]))
    with pytest.raises(InputError, match=r"1000 x 1000 is 1.000:1, but the display"):
        source_fit(rig, (1000, 1000))


# Clips -------------------------------------------------------------------------------------------


def picture(number: int, size: tuple[int, int] = (320, 180)) -> np.ndarray:
    out = np.full((size[1], size[0], 3), 90, dtype=np.uint8)
    out[:, : size[0] // 2] = (60 + 8 * (number % 20), 140, 60)
    return out


def clip(
    path: Path, *, times: list[float] | None = None, size: tuple[int, int] = (320, 180), pix_fmt: str = "yuv420p", sound: bool = False, codec: str = "libx264"
) -> Path:
    """A clip by PyAV alone."""
    import av

    times = [i / RATE for i in range(20)] if times is None else times
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=RATE)
        stream.width, stream.height, stream.pix_fmt = *size, pix_fmt
        stream.codec_context.time_base = Fraction(1, 1000)
        voice = container.add_stream("aac", rate=48_000) if sound else None
        for i, at in enumerate(times):
            frame = av.VideoFrame.from_ndarray(picture(i, size), format="rgb24").reformat(format=pix_fmt)
            frame.pts, frame.time_base = round(at * 1000), Fraction(1, 1000)
            container.mux(stream.encode(frame))
        if voice is not None:
            for i in range(30):
                samples = av.AudioFrame.from_ndarray(np.zeros((2, 1024), dtype=np.float32), format="fltp", layout="stereo")
                samples.sample_rate, samples.pts, samples.time_base = 48_000, 1024 * i, Fraction(1, 48_000)
                container.mux(voice.encode(samples))
            container.mux(voice.encode())
        container.mux(stream.encode())
    return path


def times_of(path: Path) -> list[float]:
    import av

    with av.open(str(path)) as container:
        return [round(float(f.pts * f.time_base), 3) for f in container.decode(video=0)]


def made_from(source: Path, *, height_px: int = 90, rig: Pairing | None = None) -> tuple[Path, object]:
    out = source.with_name("frame.mp4")
    return out, write_foretold(out, source, rig or straight(), distance_m=5.0, height_px=height_px)


def test_a_varying_rate_keeps_its_times_and_sound_comes_along(tmp_path: Path) -> None:
    import av

    times = [0.0, 0.04, 0.1, 0.11, 0.3, 0.34, 0.5]
    out, made = made_from(clip(tmp_path / "a.mp4", times=times, sound=True))
    assert times_of(out) == pytest.approx(times, abs=1e-3) and made.sound
    with av.open(str(out)) as container, av.open(str(tmp_path / "a.mp4")) as source:
        here, there = (b"".join(bytes(p) for p in c.demux(audio=0)) for c in (container, source))
        assert len(there) > 100 and here == there


@pytest.mark.parametrize(("pix_fmt", "codec"), [("yuv420p10le", "libx265"), ("yuv444p", "libx264"), ("yuvj420p", "mjpeg")])
def test_other_ways_to_store_a_picture(tmp_path: Path, pix_fmt: str, codec: str) -> None:
    import av

    out, made = made_from(clip(tmp_path / "a.mkv", pix_fmt=pix_fmt, codec=codec))
    assert made.frames == 20
    with av.open(str(out)) as container:
        first = next(container.decode(video=0)).to_ndarray(format="rgb24")
    assert np.abs(first[45, 10].astype(int) - (60, 140, 60)).max() < 14 and np.abs(first[45, -10].astype(int) - 90).max() < 14


def test_a_clip_cut_short_gives_what_there_is_and_says_so(tmp_path: Path) -> None:
    whole = clip(tmp_path / "whole.mkv", times=[i / RATE for i in range(100)])
    short = tmp_path / "short.mkv"
    short.write_bytes(whole.read_bytes()[: whole.stat().st_size * 2 // 3])
    out, made = made_from(short)
    assert 0 < made.frames < 100 and len(times_of(out)) == made.frames


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [("text.mp4", b"ffconcat version 1.0\nfile a.mp4\n", "not a video"), ("empty.mp4", b"", "not a video"), ("odd.mp4", None, "but the display")],
)
def test_what_is_no_goggles_clip_is_refused_in_one_line(tmp_path: Path, name: str, content: bytes | None, says: str) -> None:
    source = tmp_path / name
    if content is None:
        clip(source, size=(200, 400))
    else:
        source.write_bytes(content)
    with pytest.raises(InputError, match=says):
        made_from(source)
    assert not (tmp_path / "frame.mp4").exists() and not list(tmp_path.glob(".*"))


def test_bars_of_the_clip_are_found(tmp_path: Path) -> None:
    import av

    rig = replace(straight(), display=Display(raster_px=(1280, 960), source_px=(1600, 1200)))
    with av.open(str(tmp_path / "a.mp4"), "w") as container:
        stream = container.add_stream("libx264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
        for i in range(4):
            full = np.zeros((360, 640, 3), dtype=np.uint8)
            full[:, 80:560] = picture(i, (480, 360))
            container.mux(stream.encode(av.VideoFrame.from_ndarray(full, format="rgb24")))
        container.mux(stream.encode())
    out, _ = made_from(tmp_path / "a.mp4", rig=rig)
    with av.open(str(out)) as container:
        first = next(container.decode(video=0)).to_ndarray(format="rgb24")
    assert first[45].min() > 30  # no bar in the frame: its edges lie well inside the goggles' picture


def test_the_command_writes_both_and_names_its_faults(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(STARTER)
    source = clip(tmp_path / "a.mp4")
    words = ["predict", str(tmp_path / "rig.toml"), str(source), "--out", str(tmp_path / "f.mp4"), "--height", "120"]
    done = CliRunner().invoke(app, [*words, "--both", "--at", "3"])
    assert done.exit_code == 0 and "20 frames" in done.output and "3 m" in done.output, done.output
    wrong = CliRunner().invoke(app, [*words, "--frame", "square"])
    assert isinstance(wrong.exception, InputError) and "no frame is called 'square'" in str(wrong.exception)
