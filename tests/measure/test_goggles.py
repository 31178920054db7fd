"""Stills of what the goggles recorded: bars, crop and stretch undone, against Pillow's own resizing; frames of a video by their time."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from check_rigs import BENCH_RIG, glasshouse, marked_wall
from measure_views import view
from PIL import Image

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.geometry.camera import Display
from framematch.measure.chart import parse_chart
from framematch.measure.finding import look_in
from framematch.measure.goggles import places_undone, undone
from framematch.measure.marks import aim_from_marks, find_marks
from framematch.measure.stills import Still, read_still, video_length_s, video_still

WIDE, HIGH = 1440, 1080


def _scene() -> Image.Image:
    """A smooth picture, which resampling leaves as it is to a grey level or two."""
    x, y = np.meshgrid(np.arange(WIDE) / WIDE, np.arange(HIGH) / HIGH)
    return Image.fromarray((127 + 80 * np.sin(14 * x + 3 * y) * np.cos(11 * y)).astype(np.uint8))


def _shown(fit: str) -> Image.Image:
    """The scene as goggles of 1280 x 720 record it at 1920 x 1080, by Pillow."""
    scene, size = _scene(), (1920, 1080)
    if fit == "stretch":
        return scene.resize(size, Image.Resampling.BICUBIC)
    if fit == "crop":
        return scene.resize((1920, 1440), Image.Resampling.BICUBIC).crop((0, 180, 1920, 1260))
    out = Image.new("L", size)
    out.paste(scene, (240, 0))
    return out


@pytest.mark.parametrize("fit", ["crop", "letterbox", "stretch"])
def test_a_recording_of_the_goggles_lands_where_the_camera_has_it(fit: str) -> None:
    pairing = replace(parse_pairing(STARTER), display=Display(raster_px=(1280, 720), source_px=(WIDE, HIGH), fit=fit))
    found = undone(Still(name="g.png", pixels=np.asarray(_shown(fit))), pairing)
    assert found.size_px == (WIDE, HIGH)
    rows = slice(140, 940) if fit == "crop" else slice(4, -4)  # what the crop lost is not there
    off = found.pixels[rows, 4:-4].astype(float) - np.asarray(_scene())[rows, 4:-4]
    assert np.abs(off).max() <= 3  # half a pixel's shift would be 4 to 6 levels
    assert abs(off.mean()) < 0.5


def test_the_cameras_own_stills_and_others_stay_as_they_are() -> None:
    pairing = parse_pairing(STARTER)
    for size in ((1440, 1080), (720, 540), (1000, 1000)):
        still = Still(name="m.png", pixels=np.zeros(size[::-1], dtype=np.uint8))
        assert undone(still, pairing) is still


@pytest.mark.parametrize("fit", ["crop", "letterbox"])
def test_wall_marks_in_the_goggles_recording_say_the_same_aim(fit: str) -> None:
    """The wall as the camera sees it, fitted to goggles of 1280 x 720 by Pillow; places clicked in that recording too."""
    rng = np.random.default_rng(3)
    written = replace(glasshouse(), display=Display(raster_px=(1280, 720), source_px=(960, 720), fit=fit))
    true = replace(written, mount=replace(written.mount, pan_deg=1.0, tilt_deg=-1.5))
    own = view(true.monitoring, true.mount, marked_wall(written, 2.0, rng), rng)
    picture = Image.fromarray(own)
    if fit == "crop":
        shown = picture.resize((1280, 960), Image.Resampling.BICUBIC).crop((0, 120, 1280, 840))
    else:
        shown = Image.new(picture.mode, (1280, 720))
        shown.paste(picture, (160, 0))
    recorded = Still(name="g.png", pixels=np.asarray(shown))
    back = undone(recorded, written)
    found = aim_from_marks(written, back, find_marks(written, back, 2.0), 2.0)
    direct = Still(name="m.png", pixels=own)
    first = find_marks(written, direct, 2.0)
    for a, b, miss in zip(found.figures, aim_from_marks(written, direct, first, 2.0).figures, (0.1, 0.1, 0.15), strict=True):
        assert abs(a.value - b.value) < miss, a.name
    scale = np.array((4 / 3, 4 / 3)) if fit == "crop" else np.ones(2)
    shift = np.array((0, -120)) if fit == "crop" else np.array((160, 0))
    clicked = [None if p is None else tuple(np.array(p) * scale + shift) for p in first]
    for place, again in zip(first, places_undone(clicked, recorded, written), strict=True):
        assert place == pytest.approx(again) if place else again is None


def test_a_chart_in_the_goggles_recording_is_found_in_the_cameras_own_pixels(opencv_doc) -> None:
    """A still of Debian's opencv-doc, letterboxed by Pillow: OpenCV's corners come back where they were."""
    own = Image.open(opencv_doc / "left03.jpg").convert("L")
    shown = Image.new("L", (1280, 720))
    shown.paste(own.resize((960, 720), Image.Resampling.BICUBIC), (160, 0))
    out, chart = io.BytesIO(), parse_chart("chessboard-10x7-25mm")
    shown.save(out, "PNG")
    pairing = replace(parse_pairing(BENCH_RIG), display=Display(raster_px=(1280, 720), source_px=(640, 480), fit="letterbox"))
    back = look_in("g.png", chart, content=out.getvalue(), goggles=pairing)
    first = look_in("left03.jpg", chart, content=(opencv_doc / "left03.jpg").read_bytes(), goggles=pairing)
    assert back.size_px == (640, 480) and back.recorded_px == (1280, 720) and first.recorded_px is None
    assert back.found is not None and first.found is not None
    assert np.abs(back.found.pixels - first.found.pixels).max() < 0.3


def test_a_frame_of_a_video_is_the_one_at_its_time() -> None:
    """Frames of even grey, written by PyAV without loss: the level says which frame came back."""
    import av

    out = io.BytesIO()
    with av.open(out, "w", format="matroska") as container:
        stream = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "gray"
        for i in range(50):
            frame = av.VideoFrame.from_ndarray(np.full((48, 64), 4 * i, dtype=np.uint8), format="gray")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    clip = out.getvalue()
    assert video_length_s("c.mkv", clip) == pytest.approx(2.0, abs=0.05)
    for seconds, level in ((0.0, 0), (1.0, 100), (1.6, 160)):
        pixels = read_still("f.png", content=video_still("c.mkv", clip, seconds)).pixels
        assert abs(float(pixels.mean()) - level) <= 2


@pytest.mark.parametrize("content", [b"", b"no video", b"\x00\x00\x00\x18ftypmp42" + b"\0" * 40])
def test_what_is_no_video_is_said_in_one_line(content: bytes) -> None:
    for read in (lambda: video_length_s("c.mp4", content), lambda: video_still("c.mp4", content, 0.0)):
        with pytest.raises(InputError, match=r"c\.mp4") as refused:
            read()
        assert "\n" not in str(refused.value)


def test_a_file_of_sound_alone_is_told_so() -> None:
    import av

    out = io.BytesIO()
    with av.open(out, "w", format="matroska") as container:
        stream = container.add_stream("pcm_s16le", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), dtype=np.int16), format="s16", layout="mono")
        frame.rate = 8000
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    with pytest.raises(InputError, match="is not a video that says how long it is"):
        video_length_s("c.mkv", out.getvalue())
