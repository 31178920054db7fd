"""Ten lenses at 400 distances, as a ratio to asking the camera point by point for each distance."""

from __future__ import annotations

import statistics
import time

import numpy as np
import shapely

from framematch.compare import Opening, Run, Shot, Subject, candidate_of, compare, curves
from framematch.files.starter import STARTER
from framematch.geometry.camera import Camera, Rect, frame_in
from framematch.geometry.lens import Lens

PANE = Opening(width_m=1.2, height_m=0.9, sill_m=1.1, thickness_m=0.1)
RUN = Run(speed_m_s=8, right_m=0.1)
SUBJECTS = (Subject(),)
DISTANCES = np.geomspace(30, 0.1, 400)
FRAME = frame_in((5760, 3036), aspect=2.39, keep_percent=92)
LENSES = [
    Lens(projection="brown-conrady", focal_mm=f, k=(-0.02, 0.004)) if i % 2 else Lens(projection="rectilinear", focal_mm=f)
    for i, f in enumerate(np.linspace(10, 50, 10))
]
CAMERAS = [Camera(lens=lens, sensor_mm=(24.89, 13.12), raster_px=(5760, 3036)) for lens in LENSES]


def table() -> list[float]:
    found = [curves(camera, FRAME, PANE, RUN, distance_m=DISTANCES, subjects=SUBJECTS) for camera in CAMERAS]
    return [float(c.fill_percent[200]) for c in found]


def naive(camera: Camera, frame: Rect, distances: np.ndarray) -> list[float]:
    """The same figures in the plainest way: a loop over distances, and over the points of each."""
    fills = []
    whole = shapely.box(*frame.as_tuple())
    outline = PANE.outline(16)
    middles = outline[8::16]
    feet, middle, head = SUBJECTS[0].points_m(PANE)
    step = 1e-4
    for distance in distances:
        ring = []
        for point in outline:
            place, _ = camera.project(np.maximum(RUN.seen_from(point[None], distance)[0], (-np.inf, -np.inf, 1e-3)))
            ring.append(tuple(place))
        polygon = shapely.Polygon(ring)
        fills.append(100 * polygon.intersection(whole).area / whole.area)
        _ = [whole.intersects(shapely.LineString(ring[16 * i : 16 * i + 17])) for i in range(4)]
        for point in (*middles, middle):
            before, after = (camera.project(RUN.seen_from(point[None], distance + s)[0])[0] for s in (step, -step))
            _ = float(np.linalg.norm(after - before)) / (2 * step) * RUN.speed_m_s / frame.width
        low, high = (camera.project(RUN.seen_from(point[None], distance)[0])[0] for point in (feet, head))
        _ = abs(high[1] - low[1]) / frame.height
    return fills


def test_ten_lenses_at_400_distances(benchmark) -> None:  # type: ignore[no-untyped-def]
    ours = benchmark.pedantic(table, rounds=15, warmup_rounds=2)
    some = DISTANCES[::40]
    start, busy = time.perf_counter(), time.process_time()
    slow = [naive(camera, FRAME, some) for camera in CAMERAS]
    naive_s = (time.perf_counter() - start) * len(DISTANCES) / len(some)
    naive_cpu_s = (time.process_time() - busy) * len(DISTANCES) / len(some)
    cpu = []
    for _ in range(9):
        busy = time.process_time()
        table()
        cpu.append(time.process_time() - busy)
    for fast, plain in zip(ours, slow, strict=True):
        assert abs(fast - plain[5]) < 0.02
    benchmark.extra_info["naive loop / ours, by the clock"] = round(naive_s / benchmark.stats.stats.median)
    benchmark.extra_info["naive loop / ours, processor time"] = round(naive_cpu_s / statistics.median(cpu))
    benchmark.extra_info["ours, processor time in ms"] = round(1000 * statistics.median(cpu), 1)
    assert statistics.median(cpu) <= 0.050


def test_a_whole_comparison(benchmark) -> None:  # type: ignore[no-untyped-def]
    """Ten rows with exits, sharpness and margins, without the goggles' guide; the reference is the curves alone."""
    from framematch.files.pairing import parse_pairing

    pairing = parse_pairing(STARTER)
    lenses = tuple(candidate_of(pairing, float(f)) for f in np.linspace(10, 50, 10))
    benchmark.pedantic(lambda: compare(pairing, Shot(openings=(PANE,), run=RUN, subjects=SUBJECTS), lenses), rounds=5, warmup_rounds=1)
    start = time.perf_counter()
    table()
    benchmark.extra_info["ten whole rows / their curves alone"] = round(benchmark.stats.stats.median / (time.perf_counter() - start), 1)
