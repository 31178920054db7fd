"""Lens maps and OpenCV cameras, judged by OpenCV and by straight lines of a drawn chart."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import OpenEXR
import pytest
import tifffile
from at_length import crossed
from paper_rigs import glasshouse

from framematch.errors import InputError
from framematch.geometry.camera import Camera, Display
from framematch.geometry.lens import Lens
from framematch.output import lens_map, opencv_yaml
from framematch.output.drawing import Drawing
from framematch.output.raster import drawing_png

LENSES = {
    "equidistant": Lens(projection="equidistant", focal_mm=5.9 / math.radians(118.0)),
    "kannala-brandt": Lens(projection="kannala-brandt", focal_mm=2.9, k=(-0.03, 0.004, -0.001, 0.0001)),
    "brown-conrady": Lens(projection="brown-conrady", focal_mm=3.4, k=(-0.25, 0.06, -0.005), p=(0.001, -0.0007)),
    "stereographic": Lens(projection="stereographic", focal_mm=2.6),
}


def rig(lens: str, fit: str = "crop"):
    base = glasshouse()
    camera = replace(base.monitoring, lens=LENSES[lens], centre_px=(733.0, 529.0))
    return replace(base, monitoring=camera, display=Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=fit))


def opencv_rays(c: opencv_yaml.OpenCvCamera, pixels: np.ndarray) -> np.ndarray:
    """Points x/z, y/z of pixels in OpenCV's rule, by OpenCV alone."""
    matrix, k = np.array(c.matrix), np.array(c.coefficients)
    points = pixels.reshape(-1, 1, 2).astype(np.float64)
    if c.model == "fisheye":
        out = cv2.fisheye.undistortPoints(points, matrix, k, criteria=(3, 200, 1e-12))
    else:
        out = cv2.undistortPoints(points, matrix, k, criteria=(3, 200, 1e-12))
    return out.reshape(*pixels.shape)


def chart_through(lens: str, c: opencv_yaml.OpenCvCamera) -> np.ndarray:
    """A wall of straight, tilted lines as OpenCV's model sees it, without a line of the package's lens code.

    Each line is a soft ridge across the wall (one unit away), so that its middle is known to far below a pixel.
    """
    w, h = c.raster_px
    x, y = np.meshgrid(np.arange(w), np.arange(h))
    wall = opencv_rays(c, np.stack([x, y], axis=-1).astype(np.float64))
    u = wall[..., 0] + 0.05 * wall[..., 1]
    return ridge(u)


def ridge(u: np.ndarray) -> np.ndarray:
    """Brightness 0..1 with a peak wherever u is a multiple of 0.1."""
    away = (u / 0.1 - np.round(u / 0.1)) * 0.1
    return np.exp(-0.5 * (away / 0.008) ** 2).astype(np.float32)


@pytest.mark.parametrize("lens", ["equidistant", "kannala-brandt", "brown-conrady"])
def test_straight_lines_come_out_straight(lens: str) -> None:
    pairing = rig(lens)
    bent = lens_map.bent_picture(pairing, "display")
    chart = chart_through(lens, opencv_yaml.opencv_camera(pairing.display_camera))
    straight = lens_map.straight_picture(bent)
    st = lens_map.lens_map(straight, bent)
    mx, my = lens_map.remap_tables(st, bent.raster_px)
    warped = cv2.remap(chart, mx, my, cv2.INTER_CUBIC, borderValue=-1.0)
    worst, lines, bend_before = 0.0, 0, 0.0
    focal = straight.project([(0.1, 0, 1)])[0][0] - straight.project([(0, 0, 1)])[0][0]
    step = float(focal[0])  # pixels between lines
    for n in range(-5, 6):
        rows = np.arange(40, straight.raster_px[1] - 40, 8)
        guess = straight.raster_px[0] / 2 + n * step - 0.05 * (rows + 0.5 - straight.raster_px[1] / 2)
        found, at = peaks(warped, rows, guess, step * 0.3)
        if len(found) < 20:
            continue
        lines += 1
        slope = np.polyfit(at, found, 1)
        worst = max(worst, float(np.abs(found - np.polyval(slope, at)).max()))
        mine, at = peaks(chart, rows, guess * 0 + chart.shape[1] / 2 + n * step, step * 0.45)
        if len(mine) >= 20:
            bend_before = max(bend_before, float(np.abs(mine - np.polyval(np.polyfit(at, mine, 1), at)).max()))
    assert lines >= 7
    assert bend_before > 3.0  # the chart is bent to start with
    assert worst <= 0.3


