"""Rigs measured from stills that the project's own ray renderer made of a chart on a board.

All twenty rigs, and how often the intervals hold the truth: ``python tests/helpers/measure_rays.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from measure_rays import measured_rig, ray_still, window
from measure_scenes import Spoil, chart_positions, random_rig

from framematch.measure.chart import find_chart, parse_chart

pytest.importorskip("cv2")


@pytest.mark.at_length
@pytest.mark.parametrize("seed", [900, 901, 902])
def test_a_rig_seen_by_rays_is_recovered(seed):
    """A 160 degree fisheye and an 18 mm rectilinear lens on one mount; noise, blur, JPEG and vignetting."""
    found = measured_rig(seed, both=10, wide=4)
    assert found.aim_deg <= 0.05
    assert found.offset_mm <= 2
    assert found.guide_percent <= 0.3
    assert sum(found.inside) >= 4  # of six; fewer come once in four hundred such rigs if the intervals are right


@pytest.mark.at_length
def test_the_rays_put_corners_where_the_lens_does():
    """Without noise: corners found lie where the camera projects them, and not to one side of it, so the texture is not the limit."""
    chart, rng = parse_chart("A3"), np.random.default_rng(900)
    rig = random_rig(rng, recording_px=(1440, 759), monitoring_px=(1280, 960))
    m = rig.mount
    off = []
    for turn, shift in chart_positions(rig, chart, rng, both=2, wide=1):
        seen = m.recording_from_monitoring.T
        for camera, a, b in ((rig.recording, turn, shift), (rig.monitoring, seen @ turn, seen @ (shift - m.translation_m * 1000))):
            found = find_chart(ray_still(camera, a, b, chart, rng, Spoil(noise=0, vignetting=0, quality=0)), chart)
            if found is not None:
                off.append(found.pixels - camera.project(chart.points_mm[found.ids] @ a.T + b)[0])
    assert len(off) >= 4
    every = np.concatenate(off)  # four times as many rays a pixel give the same: 0.03 px is what finding a corner leaves
    assert np.sqrt((every**2).sum(axis=1).mean()) < 0.05
    assert np.abs(every.mean(axis=0)).max() < 0.01


def test_a_part_of_the_picture_is_cast_as_in_the_whole():
    camera = random_rig(np.random.default_rng(3)).monitoring
    part = window(camera, 200, 300, 260, 340, 2)
    rays, ok = camera.unproject(np.array([(200.25, 300.25), (259.75, 339.75)]))
    same, there = part.unproject(np.array([(0.5, 0.5), (119.5, 79.5)]))
    assert ok.all() and there.all() and np.allclose(rays, same, atol=1e-12)
