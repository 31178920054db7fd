"""What the browser draws is what the ray renderer draws: a sample; tests/acceptance has six shots through five pairs."""

from __future__ import annotations

import numpy as np
import pytest
from at_length import sample
from live_compare import SHOTS, apart, pairs
from live_stills import live_browser, page_with


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
