"""Stills of what the goggles recorded: bars, crop and stretch undone, against Pillow's own resizing; frames of a video by their time."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from framematch.errors import InputError
from framematch.files.pairing import parse_pairing
from framematch.files.starter import STARTER
from framematch.geometry.camera import Display
from framematch.measure.goggles import undone
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
