"""What a lens shows of a gap, against rays cast with Embree, Shapely and numerical differentiation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from at_length import crossed, sample
from gap_truth import LENSES, border_band, camera_of, frame_of, pixel_grid, seen_wall
from hypothesis import given, settings
from hypothesis import strategies as st

from framematch.compare import Opening, Run, Subject, curves, exits, out_of_frame_m
from framematch.compare.seen import area_in, cone_rad, project_held
from framematch.compare.sketch import inside_opening, sees_through
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.lens import Lens

PANE = Opening(width_m=1.2, height_m=0.9, sill_m=1.1)
RUNS = {
    "straight": Run(speed_m_s=8),
    "offset": Run(speed_m_s=8, right_m=0.2, up_m=-0.1),
    "aslant": Run(speed_m_s=8, right_m=-0.15, heading_deg=12, climb_deg=-4, pan_deg=-5, tilt_deg=6, bank_deg=8),
}


@pytest.mark.parametrize("seed", range(20))
def test_clipped_area_meets_shapely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frame = Rect(left=-2.0, top=-1.0, right=3.0, bottom=1.5)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 17))
    star = rng.uniform(0.2, 5, 17)[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=-1) + rng.normal(size=2)
    expected = shapely.Polygon(star).intersection(shapely.box(*frame.as_tuple())).area
    assert area_in(star, frame) == pytest.approx(expected, abs=1e-9)
    assert area_in(star[::-1], frame) == pytest.approx(expected, abs=1e-9)


def test_clipped_area_of_upright_and_level_edges() -> None:
    frame = Rect(left=0.0, top=0.0, right=4.0, bottom=2.0)
    for box, expected in (((1, 0.5, 2, 1), 0.5), ((-1, -1, 5, 5), 8), ((3, 1, 9, 9), 1), ((5, 5, 6, 6), 0), ((0, 0, 4, 2), 8)):
        x0, y0, x1, y1 = box
        assert area_in(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], dtype=float), frame) == pytest.approx(expected)


@pytest.mark.parametrize(("lens", "run"), crossed(LENSES, RUNS))
def test_fill_meets_rays_cast_at_a_wall(lens: Lens, run: Run) -> None:
    camera, frame = camera_of(lens), frame_of()
    distances = (12.0, 1.5, 0.4, 0.1)
    fill = curves(camera, frame, PANE, run, distance_m=distances, per_edge=64).fill_percent
    pixels = pixel_grid(frame, 600, 251)
    for distance, ours in zip(distances, fill, strict=True):
        through = np.isnan(seen_wall(camera, PANE, run, pixels, distance)[:, 0])
        assert ours == pytest.approx(100 * through.mean(), abs=0.06), distance


@pytest.mark.parametrize(("lens", "shape"), crossed(LENSES, ["arch", "circle"]))
def test_fill_of_curved_openings(lens: Lens, shape: str) -> None:
    """Here each pixel's ray is met with the opening's own inequality."""
    camera, frame = camera_of(lens), frame_of()
    gap = Opening(width_m=1.0, height_m=1.4, shape=shape, sill_m=0.0)
    fill = curves(camera, frame, gap, RUNS["aslant"], distance_m=(3.0, 0.8), per_edge=64).fill_percent
    for distance, ours in zip((3.0, 0.8), fill, strict=True):
        expected = 100 * sees_through(camera, gap, RUNS["aslant"], pixel_grid(frame, 600, 251), distance_m=distance).mean()
        assert ours == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize(("lens", "run"), crossed(LENSES, RUNS))
def test_edges_leave_the_rendered_picture_where_the_table_says(lens: Lens, run: Run) -> None:
    """At that distance the wall beside an edge comes to within a pixel of the frame's border and no farther in.

    The picture is rendered by Embree around the whole border at the camera's full raster, 5760 x 3036.
    """
    camera, frame = camera_of(lens), frame_of()
    pixels = border_band(frame)
    checked = 0
    for edge in exits(camera, frame, PANE, run, far_m=30.0):
        if not edge.leaves_m:
            continue
        beside = _beside(edge.side, seen_wall(camera, PANE, run, pixels, edge.leaves_m))
        assert beside.any(), edge
        furthest = pixels[beside][_inset(frame, pixels[beside]).argmax()]
        # Around the pixel that comes in furthest, look again in steps of a tenth of a pixel.
        step = np.linspace(-3, 3, 61)
        close = furthest + np.stack(np.meshgrid(step, step), axis=-1).reshape(-1, 2)
        reach = _inset(frame, close[_beside(edge.side, seen_wall(camera, PANE, run, close, edge.leaves_m))]).max()
        assert -1.0 <= reach <= 1.0, (edge, reach)
        assert edge.leaves_s == pytest.approx(edge.leaves_m / run.speed_m_s)
        checked += 1
    assert checked >= 3


def _inset(frame: Rect, pixels: np.ndarray) -> np.ndarray:
    x, y = pixels.T
    return np.minimum.reduce([x - frame.left, frame.right - x, y - frame.top, frame.bottom - y])


def _beside(side: str, wall: np.ndarray) -> np.ndarray:
    """Which of the points hit are on the wall right beside an edge of the opening."""
    (x, y, _), w, h = wall.T, PANE.width_m / 2, PANE.height_m / 2
    return {
        "left": (x < -w) & (np.abs(y) <= h),
        "right": (x > w) & (np.abs(y) <= h),
        "top": (y < -h) & (np.abs(x) <= w),
        "bottom": (y > h) & (np.abs(x) <= w),
    }[side]


@pytest.mark.parametrize("lens", LENSES.values(), ids=LENSES)
def test_an_edge_is_whole_until_its_first_point_leaves(lens: Lens) -> None:
    camera, frame, run = camera_of(lens), frame_of(), RUNS["offset"]
    for edge in exits(camera, frame, PANE, run, far_m=30.0):
        assert edge.whole_until_m is not None and edge.leaves_m is not None
        assert edge.whole_until_m >= edge.leaves_m
        points = PANE.edge(edge.side, 401)
        for distance, expected in ((edge.whole_until_m * 1.001, True), (edge.whole_until_m * 0.999, False)):
            px, _ = camera.project(run.seen_from(points, distance))
            assert bool(frame.contains(px).all()) is expected, (edge, distance)


def test_the_textbook_case_in_closed_form() -> None:
    """Straight at the middle with a straight lens: an edge at x leaves at d = x f / (half frame)."""
    camera, frame = camera_of(LENSES["straight"]), frame_of()
    by_side = {e.side: e for e in exits(camera, frame, PANE, Run(), far_m=30.0)}
    half_w, half_h = frame.width / 2 * SENSOR_PX_MM, frame.height / 2 * SENSOR_PX_MM_DOWN
    assert by_side["left"].leaves_m == pytest.approx(0.6 * 18 / half_w, rel=1e-6)
    assert by_side["top"].leaves_m == pytest.approx(0.45 * 18 / half_h, rel=1e-6)


SENSOR_PX_MM, SENSOR_PX_MM_DOWN = 24.89 / 5760, 13.12 / 3036


def test_a_lens_wider_than_half_the_world_keeps_the_edges() -> None:
    camera = Camera(lens=Lens(projection="equidistant", focal_mm=6.0), sensor_mm=(36, 24), raster_px=(3600, 2400))
    frame = camera.picture
    assert camera.angles().horizontal > 300
    assert all(e.leaves_m == 0 and e.leaves_s == 0 for e in exits(camera, frame, PANE, Run(), far_m=10.0))


def test_never_in_frame() -> None:
    camera, frame = camera_of(LENSES["straight"]), frame_of()
    away = Run(right_m=3.0, pan_deg=60)
    assert all(e.leaves_m is None and e.leaves_s is None and e.whole_until_m is None for e in exits(camera, frame, PANE, away, far_m=30.0))


def test_when_the_whole_gap_is_out_of_frame() -> None:
    """Passing aslant with the camera turned off the line: found again by asking rays at each distance."""
    camera, frame = camera_of(LENSES["straight"]), frame_of()
    run = Run(heading_deg=10, pan_deg=40, right_m=0.1)
    curve = curves(camera, frame, PANE, run, distance_m=np.geomspace(30, 0.1, 400))
    stretches = out_of_frame_m(curve)
    assert stretches
    for distance in np.geomspace(30, 0.1, 40):
        sees = sees_through(camera, PANE, run, pixel_grid(frame, 350, 150), distance_m=float(distance)).any()
        gone = any(near <= distance <= far for far, near in stretches)
        border = min(abs(math.log(distance / d)) for s in stretches for d in s)
        assert gone != sees or border < 0.03, distance
    assert out_of_frame_m(curves(camera, frame, PANE, Run(), distance_m=np.geomspace(30, 0.1, 400))) == ()


@pytest.mark.parametrize("run", RUNS.values(), ids=RUNS)
@pytest.mark.parametrize("lens", LENSES.values(), ids=LENSES)
def test_speeds_meet_numerical_differentiation(lens: Lens, run: Run) -> None:
    """Project edge middles, the subject's middle and the ground point a moment earlier and later."""
    camera, frame = camera_of(lens), frame_of()
    subject = Subject(beyond_m=6.0, right_m=-0.4)
    distance = np.array([20.0, 8.0, 3.0, 1.7])
    found = curves(camera, frame, PANE, run, distance_m=distance, subjects=(subject,))
    h = 1e-4

    def speed(points: np.ndarray, d: float) -> np.ndarray:
        def at(t: float) -> np.ndarray:
            return camera.project(run.seen_from(points, d - run.speed_m_s * t))[0]

        numeric = (45 * (at(h) - at(-h)) - 9 * (at(2 * h) - at(-2 * h)) + at(3 * h) - at(-3 * h)) / (60 * h)
        per_mm = camera.pixels_per_mm
        return np.hypot(numeric[:, 0], numeric[:, 1] * per_mm[0] / per_mm[1]) / frame.width

    middles = np.array([PANE.edge(side, 3)[1] for side in ("left", "top", "right", "bottom")])
    compared = 0
    for i, d in enumerate(distance):
        everything = np.concatenate([middles, subject.points_m(PANE)[1:2]])
        ours = np.append(found.edge_speed[i], found.subject_speed[i, 0])
        seen = np.isfinite(ours)
        assert ours[seen] == pytest.approx(speed(everything, d)[seen], rel=1e-6, abs=1e-9)
        compared += int(seen.sum())
        ray = camera.unproject(((frame.left + frame.right) / 2, frame.bottom))[0]
        down = run.opening_from_camera @ ray
        ground = run.camera_m(d) + down * (PANE.ground_y_m - run.camera_m(d)[1]) / down[1]
        assert found.ground_speed[i] == pytest.approx(float(speed(ground[None], d)[0]), rel=1e-6)
    assert compared >= 12


