"""The plan: what is cut lies where the mesh has it, by shapely's area and by the pixels; places and shares are each other's inverse."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
from live_sample import small_scene, small_shot
from PIL import Image

from framematch.output.drawing import Inks
from framematch.output.plan_picture import plan_of
from framematch.scene.cut import level_cut

shapely = pytest.importorskip("shapely")
INKS = Inks(ground="#ffffff", ink="#000000", quiet="#808080", accent="#0000ff", second="#ff0000")


def test_a_wall_with_a_doorway_is_cut_into_its_two_piers() -> None:
    pieces = level_cut(small_scene().surface, 1.0)
    lines = shapely.set_precision([shapely.LineString(piece) for piece in pieces], 1e-6)
    rings = sorted(shapely.polygonize(lines).geoms, key=lambda g: g.bounds)
    assert [ring.area for ring in rings] == pytest.approx([3.5 * 0.2, 3.5 * 0.2, 0.6 * 0.6], abs=1e-6)
    assert rings[0].bounds == pytest.approx((-4, -0.1, -0.5, 0.1)) and rings[1].bounds == pytest.approx((0.5, -0.1, 4, 0.1))
    assert level_cut(small_scene().surface, 9.0).shape == (0, 2, 2)


def test_places_and_shares_go_both_ways_and_the_walls_are_where_they_are() -> None:
    plan = plan_of(small_shot(), small_scene(), INKS)
    picture = np.asarray(Image.open(io.BytesIO(plan.png)).convert("RGB")).astype(int)
    for x, z in ((0.0, 0.0), (-3.2, 4.5)):
        assert plan.at(plan.share(x, z)) == pytest.approx((x, z))

    def dark(x: float, z: float) -> bool:
        u, v = plan.share(x, z)
        row, column = round(v * picture.shape[0]), round(u * picture.shape[1])
        return bool(picture[row - 2 : row + 3, column - 2 : column + 3].sum(axis=2).min() < 200)

    assert dark(-2.0, -0.1) and dark(2.0, 0.1) and dark(1.2, 1.2)
    assert not dark(-1.5, 2.0)
    assert plan.wide_m / plan.deep_m == pytest.approx(picture.shape[1] / picture.shape[0], rel=0.01)
    assert all(0 < s < 1 for s in (*plan.share(0, 8), *plan.share(0, -6)))  # the whole run is in it
    assert math.isclose(plan.share(1, 0)[0] - plan.share(0, 0)[0], 1 / plan.wide_m)
