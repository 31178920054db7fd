"""What the browser draws is what the ray renderer draws: a sample; tests/acceptance has six shots through five pairs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from at_length import sample
from live_compare import SHOTS, apart, pairs
from live_stills import live_browser, page_with, stills
from rigs import glasshouse

from framematch.live.rig_part import rig_part
from framematch.live.scene_part import scene_part
from framematch.scene.registry import make_scene
from framematch.shot.place import standing


@pytest.mark.parametrize(("shot", "pair"), sample([("car, from above", "aimed")], [("doorway, near and banked", "glasshouse"), ("car, from above", "aimed")]))
def test_a_live_picture_is_the_ray_renderers(chromium: str, shot: str, pair: str) -> None:
    assert shot in SHOTS
    parts: dict[str, bytes] = {}
    with live_browser(chromium) as browser:
        page = page_with(browser, parts)
        found = apart(page, parts, shot, pairs()[pair], height_px=200, focals_mm=(4.0, 100.0) if pair == "glasshouse" else None)
    assert len(found.markers_px) > 10
    assert np.median(found.markers_px) <= 0.5 and found.markers_px.max() <= 1.0
    assert max(found.colours) <= 3
    assert found.overlap >= 0.99
    live, rays = found.hidden_percent
    assert live == pytest.approx(rays, abs=1.0)
    assert rays > 0.5 or pair != "glasshouse"  # there is something to count


EVERY = """() => {
  painter.group = (...of) => { Object.getPrototypeOf(painter).group.call(painter, ...of); for (const group of of[0].groups) group[3] = 1; };
}"""


def test_cells_that_never_show_the_frame_are_those_that_do_not(chromium: str) -> None:
    """Left out of the looking up, they change nothing: far away, with a long lens, and with the ground a finger below the lens."""
    asked = [((0.0, 1.35, 3.0), 18.0), ((0.2, 1.5, 2.0), 70.0), ((0.0, 0.02, 3.0), 18.0)]
    rig = glasshouse()
    parts = {
        "scene": scene_part(make_scene("doorway")),
        "rig": rig_part(replace(rig, mount=replace(rig.mount, up_mm=90.0, tilt_deg=-25.0)), focals_mm=(4.0, 100.0)),
    }
    with live_browser(chromium) as browser:
        page = page_with(browser, parts)

        def drawn(named: bool) -> list[tuple[np.ndarray, list[int], bool]]:
            out = []
            for i, (place, focal) in enumerate(asked):
                first = {"scene": "scene", "rig": "rig"} if named and not i else {}
                picture = stills(page, standing(place).matrix, focal, (320, 180), (160, 90), texels=1.0, **first)[0]
                out.append((picture, page.evaluate("painter.grids.wide.groups.map(g => g[3])"), page.evaluate("painter.last.marks.close")))
            return out

        sorted_out = drawn(True)
        page.evaluate(f"({EVERY})()")
        every = drawn(False)
    for (fast, groups, _), (whole, all_of_them, _) in zip(sorted_out, every, strict=True):
        assert 0 in groups and 0 not in all_of_them
        assert np.array_equal(fast, whole)
    assert [close for *_, close in sorted_out] == [False, False, True]