def test_no_ground_speed_above_the_horizon() -> None:
    found = curves(camera_of(LENSES["straight"]), frame_of(), PANE, Run(tilt_deg=40), distance_m=5.0)
    assert np.isnan(found.ground_speed).all()


@given(depth=st.floats(1.0, 40.0), height=st.floats(0.2, 3.0))
def test_subject_height_in_closed_form(depth: float, height: float) -> None:
    """A straight level lens: height f / (depth frame height)."""
    subject = Subject(height_m=height, beyond_m=2.0)
    found = curves(camera_of(LENSES["straight"]), frame_of(), PANE, Run(), distance_m=depth, subjects=(subject,))
    expected = 100 * height * 18 / (depth + 2) / (frame_of().height * 13.12 / 3036)
    assert found.subject_percent[0, 0] == pytest.approx(expected)


def test_a_subject_behind_has_no_height() -> None:
    before = Subject(beyond_m=-3.0)
    found = curves(camera_of(LENSES["straight"]), frame_of(), PANE, Run(), distance_m=[5.0, 2.0], subjects=(before,))
    assert np.isfinite(found.subject_percent[0, 0]) and np.isnan(found.subject_percent[1, 0])
    assert np.isnan(found.subject_speed[1, 0])


def test_nearly_all_of_the_table_is_in_the_coarse_outline() -> None:
    """The outline that the curves are drawn with costs little against one 16 times as fine."""
    for lens in LENSES.values():
        coarse, fine = (
            curves(camera_of(lens), frame_of(), PANE, RUNS["aslant"], distance_m=np.geomspace(30, 0.1, 60), per_edge=n).fill_percent for n in (16, 256)
        )
        assert np.abs(coarse - fine).max() < 0.1