def peaks(picture: np.ndarray, rows: np.ndarray, guess: np.ndarray, half: float) -> tuple[np.ndarray, np.ndarray]:
    """Centres of the bright line near a guess in each row, and the rows where it lies wholly inside."""
    found, at = [], []
    for row, x in zip(rows, guess, strict=True):
        left, right = int(x - half), int(x + half) + 1
        if left < 2 or right > picture.shape[1] - 2:
            continue
        part = picture[row, left:right]
        if part.min() < -0.5 or part.max() < 0.7 or not 2 < part.argmax() < len(part) - 3:
            continue
        i = int(part.argmax())
        a, b, c = np.log(np.maximum(part[i - 1 : i + 2], 1e-6))
        found.append(left + i + 0.5 * (a - c) / (a - 2 * b + c))
        at.append(float(row))
    return np.array(found), np.array(at)


@pytest.mark.parametrize(("lens", "fit"), crossed(list(LENSES), ["crop", "letterbox", "stretch"]))
def test_there_and_back_is_where_it_started(lens: str, fit: str) -> None:
    pairing = rig(lens, fit)
    bent = lens_map.bent_picture(pairing, "display")
    straight = lens_map.straight_picture(bent, raster_px=(960, 540), angle_deg=100.0)
    there, back = lens_map.lens_map(bent, straight, top_left=True), lens_map.lens_map(straight, bent, top_left=True)
    x, y = np.meshgrid(np.arange(960) + 0.5, np.arange(540) + 0.5)
    ramp = np.stack([x, y, np.ones_like(x)], axis=-1).astype(np.float32)  # the third channel tells what came through whole
    through = cv2.remap(ramp, *lens_map.remap_tables(there, straight.raster_px, top_left=True), cv2.INTER_LINEAR)
    again = cv2.remap(through, *lens_map.remap_tables(back, bent.raster_px, top_left=True), cv2.INTER_LINEAR)
    good = again[..., 2] > 0.99999
    assert good.mean() > 0.3
    # cv2.remap rounds places to 1/32 px, twice; the second picture is up to 2.3 times coarser at its edge
    assert np.abs(again - ramp)[good].max() < 0.3


def test_bars_and_places_behind_are_marked() -> None:
    pairing = rig("equidistant", "letterbox")
    bent = lens_map.bent_picture(pairing, "display")
    st = lens_map.lens_map(bent, lens_map.straight_picture(bent))
    shown = pairing.display.shown
    assert (st[:, : int(shown.left) - 1] == [-1, -1, 0]).all()
    assert st[360, 640, 2] == 1


def test_both_file_kinds_hold_the_same_floats(tmp_path: Path) -> None:
    pairing = rig("kannala-brandt")
    tiff = lens_map.write_maps(tmp_path, pairing)
    other = lens_map.write_maps(tmp_path, pairing, kind="exr")
    assert [p.name for p in tiff + other] == ["display-straight.tiff", "display-bent.tiff", "display-straight.exr", "display-bent.exr"]
    for a, b in zip(tiff, other, strict=True):
        first = tifffile.imread(a)
        with OpenEXR.File(str(b)) as file:
            second = file.channels()["RGB"].pixels
        assert first.dtype == second.dtype == np.float32
        assert first.shape[2] == 3 and np.array_equal(first, second)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in tiff + other)


