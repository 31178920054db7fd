"""Six shots through five pairs of lenses, live against the ray renderer; a quarter of an hour, so only run by its path."""

from __future__ import annotations

import numpy as np
import pytest
from live_compare import SHOTS, apart, pairs
from live_stills import live_browser, page_with


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
