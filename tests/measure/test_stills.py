"""Stills of every kind read, pixel for pixel."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from framematch.errors import InputError
from framematch.measure.stills import read_still
from framematch.render.video import write_video


@pytest.mark.parametrize(("name", "options"), [("a.png", {}), ("a.tif", {}), ("a.tiff", {"compression": "tiff_lzw"})])
def test_lossless_stills_come_as_they_were_saved(tmp_path: Path, name: str, options: dict[str, str]) -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (20, 24, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(tmp_path / name, **options)
    assert np.array_equal(read_still(tmp_path / name, colour=True).pixels, pixels)


def test_a_tiff_of_16_bits_a_colour_is_brought_to_8(tmp_path: Path) -> None:
    deep = np.full((20, 24, 3), (0, 128 * 257, 255 * 257), dtype=np.uint16)
    tifffile.imwrite(tmp_path / "deep.tif", deep, photometric="rgb")
    found = read_still(tmp_path / "deep.tif", colour=True)
    assert found.size_px == (24, 20) and np.abs(found.pixels.astype(int) - (0, 128, 255)).max() <= 1


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("list.mp4", "ffconcat version 1.0\nfile clip.mp4\n"),
        ("list.mkv", "ffconcat version 1.0\nfile 'clip.mp4'\nduration 1\n"),
        ("list.ts", "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nclip.mp4\n#EXT-X-ENDLIST\n"),
        ("list.mov", "[playlist]\nFile1=clip.mp4\n"),
    ],
)
def test_text_that_names_other_files_is_no_video(tmp_path, name, text):
    write_video(tmp_path / "clip.mp4", [np.full((48, 64, 3), 20 * i, np.uint8) for i in range(5)], frames_per_s=25)
    assert read_still(tmp_path / "clip.mp4").pixels.shape == (48, 64)
    (tmp_path / name).write_text(text)
    with pytest.raises(InputError, match="is not a video that can be read"):
        read_still(f"{tmp_path / name}@0")


def test_a_time_beyond_any_video_is_refused(tmp_path):
    (tmp_path / "clip.mp4").write_bytes(b"")
    with pytest.raises(InputError, match="1e18 is not a time in a video"):
        read_still(f"{tmp_path / 'clip.mp4'}@1e18")


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_deflate"])
def test_a_broken_tiff_is_one_line_of_ours_alone(tmp_path: Path, compression: str, capfd: pytest.CaptureFixture[str]) -> None:
    """libtiff speaks for itself on descriptor 2, below Python."""
    whole, broken = tmp_path / "whole.tif", tmp_path / "broken.tif"
    Image.fromarray(np.random.default_rng(1).integers(0, 256, (60, 64, 3), dtype=np.uint8)).save(whole, compression=compression)
    raw = bytearray(whole.read_bytes())
    raw[600:3000] = bytes(255 - b for b in raw[600:3000])
    broken.write_bytes(raw)
    with pytest.raises(OSError), Image.open(broken) as picture:
        picture.load()
    assert capfd.readouterr().err  # so it is broken in libtiff's eyes
    with pytest.raises(InputError, match="the picture is broken"):
        read_still(broken)
    with ThreadPoolExecutor(4) as several:  # as stills of a chart are read
        assert all(isinstance(several.submit(read_still, broken).exception(), InputError) for _ in range(8))
    assert capfd.readouterr().err == ""
    os.write(2, b"heard again")
    assert capfd.readouterr().err == "heard again"
