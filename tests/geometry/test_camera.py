"""Cameras, frames and displays against published angle tables, standards' rasters and themselves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from framematch.errors import InputError
from framematch.geometry.camera import DIAGONAL_135_MM, FORMATS_MM, Camera, Display, Rect, check_shapes, equivalent_135_mm, frame_in
from framematch.geometry.lens import Lens
from framematch.geometry.lens_models import PROJECTIONS

RIG = Camera(lens=Lens(projection="brown-conrady", focal_mm=18.0, k=(-0.02, 0.004)), sensor_mm=(24.89, 13.12), raster_px=(5760, 3036))


def camera_135(focal_mm: float, **lens: object) -> Camera:
    return Camera(lens=Lens(**{"projection": "rectilinear", "focal_mm": focal_mm, **lens}), sensor_mm=(36.0, 24.0), raster_px=(6000, 4000))  # type: ignore[arg-type]


# ---- angles of view ----


@pytest.mark.parametrize(("focal_mm", "horizontal", "vertical", "diagonal"), [(24, 73.7, 53.1, 84.1), (50, 39.6, 27.0, 46.8)])
def test_published_angles_of_135_format(focal_mm: float, horizontal: float, vertical: float, diagonal: float) -> None:
    """Published angle-of-view tables for the 36 x 24 mm frame (ISO 1007), to their last digit."""
    angles = camera_135(focal_mm).angles()
    assert (round(angles.horizontal, 1), round(angles.vertical, 1), round(angles.diagonal, 1)) == (horizontal, vertical, diagonal)


@pytest.mark.parametrize(
    ("projection", "half_angle"),
    # off the axis at 18 mm from the centre with f = 18: r / f = 1, by the textbook inverses
    [("rectilinear", 45.0), ("equidistant", math.degrees(1)), ("equisolid", 60.0), ("stereographic", 2 * math.degrees(math.atan(0.5))), ("orthographic", 90.0)],
)
def test_angles_of_other_projections(projection: str, half_angle: float) -> None:
    assert camera_135(18.0, projection=projection).angles().horizontal == pytest.approx(2 * half_angle, abs=1e-5)


def test_angles_past_180_degrees_and_beyond_the_picture() -> None:
    wide = Camera(lens=Lens(projection="equidistant", focal_mm=1.5), sensor_mm=(6.0, 4.5), raster_px=(1440, 1080)).angles()
    assert wide.horizontal == pytest.approx(math.degrees(4.0))  # 229 degrees: twice 3 mm over 1.5 mm
    assert wide.diagonal == pytest.approx(math.degrees(5.0))
    circle = camera_135(18.0, projection="orthographic").angles()
    assert math.isnan(circle.diagonal) and circle.vertical == pytest.approx(2 * math.degrees(math.asin(12 / 18)))


def test_angles_with_squeeze() -> None:
    # 2x on 36 x 24 mm: across it sees what 72 mm would.
    angles = camera_135(50.0, squeeze=2.0).angles()
    assert angles.horizontal == pytest.approx(2 * math.degrees(math.atan(36 / 50)))
    assert angles.vertical == pytest.approx(2 * math.degrees(math.atan(12 / 50)))
    assert angles.diagonal == pytest.approx(2 * math.degrees(math.atan(math.hypot(36, 12) / 50)))


def test_angles_of_a_part_off_the_axis() -> None:
    """A straight lens's angle between the middles of opposite edges, from the vectors to them."""
    camera = camera_135(24.0)
    part = Rect(left=500, top=300, right=2500, bottom=1100)
    angles = camera.angles(part)
    x0, x1 = (500 - 3000) * 0.006, (2500 - 3000) * 0.006
    y = (700 - 2000) * 0.006
    a, b = np.array([x0, y, 24.0]), np.array([x1, y, 24.0])
    assert angles.horizontal == pytest.approx(math.degrees(math.acos(a @ b / np.linalg.norm(a) / np.linalg.norm(b))), abs=1e-9)


def test_a_lens_focused_near_sees_less() -> None:
    far = camera_135(50.0).angles().horizontal
    near = Camera(lens=Lens(projection="rectilinear", focal_mm=50.0).focused(0.5), sensor_mm=(36.0, 24.0), raster_px=(6000, 4000)).angles().horizontal
    # Thin lens: the picture is drawn at 1 / (1/50 - 1/500) = 55.56 mm.
    assert far == pytest.approx(2 * math.degrees(math.atan(18 / 50)))
    assert near == pytest.approx(2 * math.degrees(math.atan(18 / (500 / 9))))