@pytest.mark.parametrize("shape", ["rectangle", "arch", "circle"])
def test_outline_and_inequality_are_the_same_opening(shape: str) -> None:
    gap = Opening(width_m=1.0, height_m=1.4, shape=shape)
    ring = shapely.Polygon(gap.outline(200)[:, :2])
    points = np.random.default_rng(1).uniform(-1, 1, (4000, 2))
    clear = shapely.distance(shapely.points(points), ring.exterior) > 1e-3
    assert (shapely.contains_xy(ring, points)[clear] == inside_opening(gap, *points[clear].T)).all()
    bounds = ring.bounds
    assert bounds == pytest.approx((-0.5, -0.7, 0.5, 0.7), abs=1e-4)


runs = st.builds(
    Run,
    speed_m_s=st.floats(1, 30),
    right_m=st.floats(-0.5, 0.5),
    up_m=st.floats(-0.4, 0.4),
    heading_deg=st.floats(-40, 40),
    climb_deg=st.floats(-20, 20),
    pan_deg=st.floats(-30, 30),
    tilt_deg=st.floats(-40, 40),
    bank_deg=st.floats(-60, 60),
)
openings = st.builds(
    Opening, width_m=st.floats(0.3, 4), height_m=st.floats(2, 4), shape=st.sampled_from(["rectangle", "arch", "circle"]), sill_m=st.floats(0, 2)
)


