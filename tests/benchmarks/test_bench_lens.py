"""Projecting a million points against OpenCV, both in turn in the same run."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest

from framematch.geometry.lens import Lens

MATRIX = np.array([[1500.0, 0, 959.5], [0, 1500.0, 539.5], [0, 0, 1]])
NOWHERE = np.zeros(3)
K_KANNALA_BRANDT = (-0.0014613319981768, -0.00329861110580401, 0.00605760088590183, -0.00374209380722371)
K_BROWN_CONRADY, P_BROWN_CONRADY = (-0.28, 0.09, -0.012), (0.001, -0.002)
ROUNDS = 9


def rays(widest_deg: float) -> np.ndarray:
    random = np.random.default_rng(1)
    theta, azimuth = np.radians(random.uniform(0, widest_deg, 1_000_000)), random.uniform(-np.pi, np.pi, 1_000_000)
    return np.stack([np.sin(theta) * np.cos(azimuth), np.sin(theta) * np.sin(azimuth), np.cos(theta)], axis=-1)


def opencv_kannala_brandt(points: np.ndarray) -> np.ndarray:
    return cv2.fisheye.projectPoints(points[:, None], NOWHERE, NOWHERE, MATRIX, np.array(K_KANNALA_BRANDT))[0]


def opencv_brown_conrady(points: np.ndarray) -> np.ndarray:
    k1, k2, k3 = K_BROWN_CONRADY
    return cv2.projectPoints(points, NOWHERE, NOWHERE, MATRIX, np.array([k1, k2, *P_BROWN_CONRADY, k3]))[0]


@pytest.mark.parametrize(
    ("lens", "reference", "limit"),
    [
        (Lens(projection="kannala-brandt", focal_mm=15.0, k=K_KANNALA_BRANDT), opencv_kannala_brandt, 0.5),
        (Lens(projection="brown-conrady", focal_mm=15.0, k=K_BROWN_CONRADY, p=P_BROWN_CONRADY), opencv_brown_conrady, 0.3),
    ],
    ids=["kannala-brandt", "brown-conrady"],
)
def test_a_million_points(benchmark, lens: Lens, reference: Callable[[np.ndarray], np.ndarray], limit: float) -> None:  # type: ignore[no-untyped-def]
    points = rays(min(80.0, np.degrees(lens.end_rad) * 0.99))
    theirs_s: list[float] = []

    def take_turns() -> tuple[tuple[np.ndarray], dict[str, object]]:
        start = time.perf_counter()
        reference(points)
        theirs_s.append(time.perf_counter() - start)
        return (points,), {}

    pixels, ok = benchmark.pedantic(lens.project, setup=take_turns, rounds=ROUNDS, warmup_rounds=0)
    assert ok.all()
    assert np.abs(pixels * 100 + [959.5, 539.5] - reference(points)[:, 0]).max() < 1e-6
    ours_s, opencv_s = benchmark.stats.stats.median, statistics.median(theirs_s)
    benchmark.extra_info |= {"ours / OpenCV": ours_s / opencv_s, "at most": limit}
    print(f"{lens.projection}: {1000 * ours_s:.0f} ms, OpenCV {1000 * opencv_s:.0f} ms, ratio {ours_s / opencv_s:.2f} (limit {limit})")
    assert ours_s / opencv_s <= limit