@pytest.mark.parametrize("focal_mm", [8.0, 18.0, 50.0, 200.0])
def test_135_equivalent(focal_mm: float) -> None:
    """By definition a lens on 36 x 24 mm is its own equivalent, and one on half the size is worth twice its length."""
    angles = camera_135(focal_mm).angles()
    assert equivalent_135_mm(angles.diagonal) == pytest.approx(focal_mm)
    assert equivalent_135_mm(angles.horizontal, side_mm=36) == pytest.approx(focal_mm)
    assert equivalent_135_mm(angles.vertical, side_mm=24) == pytest.approx(focal_mm)
    half = Camera(lens=Lens(projection="rectilinear", focal_mm=focal_mm), sensor_mm=(18.0, 12.0), raster_px=(3000, 2000))
    assert equivalent_135_mm(half.angles().diagonal) == pytest.approx(2 * focal_mm)
    assert math.isnan(equivalent_135_mm(180.0)) and math.isnan(equivalent_135_mm(220.0))


def test_135_diagonal() -> None:
    assert pytest.approx(43.267, abs=0.0005) == DIAGONAL_135_MM


# ---- formats, frames ----


def test_formats_from_standards() -> None:
    """135: ISO 1007. 35 mm apertures in inches: 0.980 x 0.735, 0.866 x 0.630 (SMPTE). 4/3-inch type: as published."""
    assert FORMATS_MM["135-still"] == (36.0, 24.0)
    assert FORMATS_MM["super35-4perf"] == pytest.approx((0.980 * 25.4, 0.735 * 25.4), abs=0.01)
    assert FORMATS_MM["academy-35"] == pytest.approx((0.866 * 25.4, 0.630 * 25.4), abs=0.01)
    assert FORMATS_MM["4/3-inch"] == (17.3, 13.0)
    # An inch type's diagonal is about 16 mm per inch from 1/2 inch up, 18 mm below (practice); nominal to about 2 %.
    for name, inches in (("1-inch", 1.0), ("2/3-inch", 2 / 3), ("1/2-inch", 1 / 2)):
        assert math.hypot(*FORMATS_MM[name]) == pytest.approx(16 * inches, rel=0.035)
    for name, inches in (("1/2.3-inch", 1 / 2.3), ("1/2.5-inch", 1 / 2.5), ("1/3-inch", 1 / 3)):
        assert math.hypot(*FORMATS_MM[name]) == pytest.approx(18 * inches, rel=0.02)


@pytest.mark.parametrize(
    ("raster", "aspect", "expected"),
    # DCI system specification: flat and scope inside the 4K and 2K containers; UHD per ITU-R BT.2020.
    [
        ((4096, 2160), 1.85, (3996, 2160)),
        ((4096, 2160), 4096 / 1716, (4096, 1716)),
        ((2048, 1080), 1.85, (1998, 1080)),
        ((2048, 1080), 2048 / 858, (2048, 858)),
        ((4096, 2160), 16 / 9, (3840, 2160)),
        ((3840, 2160), 16 / 9, (3840, 2160)),
        ((3840, 2160), 4 / 3, (2880, 2160)),
        ((1080, 1920), 16 / 9, (1080, 607.5)),
    ],
)
def test_delivery_rasters(raster: tuple[int, int], aspect: float, expected: tuple[float, float]) -> None:
    frame = frame_in(raster, aspect=aspect)
    assert (frame.width, frame.height) == pytest.approx(expected, abs=1e-9)
    assert (frame.left + frame.right, frame.top + frame.bottom) == pytest.approx(raster, abs=1e-9)


def test_2k_scope_is_not_2_39() -> None:
    assert frame_in((2048, 1080), aspect=2.39).height == pytest.approx(2048 / 2.39)
    assert frame_in((2048, 1080), aspect=2.39).height < 857


def test_safe_areas_are_keep_percent() -> None:
    """SMPTE ST 2046-1: safe action 93 %, safe title 90 %, each way; EBU R 95: 3.5 % in from each edge."""
    assert frame_in((1920, 1080), keep_percent=93).as_tuple() == pytest.approx((67.2, 37.8, 1852.8, 1042.2))
    assert frame_in((1920, 1080), keep_percent=90).as_tuple() == pytest.approx((96, 54, 1824, 1026))
    assert frame_in((1920, 1080), keep_percent=93).left == pytest.approx(1920 * 0.035)


