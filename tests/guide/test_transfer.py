"""Edge errors and inverse distances by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from framematch.geometry.camera import Rect
from framematch.guide.transfer import distance_from, edge_error, inverse_m


@pytest.mark.parametrize(
    ("edge", "point", "percent"),
    [
        ("left", (90.0, 70.0), 2.5),  # 10 px outside a frame 400 px wide
        ("right", (490.0, 70.0), -2.5),
        ("top", (300.0, 48.0), 2.0),  # 2 px outside a frame 100 px high
        ("bottom", (300.0, 153.0), 3.0),
        ("bottom", (300.0, 147.0), -3.0),
    ],
)
def test_an_edge_error_is_in_percent_of_the_side_it_moves_along(edge: str, point: tuple[float, float], percent: float) -> None:
    frame = Rect(left=100.0, top=50.0, right=500.0, bottom=150.0)
    assert edge_error(frame, point, edge) == pytest.approx(percent)
    assert np.isnan(edge_error(frame, (math.nan, math.nan), edge))


def test_inverse_distances_there_and_back() -> None:
    assert [inverse_m(4.0), inverse_m(math.inf)] == [0.25, 0.0]
    assert [distance_from(0.25), distance_from(0.0)] == [4.0, math.inf]