def test_recording_map_takes_the_squeeze_out() -> None:
    pairing = glasshouse(squeeze=2.0, aspect=16 / 9)
    bent = lens_map.bent_picture(replace(pairing, recording=pairing.recording.resized((576, 304))), "recording")
    straight = lens_map.straight_picture(bent)
    assert straight.raster_px[0] == pytest.approx(1152, rel=0.01) and straight.raster_px[1] == 304


@pytest.mark.parametrize("lens", list(LENSES))
def test_opencv_reads_the_file_and_projects_as_we_do(tmp_path: Path, lens: str) -> None:
    pairing = rig(lens)
    written = opencv_yaml.write_cameras(tmp_path, pairing)
    assert [p.name for p in written] == ["recording.yml", "monitoring.yml", "display.yml", "rig.yml"]
    for name, camera in (("monitoring", pairing.monitoring), ("display", pairing.display_camera), ("recording", pairing.recording)):
        store = cv2.FileStorage(str(tmp_path / f"{name}.yml"), cv2.FILE_STORAGE_READ)
        matrix, k = store.getNode("camera_matrix").mat(), store.getNode("distortion_coefficients").mat()
        model, miss = store.getNode("model").string(), store.getNode("largest_miss_px").real()
        assert (store.getNode("image_width").real(), store.getNode("image_height").real()) == camera.raster_px
        rng = np.random.default_rng(3)
        rays, ok = camera.unproject(rng.uniform(0.1, 0.9, (300, 2)) * camera.raster_px)
        rays = rays[ok]
        still = np.zeros(3)
        project = cv2.fisheye.projectPoints if model == "fisheye" else cv2.projectPoints
        theirs = project(rays[:, None], still, still, matrix, k)[0].reshape(-1, 2) + 0.5
        assert np.abs(theirs - camera.project(rays)[0]).max() < max(miss, 1e-6)
        assert miss < 0.5
    rig_file = cv2.FileStorage(str(tmp_path / "rig.yml"), cv2.FILE_STORAGE_READ)
    assert [rig_file.getNode(key).string() for key in ("leads_from", "leads_to", "unit")] == ["monitoring", "recording", "metres"]
    assert np.allclose(rig_file.getNode("R").mat(), pairing.mount.recording_from_monitoring)
    assert np.allclose(rig_file.getNode("T").mat().ravel(), pairing.mount.translation_m)


def test_wrong_words_are_named(tmp_path: Path) -> None:
    pairing = rig("equidistant")
    with pytest.raises(InputError, match="display, recording"):
        lens_map.bent_picture(pairing, "goggles")
    with pytest.raises(InputError, match="1 to 170"):
        lens_map.straight_picture(lens_map.bent_picture(pairing, "display"), angle_deg=180.0)
    with pytest.raises(InputError, match=r"\.tiff or \.exr"):
        lens_map.write_map(tmp_path / "a.png", np.zeros((2, 2, 3), np.float32))
    with pytest.raises(InputError, match="tiff, exr"):
        lens_map.write_maps(tmp_path, pairing, kind="png")


def test_fitted_lens_says_how_far_off_it_is() -> None:
    wide = Camera(lens=Lens(projection="orthographic", focal_mm=3.5), sensor_mm=(5.9, 4.425), raster_px=(1440, 1080))
    assert 0 < opencv_yaml.opencv_camera(wide).miss_px < 30


def test_maps_and_overlays_of_too_many_pixels_are_refused_before_any_is_made(tmp_path: Path) -> None:
    rig = replace(glasshouse(), display=Display(raster_px=(32768, 32768), source_px=(1440, 1080)))
    with pytest.raises(InputError, match="32768 x 32768 pixels"):
        lens_map.write_maps(tmp_path, rig, names=("bent",))
    with pytest.raises(InputError, match="32768 x 32768 pixels are too many for an overlay"):
        drawing_png(Drawing(size=(32768, 32768), shapes=()))
    assert not list(tmp_path.iterdir())