def test_squeezed_pictures_frame_by_their_de_squeezed_shape() -> None:
    # 4:3 with 2x squeeze is 2.667:1 once de-squeezed: 2.39:1 then takes 89.6 % of the recorded width.
    frame = frame_in((2880, 2160), squeeze=2.0, aspect=2.39)
    assert frame.height == 2160 and frame.width == pytest.approx(2160 * 2.39 / 2)
    assert frame.width * 2 / frame.height == pytest.approx(2.39)
    assert frame.width / 2880 == pytest.approx(0.89625)


def test_the_rigs_frame() -> None:
    """Worked by hand: 92 % of 5760 x 3036 is 5299.2 x 2793.12; 2.39:1 in it is 5299.2 x 2217.24."""
    frame = frame_in((5760, 3036), aspect=2.39, keep_percent=92)
    assert frame.as_tuple() == pytest.approx((230.4, 1518 - 2217.2385 / 2, 5529.6, 1518 + 2217.2385 / 2), abs=1e-4)


@pytest.mark.parametrize(
    ("align", "left", "top"),
    [("centre", 200.0, 700.0), ("left", 200.0, 700.0), ("top", 200.0, 200.0), ("bottom", 200.0, 1200.0)],
)
def test_alignment_of_a_wide_frame(align: str, left: float, top: float) -> None:
    frame = frame_in((2000, 2000), aspect=1600 / 600, keep_percent=80, align=align)
    assert frame.as_tuple() == pytest.approx((left, top, left + 1600, top + 600))


@pytest.mark.parametrize(("align", "left"), [("centre", 700.0), ("left", 200.0), ("right", 1200.0), ("top", 700.0)])
def test_alignment_of_a_tall_frame(align: str, left: float) -> None:
    frame = frame_in((2000, 2000), aspect=600 / 1600, keep_percent=80, align=align)
    assert frame.as_tuple() == pytest.approx((left, 200, left + 600, 1800))


@given(
    w=st.integers(64, 9000),
    h=st.integers(64, 9000),
    aspect=st.floats(0.3, 4) | st.none(),
    squeeze=st.floats(1, 2),
    keep=st.floats(10, 100),
    align=st.sampled_from(["centre", "top", "bottom", "left", "right"]),
)
@settings(max_examples=300, deadline=None)
def test_a_frame_is_the_largest_of_its_shape_in_what_is_left(w: int, h: int, aspect: float | None, squeeze: float, keep: float, align: str) -> None:
    frame = frame_in((w, h), squeeze=squeeze, aspect=aspect, keep_percent=keep, align=align)
    room_w, room_h = w * keep / 100, h * keep / 100
    assert frame.left >= (w - room_w) / 2 - 1e-9 and frame.right <= (w + room_w) / 2 + 1e-9
    assert frame.top >= (h - room_h) / 2 - 1e-9 and frame.bottom <= (h + room_h) / 2 + 1e-9
    fills_across, fills_down = math.isclose(frame.width, room_w, rel_tol=1e-9), math.isclose(frame.height, room_h, rel_tol=1e-9)
    if aspect is None:
        assert fills_across and fills_down
    else:
        assert fills_across or fills_down
        assert frame.width * squeeze / frame.height == pytest.approx(aspect)


def test_border_runs_clockwise_from_the_top_left() -> None:
    rect = Rect(left=10, top=20, right=50, bottom=40)
    corners = rect.border([0, 1, 2, 3, 4])
    assert corners.tolist() == [[10, 20], [50, 20], [50, 40], [10, 40], [10, 20]]
    assert rect.border([0.25, 1.5, 2.75, 3.1]).tolist() == [[20, 20], [50, 30], [20, 40], pytest.approx([10, 38])]
    assert rect.border(np.zeros((2, 3))).shape == (2, 3, 2)
    assert rect.contains([[10, 20], [50, 40], [30, 30], [9.99, 30], [30, 40.01], [np.nan, 30]]).tolist() == [True, True, True, False, False, False]


# ---- cameras ----


