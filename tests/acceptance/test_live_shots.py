"""Six shots through five pairs of lenses, live against the ray renderer; a quarter of an hour, so only run by its path."""

from __future__ import annotations

import numpy as np
import pytest
from live_compare import SHOTS, apart, pairs
from live_stills import live_browser, page_with, stills
from rigs import glasshouse

from framematch.live.rig_part import rig_part
from framematch.live.scene_part import scene_part
from framematch.scene.registry import make_scene
from framematch.shot.place import standing


@pytest.mark.parametrize("shot", SHOTS)
def test_live_pictures_of_a_shot_through_each_pair(chromium: str, shot: str) -> None:
    parts: dict[str, bytes] = {}
    with live_browser(chromium) as browser:
        page = page_with(browser, parts)
        for name, pairing in pairs().items():
            found = apart(page, parts, shot, pairing, height_px=480, focals_mm=(4.0, 100.0))
            m = found.markers_px
            at = f"{shot} | {name} | {len(m)} markers {np.median(m):.3f} px, worst {m.max():.3f}"
            print(f"{at} | colours {found.colours} | overlap {found.overlap:.4f} | hidden {found.hidden_percent}")
            assert np.median(m) <= 0.5 and m.max() <= 1.0, (shot, name, m)
            assert max(found.colours) <= 3, (shot, name, found.colours)
            assert found.overlap >= 0.99, (shot, name, found.overlap)


def test_a_picture_as_large_as_a_screen_is_the_small_one(chromium: str) -> None:
    """Straight ahead between the ground's corners: beside the eye they once went beyond a software renderer's numbers in large faces."""
    parts = {"scene": scene_part(make_scene("glasshouse")), "rig": rig_part(glasshouse())}
    pose = standing((0.0, 1.35, 3.482), pitch_deg=-4.0).matrix
    with live_browser(chromium) as browser:
        page = page_with(browser, parts)
        small, _ = stills(page, pose, 18.0, (640, 360), (640, 360), scene="scene", rig="rig")
        large, _ = stills(page, pose, 18.0, (1920, 1080), (1920, 1080), texels=1)
    apart = np.abs(large.reshape(360, 3, 640, 3, 3).mean(axis=(1, 3)) - small).max(axis=-1)
    print(f"more than 60 of 255 apart: {100 * np.mean(apart > 60):.2f} % of the picture")
    assert np.mean(apart > 60) < 0.015 and np.mean(apart[240:] > 60) < 0.01
