"""A film drawn by several processes is the one that a single one draws; how much faster goes into the table of ratios."""

import time

import numpy as np

from framematch.files.pairing import read_pairing
from framematch.files.shot import parse_shot
from framematch.files.starter import STARTER_PATH
from framematch.render.run_frames import Filming, run_frames
from framematch.scene.open import scene_of


def test_processes_draw_the_same_film(record_property) -> None:  # type: ignore[no-untyped-def]
    pairing = read_pairing("assets/examples/glasshouse.toml")
    shot = parse_shot(pairing, STARTER_PATH.replace('scene = "glasshouse"', 'scene = "window"'))
    scene, filming = scene_of(shot), Filming(height_px=120)
    assert shot.flown is not None
    films, seconds = [], []
    for workers in (1, 2):
        start = time.perf_counter()
        films.append(list(run_frames(scene, pairing, shot.flown, filming, workers=workers)))
        seconds.append(time.perf_counter() - start)
    assert len(films[0]) == len(films[1]) > 60
    for one, two in zip(*films, strict=True):
        assert np.abs(one.astype(int) - two).mean() < 0.5
    record_property("one process over two", seconds[0] / seconds[1])
    print(seconds)