def test_the_centre_and_the_corners_by_hand() -> None:
    """Pixels run from 0 at the outer corner of the first one to the raster's size; 6000 px over 36 mm is 1/6 px per um."""
    camera = camera_135(24.0)
    assert camera.project([0, 0, 1])[0].tolist() == [3000, 2000]
    assert camera.project([-18, -12, 24])[0] == pytest.approx([0, 0], abs=1e-9)
    assert camera.project([18, 12, 24])[0] == pytest.approx([6000, 4000])
    assert camera.project([[1, 0, 10], [0, 1, 10]])[0] == pytest.approx(np.array([[3000 + 2.4 / 0.006, 2000], [3000, 2000 + 2.4 / 0.006]]))
    off = Camera(lens=camera.lens, sensor_mm=camera.sensor_mm, raster_px=camera.raster_px, centre_px=(3010.0, 1980.0))
    assert off.project([0, 0, 1])[0].tolist() == [3010, 1980]
    assert off.unproject([3010, 1980])[0].tolist() == [0, 0, 1]


def test_as_opencv_with_pixels_that_are_not_square() -> None:
    """cv2.projectPoints; OpenCV counts pixels from the first one's centre, so its centre is ours less 0.5."""
    import cv2

    camera = Camera(
        lens=Lens(projection="brown-conrady", focal_mm=18.0, k=(-0.1, 0.02, 0.001), p=(0.001, -0.002)),
        sensor_mm=(24.0, 13.5),
        raster_px=(2048, 1080),
        centre_px=(1030.0, 533.0),
    )
    matrix = np.array([[18 * 2048 / 24, 0, 1029.5], [0, 18 * 1080 / 13.5, 532.5], [0, 0, 1]])
    rays = np.random.default_rng(8).uniform([-0.7, -0.4, 1], [0.7, 0.4, 1], (5000, 3))
    theirs = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), matrix, np.array([-0.1, 0.02, 0.001, -0.002, 0.001]))[0][:, 0]
    ours, ok = camera.project(rays)
    assert ok.all() and np.abs(ours - (theirs + 0.5)).max() <= 1e-6


@pytest.mark.parametrize("projection", PROJECTIONS)
def test_pixels_to_rays_and_back(projection: str) -> None:
    camera = Camera(lens=Lens(projection=projection, focal_mm=18.0, squeeze=1.33), sensor_mm=(22.0, 16.0), raster_px=(2200, 1600), centre_px=(1111.5, 790.25))
    pixels = np.random.default_rng(9).uniform(0, [2200, 1600], (4, 250, 2))
    rays, ok = camera.unproject(pixels)
    assert rays.shape == (4, 250, 3) and ok.shape == (4, 250) and ok.all()
    back, ok = camera.project(rays * 3.7)
    assert ok.all() and np.abs(back - pixels).max() < 1e-9


@pytest.mark.parametrize("camera", [RIG, camera_135(10.0, projection="equidistant", squeeze=1.5)], ids=["rig", "wide"])
def test_resized_and_cropped_cameras_see_the_same(camera: Camera) -> None:
    rays, _ = camera.unproject(np.random.default_rng(10).uniform(0, camera.raster_px, (500, 2)))
    pixels, _ = camera.project(rays)
    smaller = camera.resized((960, 540))
    assert smaller.project(rays)[0] == pytest.approx(pixels * np.array([960, 540]) / camera.raster_px)
    assert smaller.angles() == camera.angles()
    part = Rect(left=400.5, top=250.25, right=2900.5, bottom=1750.25)
    seen = camera.cropped(part, (1250, 750))
    assert seen.project(rays)[0] == pytest.approx((pixels - [part.left, part.top]) * 0.5, abs=1e-8)
    for name in ("horizontal", "vertical", "diagonal"):
        assert getattr(seen.angles(), name) == pytest.approx(getattr(camera.angles(part), name), abs=1e-9)
    again = seen.cropped(Rect(left=250, top=150, right=1000, bottom=600), (750, 450))
    direct = camera.cropped(Rect(left=900.5, top=550.25, right=2400.5, bottom=1450.25), (750, 450))
    assert again.project(rays)[0] == pytest.approx(direct.project(rays)[0], abs=1e-8)


@pytest.mark.parametrize(
    ("sensor_mm", "raster_px"),
    [((24.89, 13.12), (5760, 3036)), ((5.9, 4.425), (1440, 1080)), ((6.16, 4.62), (4000, 3000)), ((13.2, 8.8), (5400, 3600)), ((36.0, 24.4), (6000, 4000))],
)
def test_shapes_that_agree(sensor_mm: tuple[float, float], raster_px: tuple[int, int]) -> None:
    check_shapes(sensor_mm=sensor_mm, raster_px=raster_px)


