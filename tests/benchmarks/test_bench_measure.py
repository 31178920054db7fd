"""Measuring: the long acceptance runs, and its time beside OpenCV's own detect-and-calibrate.

Not collected by default: the rigs and rooms together take about a quarter of an hour on two cores.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from check_rigs import glasshouse, rig_off, two_stills
from measure_rays import measured_rig, ray_still
from measure_scenes import chart_positions, chart_still, random_rig
from measure_views import room

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.measure.chart import board, parse_chart
from framematch.measure.check import check_guide
from framematch.measure.corrected import guide_off_percent
from framematch.measure.finding import look_for_chart, usable
from framematch.measure.lens import fit_lens

cv2 = pytest.importorskip("cv2")


@pytest.mark.parametrize("still", [ray_still, chart_still])
def test_twenty_rigs(still):
    """160 degree fisheye and 18 mm rectilinear on one mount; by the project's ray renderer, and by a small one that shares nothing with it."""
    found = []
    for seed in range(20):
        found.append(measured_rig(900 + seed, still=still))
        print(f"rig {seed}: aim {found[-1].aim_deg:.4f} deg, offset {found[-1].offset_mm:.3f} mm, guide {found[-1].guide_percent:.3f} %", flush=True)
    aim, offset, guide = (max(getattr(f, name) for f in found) for name in ("aim_deg", "offset_mm", "guide_percent"))
    cover = np.mean([i for f in found for i in f.inside])
    print(f"20 rigs: aim {aim:.4f} deg, offset {offset:.3f} mm, guide {guide:.3f} %, intervals cover {100 * cover:.1f} %")
    assert aim <= 0.05 and offset <= 2 and guide <= 0.3
    assert 0.91 <= cover <= 0.99


def test_thirty_rooms():
    """Rooms hung with scikit-image's pictures: of those accepted, at least 95 % have the guide within 0.5 % of the frame."""
    good, refused, covered = [], 0, []
    for seed in range(30):
        rng = np.random.default_rng(200 + seed)
        pairing = glasshouse()
        true = rig_off(pairing, rng)
        stills = two_stills(true, room(rng), rng)
        try:
            found = check_guide(pairing, *stills)
        except InputError as error:
            refused += 1
            print(f"room {seed}: refused, {error}", flush=True)
            continue
        after = max(guide_off_percent(found.after, true, d) for d in (1.5, 2.86, 30.0))
        good.append(after <= 0.5)
        covered += [abs(f.value - getattr(true.mount, f.name)) <= f.half_95 for f in found.figures]
        print(f"room {seed}: {found.agreed} of {found.matches} agree, guide off {after:.3f} %, said {found.known_percent:.3f} %", flush=True)
    print(f"30 rooms: {refused} refused, {100 * np.mean(good):.0f} % of the rest within 0.5 %, intervals cover {100 * np.mean(covered):.1f} %")
    assert np.mean(good) >= 0.95 and refused <= 3


@pytest.fixture(scope="module")
def large_stills(tmp_path_factory):
    """20 stills of 20 Mpx: drawn at a quarter of that, enlarged, with noise of their own."""
    folder = tmp_path_factory.mktemp("large")
    chart = parse_chart("A3")
    rng = np.random.default_rng(4)
    small = Camera(lens=Lens(projection="brown-conrady", focal_mm=24.0, k=(-0.05, 0.01)), sensor_mm=(36.0, 24.0), raster_px=(2736, 1824))
    rig = replace(random_rig(rng), recording=small)
    for i, (turn, shift) in enumerate(chart_positions(rig, chart, rng, both=20, wide=0)):
        still = cv2.resize(chart_still(small, turn, shift, chart, rng, fine=1), (5472, 3648), interpolation=cv2.INTER_CUBIC)
        noisy = np.clip(still + 2 * rng.standard_normal(still.shape, dtype=np.float32), 0, 255).astype(np.uint8)
        cv2.imwrite(str(folder / f"{i:02d}.jpg"), noisy, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return chart, folder


def _opencv(chart, folder):
    """OpenCV's own way: read, detect the board at full size, calibrate."""
    finder = cv2.aruco.CharucoDetector(board(chart))
    points, pixels = [], []
    for file in sorted(folder.glob("*.jpg")):
        grey = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
        corners, ids, _, _ = finder.detectBoard(grey)
        if ids is not None and len(ids) >= 6:
            points.append(chart.points_mm[ids.ravel()].astype(np.float32))
            pixels.append(corners.reshape(-1, 2).astype(np.float32))
    return cv2.calibrateCamera(points, pixels, grey.shape[::-1], None, None)[0], len(points)


def test_time_beside_opencv(large_stills, record_property):
    chart, folder = large_stills
    ratios = []
    for _ in range(3):
        start = time.perf_counter()
        theirs, count = _opencv(chart, folder)
        middle = time.perf_counter()
        found = usable(look_for_chart([str(folder)], chart))
        fit = fit_lens(found, chart)
        end = time.perf_counter()
        ratios.append((end - middle) / (middle - start))
        print(f"OpenCV {middle - start:.1f} s ({count} stills, RMS {theirs:.3f}), ours {end - middle:.1f} s ({len(found)} stills, RMS {fit.rms_px:.3f} px)")
    record_property("calibration of 20 stills of 20 Mpx / OpenCV's own detection and calibration", float(np.median(ratios)))
    assert np.median(ratios) <= 1.5


def test_memory_of_large_stills(large_stills, record_property):
    """Highest memory of the whole command: two stills at a time, whatever their number."""
    chart, folder = large_stills
    code = (
        "from framematch.measure.finding import *; from framematch.measure.chart import *; import sys; look_for_chart(sys.argv[2:], parse_chart(sys.argv[1]))"
    )
    before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    subprocess.run([sys.executable, "-c", code, chart.name, str(folder)], check=True)
    used = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"highest memory {used:.0f} MB for 20 stills of 20 Mpx (before: {before / 1024:.0f} MB)")
    record_property("MB at most for 20 stills of 20 Mpx", round(used))
    assert used < 900
