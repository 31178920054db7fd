"""A sample of the random shots of ``tests/acceptance/test_shots.py``: table and pictures from one value."""

from __future__ import annotations

from pathlib import Path

import pytest
from at_length import crossed
from outside import need
from shots import HEIGHT_PX, misses, random_case

from framematch.render import gl

# Each shape in a scene of ours and in a mesh of one's own; each lens; whole openings among them.
SAMPLE = (1, 3, 4, 8, 11, 14)


@pytest.mark.parametrize(("seed", "renderer"), crossed(SAMPLE, ["rays", "gl"]))
def test_the_table_says_what_the_pictures_show(seed: int, renderer: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if renderer == "gl":
        need(not gl.missing(), "GL through EGL")
    off = misses(random_case(seed), renderer, tmp_path, monkeypatch)
    assert off.pop("edges") == 0 and len(off) > 1
    assert max(off.values()) < 100 / HEIGHT_PX, off  # a pixel
