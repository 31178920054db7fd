"""Charts found in real and rendered stills; the lens and the mount solved from them.

Outside truth: OpenCV's own calibration on the same corners, Debian's opencv-doc stills (a real rig), SciPy's
least squares; rendered stills with known cameras.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from at_length import sample
from measure_scenes import Spoil, chart_positions, chart_still, random_rig
from outside import need
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount
from framematch.measure.bundle import Corners, State, residuals, solve
from framematch.measure.chart import CHARUCO, CHESSBOARD, Chart, chart_for_paper, find_chart, mirrored, parse_chart
from framematch.measure.derivatives import image_derivatives
from framematch.measure.finding import look_for_chart
from framematch.measure.lens import TOGETHER, fit_lens
from framematch.measure.mount import FIGURES, Known, carried, compare_offset, fit_mount
from framematch.measure.pose import place_chart
from framematch.measure.solved_figures import Model

cv2 = pytest.importorskip("cv2")

DOC_CHART = Chart(kind=CHESSBOARD, columns=10, rows=7, square_mm=25.0)
FIVE = Model(projection="brown-conrady", radial=3, tangential=True)  # OpenCV's own five figures
OPENCV_FLAGS = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_USE_INTRINSIC_GUESS
GUESS = np.array([[540.0, 0, 320], [0, 540, 240], [0, 0, 1]])


@pytest.fixture(scope="module")
def doc_found():
    folder = Path("/usr/share/doc/opencv-doc/examples/data")
    need(folder.is_dir(), "opencv-doc")
    sides = {s: look_for_chart([str(folder / f"{s}[01]*.jpg")], DOC_CHART) for s in ("left", "right")}
    return {s: [each.found for each in looked] for s, looked in sides.items()}


def _opencv_corners(found):
    board = [DOC_CHART.points_mm[f.ids].astype(np.float32) for f in found]
    return board, [(f.pixels - 0.5).astype(np.float32) for f in found]  # OpenCV counts from pixel centres


def test_every_real_still_is_found(opencv_doc, doc_found):
    assert all(f is not None and len(f.ids) == 54 for side in doc_found.values() for f in side)
    assert len(doc_found["left"]) == len(doc_found["right"]) == 13


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("robust", [False, True])
def test_real_lens_is_as_good_as_opencvs_own(opencv_doc, doc_found, side, robust):
    fit = fit_lens(doc_found[side], DOC_CHART, models=[FIVE], robust=robust)
    views = [fit.view == v for v in range(len(fit.used))]
    board, seen = [fit.board_mm[v].astype(np.float32) for v in views], [(fit.pixels[v] - 0.5).astype(np.float32) for v in views]
    rms, matrix, distortion, *_ = cv2.calibrateCameraExtended(board, seen, (640, 480), GUESS.copy(), np.zeros(5), flags=OPENCV_FLAGS)
    spread = cv2.calibrateCameraExtended(board, seen, (640, 480), GUESS.copy(), np.zeros(5), flags=OPENCV_FLAGS)[5].ravel()
    assert fit.rms_px <= 1.02 * rms
    camera = fit.camera
    ours = [camera.lens.focal_mm * camera.pixels_per_mm[0], *camera.centre_px, *camera.lens.k[:2], *camera.lens.p, camera.lens.k[2]]
    theirs = [matrix[0, 0], matrix[0, 2] + 0.5, matrix[1, 2] + 0.5, *distortion.ravel()[:5]]
    order = ("focal_mm", "centre_x_px", "centre_y_px", "k1", "k2", "p1", "p2", "k3")
    half = {f.name: f.half_95 for f in fit.figures}
    half["focal_mm"] *= camera.pixels_per_mm[0]
    for name, a, b in zip(order, ours, theirs, strict=True):
        assert abs(a - b) <= 0.05 * half[name], name
    # Their standard deviations of the same figures (fy stands for the common focal length).
    for name, sigma in zip(order, spread[1:9], strict=True):
        assert half[name] == pytest.approx(TOGETHER * 1.96 * sigma, rel=0.02), name


def test_published_intrinsics_lie_near(opencv_doc, doc_found):
    """left_intrinsics.yml of the same stills: fx = fy = 535.9157, made with other corners, one of them far off (1.18 px)."""
    fit = fit_lens(doc_found["left"], DOC_CHART, models=[FIVE])
    assert fit.camera.lens.focal_mm * fit.camera.pixels_per_mm[0] == pytest.approx(535.9157, rel=0.008)
    assert fit.rms_px < 0.3926


def test_real_mount_agrees_with_opencvs_stereo_calibration(opencv_doc, doc_found):
    left, right = doc_found["left"], doc_found["right"]
    fit = fit_mount(left, right, DOC_CHART, cameras=tuple(fit_lens(s, DOC_CHART, models=[FIVE]) for s in (left, right)))
    board, seen_left = _opencv_corners(left)
    _, seen_right = _opencv_corners(right)
    single = [cv2.calibrateCamera(board, seen, (640, 480), GUESS.copy(), np.zeros(5), flags=OPENCV_FLAGS) for seen in (seen_left, seen_right)]
    out = cv2.stereoCalibrate(board, seen_left, seen_right, single[0][1], single[0][2], single[1][1], single[1][2], (640, 480), flags=OPENCV_FLAGS)
    turn, shift = out[5].T, -(out[5].T @ out[6]).ravel()  # theirs goes from left to right
    apart = np.degrees(Rotation.from_matrix(turn.T @ fit.mount.recording_from_monitoring).magnitude())
    assert apart <= 0.05
    length = np.linalg.norm(fit.mount.translation_m) * 1000
    assert length == pytest.approx(np.linalg.norm(shift), rel=0.005)
    assert np.allclose(fit.mount.translation_m * 1000, shift, atol=0.5)


@pytest.mark.at_length
def test_left_out_pairs_are_carried_over(opencv_doc, doc_found):
    miss = []
    for out in range(0, 13, sample(6, 3)):
        sides = [[f for i, f in enumerate(doc_found[s]) if i != out] for s in ("left", "right")]
        fit = fit_mount(*sides, DOC_CHART, cameras=tuple(fit_lens(s, DOC_CHART, models=[FIVE]) for s in sides))
        miss.append(np.hypot(*carried(fit, doc_found["left"][out], doc_found["right"][out], DOC_CHART).T))
    assert np.median(np.concatenate(miss)) <= 0.5


def test_derivatives_are_those_of_the_camera():
    rng = np.random.default_rng(3)
    for lens, model in (
        (
            Lens(projection="brown-conrady", focal_mm=5, k=(-0.2, 0.1, 0.02, 0.01, 0.03, 0.01), p=(0.01, -0.02)),
            Model(projection="brown-conrady", radial=6, tangential=True),
        ),
        (Lens(projection="kannala-brandt", focal_mm=5, k=(-0.02, 0.01, 0.002, 0.001), squeeze=1.3), Model(projection="kannala-brandt", radial=4)),
        (Lens(projection="equisolid", focal_mm=5), Model(projection="equisolid")),
    ):
        camera = Camera(lens=lens, sensor_mm=(10.0, 7.0), raster_px=(1000, 700))
        points = rng.normal(size=(40, 3)) * [300, 200, 50] + [0, 0, 600]
        by_point, by_figure = image_derivatives(camera, points, model)
        for axis, step in enumerate(1e-3 * np.eye(3)):
            numeric = (camera.project(points + step)[0] - camera.project(points - step)[0]) / 2e-3
            assert np.allclose(by_point[:, :, axis], numeric, atol=1e-7 * np.abs(numeric).max())
        values = model.values(camera)
        for i, step in enumerate(1e-5 * np.eye(len(values))):
            numeric = (model.camera(camera, values + step).project(points)[0] - model.camera(camera, values - step).project(points)[0]) / 2e-5
            assert np.allclose(by_figure[:, :, i], numeric, atol=1e-6 * np.abs(numeric).max())


def _made_corners(rng, noise_px=0.1):
    """Corners of a rig without pictures: exact projections with noise added."""
    rig, chart = random_rig(rng), parse_chart("A3")
    positions = chart_positions(rig, chart, rng, both=8, wide=4)
    m = rig.mount
    parts = []
    for view, (turn, shift) in enumerate(positions):
        in_recording = chart.points_mm @ turn.T + shift
        for index, (camera, points) in enumerate(
            ((rig.recording, in_recording), (rig.monitoring, (in_recording - m.translation_m * 1000) @ m.recording_from_monitoring))
        ):
            pixels, ok = camera.project(points)
            ok &= ((pixels > 5) & (pixels < np.array(camera.raster_px) - 5)).all(axis=1)
            parts.append((np.full(ok.sum(), index), np.full(ok.sum(), view), chart.points_mm[ok], (pixels + rng.normal(scale=noise_px, size=pixels.shape))[ok]))
    corners = Corners(**{k: np.concatenate(v) for k, v in zip(("camera", "view", "board_mm", "pixels"), zip(*parts, strict=True), strict=True)})
    turns, shifts = (np.array(a) for a in zip(*positions, strict=True))
    state = State(cameras=(rig.recording, rig.monitoring), turn=turns, shift_mm=shifts, mount_turn=m.recording_from_monitoring, mount_mm=m.translation_m * 1000)
    return rig, corners, state


def test_solver_ends_where_scipys_does():
    """scipy.optimize.least_squares on the same residuals, from the same start."""
    rng = np.random.default_rng(5)
    _, corners, state = _made_corners(rng)
    models = [Model(projection="brown-conrady", radial=2), Model(projection="kannala-brandt", radial=2)]
    ours = solve(state, corners, models)
    head = sum(len(m.figures) for m in models)

    def unpacked(x):
        cameras = tuple(m.camera(c, v) for m, c, v in zip(models, state.cameras, np.split(x[:head], [len(models[0].figures)]), strict=True))
        views = x[head + 6 :].reshape(-1, 6)
        return State(
            cameras=cameras,
            turn=Rotation.from_rotvec(views[:, :3]).as_matrix() @ state.turn,
            shift_mm=state.shift_mm + views[:, 3:],
            mount_turn=Rotation.from_rotvec(x[head : head + 3]).as_matrix() @ state.mount_turn,
            mount_mm=state.mount_mm + x[head + 3 : head + 6],
        )

    start = np.concatenate([*(m.values(c) for m, c in zip(models, state.cameras, strict=True)), np.zeros(6 + 6 * len(state.turn))])
    found = least_squares(lambda x: residuals(unpacked(x), corners).ravel(), start, x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12)
    theirs = unpacked(found.x)
    assert (ours.residual_px**2).sum() <= 2 * found.cost * (1 + 1e-6)
    assert np.allclose(ours.state.mount_mm, theirs.mount_mm, atol=1e-3)
    assert np.degrees(Rotation.from_matrix(ours.state.mount_turn.T @ theirs.mount_turn).magnitude()) < 1e-4
    normal = found.jac.T @ found.jac
    sigma = np.sqrt(np.diag(np.linalg.inv(normal))[: head + 6])
    # Ours are for each camera's own noise; here both cameras have the same, about 0.1 px.
    assert np.allclose(np.sqrt(np.diag(solve(state, corners, models).covariance)), sigma * 0.1, rtol=0.12)


def test_intervals_cover_on_exact_corners_with_noise():
    """95 % intervals of the mount over 40 made rigs: 240 figures; the binomial spread of the share is 1.4 points."""
    models = [Model(projection="brown-conrady", radial=2), Model(projection="kannala-brandt", radial=2)]
    inside = []
    for seed in range(40):
        rng = np.random.default_rng(1000 + seed)
        rig, corners, state = _made_corners(rng)
        solution = solve(state, corners, models, noise_px=(0.1, 0.1))
        sigma = np.sqrt(np.diag(solution.covariance))[-6:]
        turned = Rotation.from_matrix(solution.state.mount_turn @ rig.mount.recording_from_monitoring.T).as_rotvec()
        off = np.concatenate([turned, solution.state.mount_mm - rig.mount.translation_m * 1000])
        inside.append(np.abs(off) <= 1.96 * sigma)
    assert 0.91 <= np.mean(inside) <= 0.99


def _rendered(seed, both, wide, *, chart=None, spoil=Spoil()):  # noqa: B008
    rng = np.random.default_rng(seed)
    rig, chart = random_rig(rng, recording_px=(1440, 759), monitoring_px=(1280, 960)), chart or parse_chart("A3")
    sides = ([], [])
    m = rig.mount
    for i, (turn, shift) in enumerate(chart_positions(rig, chart, rng, both=both, wide=wide)):
        at = (
            (rig.recording, turn, shift),
            (rig.monitoring, m.recording_from_monitoring.T @ turn, m.recording_from_monitoring.T @ (shift - m.translation_m * 1000)),
        )
        for side, (camera, a, b) in zip(sides, at, strict=True):
            side.append(find_chart(chart_still(camera, a, b, chart, rng, spoil, fine=2), chart, still=f"{i:02d}"))
    return rig, chart, sides


@pytest.fixture(scope="module")
def rendered():
    return _rendered(11, both=10, wide=sample(2, 6))


@pytest.mark.at_length
def test_rendered_rig_is_recovered(rendered):
    """160 degree fisheye and 18 mm rectilinear on one mount, from stills with noise, blur, JPEG and vignetting."""
    rig, chart, sides = rendered
    fits = tuple(fit_lens([f for f in s if f], chart, sensor_mm=c.sensor_mm) for s, c in zip(sides, (rig.recording, rig.monitoring), strict=True))
    assert [f.model.projection for f in fits] == ["brown-conrady", "kannala-brandt"]
    for fit, true in zip(fits, (rig.recording, rig.monitoring), strict=True):
        assert fit.angles.horizontal == pytest.approx(true.angles().horizontal, abs=max(0.15, 2 * fit.angles_95.horizontal))
    fit = fit_mount(*sides, chart, cameras=fits)
    apart = np.degrees(Rotation.from_matrix(fit.mount.recording_from_monitoring.T @ rig.mount.recording_from_monitoring).magnitude())
    assert apart <= 0.05
    assert np.abs(fit.mount.translation_m - rig.mount.translation_m).max() <= 0.002
    for figure in fit.figures:
        assert abs(figure.value - getattr(rig.mount, figure.name)) <= 3 * figure.half_95
    assert tuple(f.name for f in fit.figures) == FIGURES


def test_kept_lenses_carry_their_tolerance(rendered):
    rig, chart, sides = rendered
    sure = fit_mount(*sides, chart, cameras=(Known(camera=rig.recording), Known(camera=rig.monitoring)))
    unsure = fit_mount(
        *sides, chart, cameras=(Known(camera=rig.recording, focal_percent=1, centre_px=10), Known(camera=rig.monitoring, focal_percent=1, centre_px=10))
    )
    assert np.abs(sure.mount.translation_m - rig.mount.translation_m).max() <= 0.002
    for a, b in zip(sure.figures, unsure.figures, strict=True):
        assert b.half_95 > a.half_95
    held = sure.cameras
    assert held == (rig.recording, rig.monitoring)


def test_a_pair_of_another_moment_is_left_out(rendered):
    rig, chart, sides = rendered
    swapped = [*sides[1]]
    a, b = [i for i, (r, m) in enumerate(zip(*sides, strict=True)) if r is not None and m is not None][:2]
    swapped[a], swapped[b] = swapped[b], swapped[a]
    fit = fit_mount(sides[0], swapped, chart, cameras=(Known(camera=rig.recording), Known(camera=rig.monitoring)))
    named = " ".join(name + reason for name, reason in fit.left_out)
    assert f"{a:02d} + {b:02d}" in named and f"{b:02d} + {a:02d}" in named and "one moment" in named
    assert np.abs(fit.mount.translation_m - rig.mount.translation_m).max() <= 0.002


def test_a_wrong_still_is_left_out_of_a_lens(rendered):
    _, chart, sides = rendered
    found = [f for f in sides[1] if f]
    bad = replace(found[3], pixels=found[3].pixels + np.random.default_rng(1).normal(scale=6, size=found[3].pixels.shape))
    fit = fit_lens([*found[:3], bad, *found[4:]], chart)
    assert [name for name, _ in fit.left_out] == [bad.still]


def test_a_chart_of_another_size_is_named(rendered):
    rig, chart, sides = rendered
    small = chart.printed_at(0.9)
    fit = fit_mount(*sides, small, cameras=(Known(camera=rig.recording), Known(camera=rig.monitoring)))
    lines = compare_offset(fit, rig.mount, 2.0)
    assert len(lines) == 1 and "111 % of the size" in lines[0] and "--bar-mm" in lines[0]
    right = fit_mount(*sides, chart, cameras=(Known(camera=rig.recording), Known(camera=rig.monitoring)))
    assert compare_offset(right, rig.mount, 2.0) == []


def test_a_stretched_chart_is_named(rendered):
    _, chart, sides = rendered
    across = Chart(kind=CHARUCO, columns=chart.columns, rows=chart.rows, square_mm=chart.square_mm)
    found = [f for f in sides[0] if f]

    class Stretched:
        points_mm = across.points_mm * (0.985, 1, 1)

    fit = fit_lens(found, Stretched())
    assert any("1.5 % longer across" in w for w in fit.warnings)
    assert not any("across than down" in w for w in fit_lens(found, chart).warnings)


def test_poor_coverage_says_where_to_hold_the_chart_next(rendered):
    rig, chart, sides = rendered
    width = rig.recording.raster_px[0]
    left = [f for f in sides[0] if f and f.pixels[:, 0].mean() < 0.6 * width]
    kept = [replace(f, ids=f.ids[f.pixels[:, 0] < 0.6 * width], pixels=f.pixels[f.pixels[:, 0] < 0.6 * width]) for f in left]
    fit = fit_lens([f for f in kept if len(f.ids) > 10], chart)
    assert any("right" in line and "hold the chart" in line for line in fit.advice)
    full = fit_lens([f for f in sides[0] if f], chart)
    assert fit.angles_95.horizontal > full.angles_95.horizontal  # what leaving it costs


def test_chessboard_is_found_the_same_way_up_in_both_cameras():
    rig, chart, sides = _rendered(7, both=3, wide=0, chart=chart_for_paper("A4", kind=CHESSBOARD))
    for side, camera in zip(sides, (rig.recording, rig.monitoring), strict=True):
        for found in side:
            if found is not None:
                placed = place_chart(
                    camera,
                    Corners(camera=np.zeros(len(found.ids), int), view=np.zeros(len(found.ids), int), board_mm=chart.points_mm[found.ids], pixels=found.pixels),
                )
                assert placed is not None and placed[2] < 0.4 and placed[0][2, 2] > 0
    fit = [f for f in zip(*sides, strict=True) if f[0] is not None and f[1] is not None]
    assert len(fit) >= 2


def test_mirrored_still_is_told(rendered):
    rng = np.random.default_rng(2)
    rig, chart = random_rig(rng, recording_px=(1440, 759)), parse_chart("A3")
    turn, shift = chart_positions(rig, chart, rng, both=2, wide=0)[1]
    still = chart_still(rig.recording, turn, shift, chart, rng, fine=2)
    flipped = np.ascontiguousarray(still[:, ::-1])
    assert find_chart(still, chart) is not None and not mirrored(still, chart)
    assert find_chart(flipped, chart) is None and mirrored(flipped, chart)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("board", "names no chart"),
        ("charuco-11x7-0.035mm", "millimetres"),
        ("charuco-2x7-30mm", "3 to 40"),
        ("charuco-30x30-30mm", "more than 250 markers"),
        ("charuco-8x6-30mm-31mm-5", "smaller"),
        ("charuco-8x6-30mm-20mm-9", "4, 5, 6 or 7"),
        ("charuco-8x6-3.0.0mm", "names no chart"),
    ],
)
def test_bad_chart_names(text, says):
    with pytest.raises(InputError, match=says):
        parse_chart(text)


def test_chart_names_round_trip():
    for paper in ("A4", "a3", "Letter"):
        for kind in (CHARUCO, CHESSBOARD):
            chart = chart_for_paper(paper, kind=kind)
            assert parse_chart(chart.name) == chart and chart.one_way_up
    other = parse_chart("charuco-8x6-30mm-22mm-5")
    assert (other.marker_mm, other.bits) == (22, 5) and parse_chart(other.name) == other


def test_bad_stills_for_a_lens(rendered):
    _, chart, sides = rendered
    found = [f for f in sides[1] if f]
    with pytest.raises(InputError, match="3 are needed"):
        fit_lens(found[:2], chart)
    with pytest.raises(InputError, match="1280 x 960 pixels but"):
        fit_lens([*found, replace(found[0], size_px=(960, 1280), still="upright.jpg")], chart)
    with pytest.raises(InputError, match="none of the stills"):
        fit_lens([], chart)


def test_bad_pairs_for_a_mount(rendered):
    rig, chart, sides = rendered
    with pytest.raises(InputError, match="do not make pairs"):
        fit_mount(sides[0], sides[1][:-1], chart)
    with pytest.raises(InputError, match="3 are needed"):
        fit_mount(sides[0][:2], sides[1][:2], chart)
    with pytest.raises(InputError, match="upside down"):
        fit_mount(sides[0], sides[1], Chart(kind=CHESSBOARD, columns=9, rows=7, square_mm=30))
    wrong = replace(rig.monitoring, raster_px=(640, 480))
    with pytest.raises(InputError, match="the pairing says 640 x 480"):
        fit_mount(sides[0], sides[1], chart, cameras=(Known(camera=rig.recording), Known(camera=wrong)))


def test_known_mount_type():
    assert Mount().translation_m.tolist() == [0, 0, 0]


def test_a_mirrored_plain_chessboard_is_told_by_what_is_printed_below_it(tmp_path, poppler):
    """The page as it is printed, photographed from four sides: the pattern alone is its own mirror image turned half round."""
    import subprocess

    from framematch.measure.chart import AS_PRINTED, MIRRORED, UNTOLD, way_round
    from framematch.measure.finding import look_in
    from framematch.output.chart_pdf import write_charts

    name = write_charts(tmp_path / "charts.pdf", paper="A3")[1]
    subprocess.run(["pdftoppm", "-r", "60", "-gray", "-png", "-f", "2", "-l", "2", tmp_path / "charts.pdf", tmp_path / "page"], check=True)
    page = np.pad(cv2.imread(str(next(tmp_path.glob("page-*.png"))), cv2.IMREAD_GRAYSCALE), 60, constant_values=110)
    chart = parse_chart(name)
    for turns in range(4):
        for picture, way in ((page, AS_PRINTED), (page[:, ::-1], MIRRORED)):
            still = np.ascontiguousarray(np.rot90(picture, turns))
            found = find_chart(still, chart)
            assert found is not None and way_round(still, chart, found) == way
    bare = page.copy()
    bare[-60 - round(38 / 25.4 * 60) :] = 110  # its foot cut off
    assert way_round(bare, chart, find_chart(bare, chart)) == UNTOLD
    cv2.imwrite(str(tmp_path / "mirrored.png"), page[:, ::-1])
    assert "mirror setting" in look_in(str(tmp_path / "mirrored.png"), chart).reason
