"""Two hundred random shots: what the table says is what both renderers' pictures show, within 1 px or 0.3 % of the frame."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from outside import need
from shots import HEIGHT_PX, misses, random_case

from framematch.render import gl

SHOTS = 200


@pytest.mark.parametrize("renderer", ["rays", "gl"])
def test_the_table_says_what_the_pictures_show(renderer: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if renderer == "gl":
        need(not gl.missing(), "GL through EGL")
    measured, worst, wrong = Counter[str](), Counter[str](), []
    for seed in range(SHOTS):
        for name, off in misses(random_case(seed), renderer, tmp_path, monkeypatch).items():
            kind = name.split()[0]
            measured[kind] += 1
            worst[kind] = max(worst[kind], off)
            # A pixel is 100 / HEIGHT_PX percent of the frame's height; edges are told rightly or not.
            if off > (0.0 if kind == "edges" else max(0.3, 100 / HEIGHT_PX if kind in ("height", "subject") else 0.0)):
                wrong.append((seed, name, off))
    print(renderer, "measured", dict(measured), "worst, percent", {k: round(float(v), 3) for k, v in worst.items()})
    assert not wrong
    assert measured["fill"] == measured["edges"] == SHOTS
    assert min(measured[kind] for kind in ("width", "height", "subject", "shown")) > SHOTS / 10