@pytest.mark.parametrize(
    ("sensor_mm", "raster_px", "part"),
    # a 16:9 mode of a 3:2 and of a 4:3 sensor, and a 4:3 mode of a 16:9 one
    [((36.0, 24.0), (3840, 2160), "[36.0, 20.25]"), ((6.4, 4.8), (1920, 1080), "[6.4, 3.6]"), ((9.6, 5.4), (1440, 1080), "[7.2, 5.4]")],
)
def test_shapes_that_disagree_name_the_part_read_out(sensor_mm: tuple[float, float], raster_px: tuple[int, int], part: str) -> None:
    with pytest.raises(InputError) as caught:
        check_shapes(sensor_mm=sensor_mm, raster_px=raster_px)
    assert caught.value.field == "sensor_mm" and part in caught.value.fix


# ---- displays ----


@pytest.mark.parametrize(
    ("fit", "corner", "scale"),
    # 1440 x 1080 on 1280 x 720: crop by 8/9 (960 high, 120 off above and below), letterbox by 2/3 (960 wide, bars of 160).
    [("crop", (0, -120), (8 / 9, 8 / 9)), ("letterbox", (160, 0), (2 / 3, 2 / 3)), ("stretch", (0, 0), (8 / 9, 2 / 3))],
)
def test_fits_by_hand(fit: str, corner: tuple[float, float], scale: tuple[float, float]) -> None:
    display = Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=fit)
    assert display.scale == pytest.approx(scale)
    assert display.from_source([0, 0]) == pytest.approx(corner)
    assert display.from_source([720, 540]) == pytest.approx([640, 360])
    assert display.screen.as_tuple() == (0, 0, 1280, 720)


def test_what_is_shown_by_hand() -> None:
    crop, letterbox, stretch = (Display(raster_px=(1280, 720), source_px=(1440, 1080), fit=fit) for fit in ("crop", "letterbox", "stretch"))
    assert crop.shown.as_tuple() == pytest.approx((0, 0, 1280, 720))
    assert crop.source_shown.as_tuple() == pytest.approx((0, 135, 1440, 945))
    assert letterbox.shown.as_tuple() == pytest.approx((160, 0, 1120, 720))
    assert letterbox.source_shown.as_tuple() == pytest.approx((0, 0, 1440, 1080))
    assert stretch.shown.as_tuple() == pytest.approx((0, 0, 1280, 720))
    assert stretch.source_shown.as_tuple() == pytest.approx((0, 0, 1440, 1080))


sides = st.tuples(st.integers(64, 5000), st.integers(64, 5000))


@given(raster=sides, source=sides, fit=st.sampled_from(["crop", "letterbox", "stretch"]), x=st.floats(-1, 2), y=st.floats(-1, 2))
@settings(max_examples=300, deadline=None)
def test_fits_are_consistent(raster: tuple[int, int], source: tuple[int, int], fit: str, x: float, y: float) -> None:
    display = Display(raster_px=raster, source_px=source, fit=fit)
    point = np.array([x * source[0], y * source[1]])
    assert display.to_source(display.from_source(point)) == pytest.approx(point, abs=1e-6)
    assert display.from_source(np.array(source) / 2) == pytest.approx(np.array(raster) / 2)
    shown, part = display.shown, display.source_shown
    assert display.from_source([part.left, part.top]) == pytest.approx([shown.left, shown.top], abs=1e-6)
    whole_display = shown.as_tuple() == pytest.approx((0, 0, *raster), abs=1e-6)
    whole_source = part.as_tuple() == pytest.approx((0, 0, *source), abs=1e-6)
    across, down = display.scale
    if fit == "stretch":
        assert whole_display and whole_source
    else:
        assert across == down
        assert whole_display if fit == "crop" else whole_source


@given(source=sides, times=st.integers(1, 4))
@settings(max_examples=50, deadline=None)
def test_all_fits_agree_where_the_shapes_do(source: tuple[int, int], times: int) -> None:
    points = np.array([[0.0, 0.0], [13.5, 60.25], list(source)])
    for fit in ("crop", "letterbox", "stretch"):
        display = Display(raster_px=(source[0] * times, source[1] * times), source_px=source, fit=fit)
        assert display.from_source(points) == pytest.approx(points * times, abs=1e-9)
