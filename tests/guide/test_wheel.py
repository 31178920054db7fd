"""The guide on real pictures: set for the wheel's measured distance, it lands on the wheel in the other picture."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from outside import need

from framematch.guide.best import at_distance, best_rectangle
from framematch.guide.outline import outline

SCRIPT = Path(__file__).parents[2] / "assets" / "make_wheel_picture.py"


@pytest.fixture(scope="module")
def script():
    need(importlib.util.find_spec("skimage") is not None, "scikit-image")
    spec = importlib.util.spec_from_file_location("make_wheel_picture", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_guide_at_the_wheels_distance_lands_on_the_wheel(script):
    """Found by correlation in the pictures alone: where the wheel of the right picture stands in the left one."""
    import cv2
    import skimage.data

    left, right, disparity = skimage.data.stereo_motorcycle()
    rig = script.pairing()
    wheel, wall = script.wheel_and_wall_m(disparity)
    assert 2.0 < wheel < 4.0 < wall < 6.0
    f = script.WHEEL_IN_RIGHT
    template = right[int(f.top) : int(f.bottom), int(f.left) : int(f.right)]
    scores = cv2.matchTemplate(left, template, cv2.TM_CCOEFF_NORMED)
    _, best, _, (x, y) = cv2.minMaxLoc(scores)
    assert best > 0.5
    found = np.array([x, y, x + f.width, y + f.height])
    guide = np.array(best_rectangle(at_distance(rig, wheel)).as_tuple())
    behind = np.array(best_rectangle(at_distance(rig, wall)).as_tuple())
    print(f"guide {guide.round(1)}, wheel found at {found}, guide for the wall {behind.round(1)}")
    assert np.abs(guide - found).max() <= 2.0  # the wheel is 0.3 m deep: its parts differ by about 2 px
    assert np.abs(behind - found).max() > 15
    ring = outline(rig, wheel).pieces[0]
    assert ring.min(axis=0) == pytest.approx(guide[:2], abs=1e-3)


def test_the_picture_in_the_readme_is_what_the_script_draws(script, tmp_path, monkeypatch):
    from PIL import Image

    kept = Image.open(SCRIPT.with_name("wheel.png")).convert("RGB")
    monkeypatch.setattr(script, "__file__", str(tmp_path / "script.py"))
    script.main()
    made = Image.open(tmp_path / "wheel.png").convert("RGB")
    assert np.abs(np.asarray(kept, dtype=int) - np.asarray(made, dtype=int)).mean() < 2.5  # font rasters and palettes differ a little between versions