@settings(max_examples=25, deadline=None)
@given(run=runs, gap=openings, lens=st.sampled_from([LENSES["straight"], LENSES["fisheye"], LENSES["kannala"]]))
def test_a_mirrored_run_is_seen_mirrored(run: Run, gap: Opening, lens: Lens) -> None:
    camera, frame, distance = camera_of(lens), frame_of(), np.geomspace(20, 0.1, 12)
    mirrored = replace(run, right_m=-run.right_m, heading_deg=-run.heading_deg, pan_deg=-run.pan_deg, bank_deg=-run.bank_deg)
    subject = Subject(right_m=0.7, beyond_m=3.0)
    one = curves(camera, frame, gap, run, distance_m=distance, subjects=(subject,))
    other = curves(camera, frame, gap, mirrored, distance_m=distance, subjects=(replace(subject, right_m=-0.7),))
    assert ((one.fill_percent >= 0) & (one.fill_percent <= 100 + 1e-9)).all()
    assert one.fill_percent == pytest.approx(other.fill_percent, abs=1e-6)
    assert one.subject_percent == pytest.approx(other.subject_percent, nan_ok=True)
    assert one.ground_speed == pytest.approx(other.ground_speed, nan_ok=True)
    for a, b in zip(exits(camera, frame, gap, run, far_m=20.0), np.take(exits(camera, frame, gap, mirrored, far_m=20.0), [2, 1, 0, 3]), strict=True):
        assert (a.leaves_m is None) == (b.leaves_m is None)
        assert (a.leaves_m or 0.0) == pytest.approx(b.leaves_m or 0.0, rel=1e-3, abs=1e-3)


@settings(max_examples=30, deadline=None)
@given(short=st.floats(9, 40), longer=st.floats(1.02, 3), right=st.floats(-0.4, 0.4))
def test_a_longer_lens_loses_the_edges_earlier(short: float, longer: float, right: float) -> None:
    run, frame = Run(right_m=right), frame_of()
    wide, long = (exits(camera_of(Lens(projection="rectilinear", focal_mm=f)), frame, PANE, run, far_m=30.0) for f in (short, short * longer))
    for a, b in zip(wide, long, strict=True):
        assert a.leaves_m is not None and b.leaves_m is not None and a.leaves_m < b.leaves_m


def test_exits_of_random_runs_to_half_a_pixel() -> None:
    """How far the edge still reaches into the frame at its exit, and that it never comes back: searched ever finer along it."""
    rng = np.random.default_rng(5)
    checked = 0
    for i in range(sample(12, 24)):
        camera, frame = camera_of(list(LENSES.values())[i % 4]), frame_of()
        run = Run(
            **{n: float(rng.uniform(-0.5, 0.5)) for n in ("right_m", "up_m")},
            **{n: float(rng.uniform(-30, 30)) for n in ("heading_deg", "climb_deg", "pan_deg", "tilt_deg", "bank_deg")},
        )
        gap = Opening(width_m=float(rng.uniform(0.4, 3)), height_m=float(rng.uniform(1.6, 3)), shape=["rectangle", "arch", "circle"][i % 3])
        cone = cone_rad(camera, frame)

        def reach(side: str, distance: float) -> float:
            low, high = 0.0, 1.0
            for _ in range(3):
                share = np.linspace(low, high, 801)
                inset = _inset(frame, project_held(camera, run.seen_from(gap.along_edge(side, share), distance), cone))  # noqa: B023
                best = int(inset.argmax())
                low, high = share[max(best - 2, 0)], share[min(best + 2, 800)]
            return float(inset.max())

        for edge in exits(camera, frame, gap, run, far_m=30.0):
            nearer = np.geomspace(0.005, 30.0, 60)
            if edge.leaves_m is None:
                assert max(reach(edge.side, d) for d in nearer) < 0.5
            elif edge.leaves_m > 0:
                assert abs(reach(edge.side, edge.leaves_m)) < 0.5
                assert max((reach(edge.side, d) for d in nearer[nearer < edge.leaves_m * 0.999]), default=0.0) < 0.5
                checked += 1
    assert checked > sample(25, 50)
