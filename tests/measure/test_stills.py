"""Stills of every kind read, pixel for pixel."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from framematch.measure.stills import read_still


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
