"""A real pair of cameras: the motorcycle stereo pair of the Middlebury 2014 benchmark.

scikit-image carries it with the figures used here (``skimage.data.stereo_motorcycle``): focal length
994.978 px, principal points (311.193, 254.877) in the left picture and 31.086 px farther right in the
right one, baseline 193.001 mm, and a measured disparity for most pixels of the left picture. The left
picture plays the monitoring camera; a centred crop of the right one is the recorded frame.

A left pixel at column x with disparity d is at column x - d of the right picture, and its depth is
focal length times baseline over (d + 31.086). The example in scikit-image's docstring says it the other
way round (the disparity as one of the right picture); the pictures themselves decide that below.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray
from outside import need

from framematch.geometry.camera import Camera, Rect
from framematch.geometry.lens import Lens
from framematch.geometry.mount import Mount

Floats = NDArray[np.float64]

FOCAL_PX, CX_PX, CY_PX, BETWEEN_CENTRES_PX, BASELINE_MM = 994.978, 311.193, 254.877, 31.086, 193.001
PITCH_MM = 0.01  # any pixel size will do: only its ratio to the focal length counts
CROP = Rect(left=111, top=75, right=630, bottom=425)  # the middle 519 x 350 of 741 x 500
HALF_PATCH = 5
SEARCH_PX = (70, 2)  # across and up or down: every place that the scene's depths could put a match


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Grey pictures (500, 741), and pixels of the frame with measured disparity that the frame sees."""

    left: NDArray[np.float32]
    right: NDArray[np.float32]
    left_px: Floats
    disparity_px: Floats
    depth_step_px: Floats  # by how much the disparity differs within a patch around

    @property
    def right_px(self) -> Floats:
        """The measured match in the right picture."""
        return self.left_px - np.stack([self.disparity_px, np.zeros_like(self.disparity_px)], axis=-1)

    @property
    def frame_px(self) -> Floats:
        """The same in the crop."""
        return self.right_px - [CROP.left, CROP.top]

    @property
    def depth_m(self) -> Floats:
        return FOCAL_PX * BASELINE_MM / 1000 / (self.disparity_px + BETWEEN_CENTRES_PX)


@pytest.fixture(scope="module")
def pair() -> Pair:
    import cv2

    need(importlib.util.find_spec("skimage") is not None, "scikit-image")
    import skimage.data

    left, right, disparity = skimage.data.stereo_motorcycle()
    row, column = np.nonzero(np.isfinite(disparity))
    d = disparity[row, column].astype(np.float64)
    at = column + 0.5 - d
    # Of several left pixels that meet in one place of the right picture it shows the nearest.
    nearest = np.zeros((500, 741 + 2))
    cell = np.floor(at).astype(int) + 1
    within = (cell >= 1) & (cell < 742)
    np.maximum.at(nearest, (row[within], cell[within]), d[within])
    hides = np.maximum(nearest, np.maximum(np.roll(nearest, 1, axis=1), np.roll(nearest, -1, axis=1)))
    seen = within & (d >= hides[row, np.clip(cell, 0, 742)] - 2) & CROP.contains(np.stack([at, row + 0.5], axis=-1))
    around = np.ones((2 * HALF_PATCH + 1, 2 * HALF_PATCH + 1), np.uint8)
    known = np.nan_to_num(disparity, nan=0.0, posinf=0.0)
    depth_step = cv2.dilate(known, around) - cv2.erode(known, around)
    return Pair(
        left=left.mean(axis=2).astype(np.float32),
        right=right.mean(axis=2).astype(np.float32),
        left_px=np.stack([column[seen] + 0.5, row[seen] + 0.5], axis=-1),
        disparity_px=d[seen],
        depth_step_px=depth_step[row, column][seen].astype(np.float64),
    )


def camera(centre_x_px: float) -> Camera:
    """A camera of the pair; its published principal point counts from the first pixel's centre, ours from its corner."""
    lens = Lens(projection="rectilinear", focal_mm=FOCAL_PX * PITCH_MM)
    return Camera(lens=lens, sensor_mm=(741 * PITCH_MM, 500 * PITCH_MM), raster_px=(741, 500), centre_px=(centre_x_px + 0.5, CY_PX + 0.5))


MONITORING = camera(CX_PX)
RECORDING = camera(CX_PX + BETWEEN_CENTRES_PX).cropped(CROP, (519, 350))
MOUNT = Mount(right_mm=-BASELINE_MM)  # the left camera seen from the right one


def carried_over(pair: Pair, *, mount: Mount = MOUNT, monitoring: Camera = MONITORING) -> Floats:
    """Pixels of the monitoring picture for the frame's pixels at their true depth."""
    return carried_over_at(pair, pair.depth_m, mount=mount, monitoring=monitoring)


def carried_over_at(pair: Pair, depth_m: Floats | float, *, mount: Mount = MOUNT, monitoring: Camera = MONITORING) -> Floats:
    rays, ok = RECORDING.unproject(pair.frame_px)
    points = rays * (depth_m / rays[:, 2])[:, None]
    pixels, imaged = monitoring.project((points - mount.translation_m) @ mount.recording_from_monitoring)
    assert ok.all() and imaged.all()
    return pixels


def shares(off_px: Floats) -> tuple[float, float]:
    return float(np.median(off_px)), float(np.percentile(off_px, 95))


def patch(picture: NDArray[np.float32], pixel: Floats) -> NDArray[np.float32]:
    import cv2

    side = 2 * HALF_PATCH + 1
    return cv2.getRectSubPix(picture, (side, side), (float(pixel[0]) - 0.5, float(pixel[1]) - 0.5))


def alike(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Normalised cross-correlation."""
    return float(np.corrcoef(a.ravel(), b.ravel())[0, 1])


@pytest.fixture(scope="module")
def textured(pair: Pair) -> NDArray[np.int64]:
    """Some of the frame's pixels that stand out enough to be found again, clear of the pictures' edges."""
    import cv2

    slope = np.hypot(*np.gradient(pair.right)).astype(np.float32)
    strength = cv2.blur(slope, (2 * HALF_PATCH + 1,) * 2)
    column, row = np.floor(pair.right_px).astype(int).T
    good = (strength[row, column] > 12) & (np.abs(pair.left_px[:, 0] - 741 / 2) < 741 / 2 - 90)
    chosen: NDArray[np.int64] = np.random.default_rng(1).permutation(np.flatnonzero(good))[:3000]
    return chosen


def test_the_frame_lands_on_the_measured_match(pair: Pair) -> None:
    assert len(pair.left_px) > 100_000
    assert 2 < pair.depth_m.min() < pair.depth_m.max() < 5.1
    off = np.linalg.norm(carried_over(pair) - pair.left_px, axis=-1)
    median, most = shares(off)
    print(f"against the measured disparity: median {median:.2e} px, 95 % {most:.2e} px, {len(off)} pixels")
    assert median <= 0.6 and most <= 1.5
    # Nothing but rounding is between the two: the published figures are used just as they were meant.
    assert off.max() < 1e-9


def test_the_pictures_say_whose_the_disparity_is(pair: Pair, textured: NDArray[np.int64]) -> None:
    """Patches in the left picture at x against the right one at x - d, x + d and x."""
    step = np.stack([pair.disparity_px, np.zeros_like(pair.disparity_px)], axis=-1)
    likeness = {
        sign: np.median([alike(patch(pair.left, pair.left_px[i]), patch(pair.right, pair.left_px[i] + sign * step[i])) for i in textured])
        for sign in (-1, 0, 1)
    }
    print(f"likeness at x - d {likeness[-1]:.3f}, at x {likeness[0]:.3f}, at x + d {likeness[1]:.3f}")
    assert likeness[-1] > 0.9
    assert max(likeness[0], likeness[1]) < 0.3


def test_the_frame_lands_on_what_the_other_picture_shows(pair: Pair, textured: NDArray[np.int64]) -> None:
    """The carried-over places against matches found in the pictures alone, by correlation, with no disparity."""
    import cv2

    carried = carried_over(pair)
    found, off = [], []
    side, (wide, high) = 2 * HALF_PATCH + 1, SEARCH_PX
    right_px = pair.right_px
    for i in textured:
        pixel = right_px[i]
        column, row = np.floor(pixel).astype(int)
        left, top = max(column - HALF_PATCH - 10, 0), row - HALF_PATCH - high
        window = pair.left[top : row + HALF_PATCH + high + 1, left : column + HALF_PATCH + wide + 1]
        scores = cv2.matchTemplate(window, patch(pair.right, pixel), cv2.TM_CCOEFF_NORMED)
        down, across = np.unravel_index(np.argmax(scores), scores.shape)
        if not (0 < across < scores.shape[1] - 1 and 0 < down < scores.shape[0] - 1):
            continue
        elsewhere = scores.max(axis=0)
        elsewhere[max(across - 3, 0) : across + 4] = -1
        if scores[down, across] < 0.9 or elsewhere.max() > 0.85 * scores[down, across]:
            continue  # not like enough, or like in more than one place
        x, y = across + peak(scores[down, across - 1 : across + 2]), down + peak(scores[down - 1 : down + 2, across])
        found.append(i)
        off.append(carried[i] - [left + x + side / 2, top + y + side / 2])
    distance = np.linalg.norm(off, axis=-1)
    # A patch across a step in depth matches its nearer part, wherever its middle lies: no truth for the middle.
    one_depth = pair.depth_step_px[found] <= 2
    for name, part in (("all", np.full(len(off), True)), ("patches at one depth", one_depth)):
        median, most = shares(distance[part])
        print(f"against matches in the pictures, {name}: median {median:.3f} px, 95 % {most:.3f} px, {part.sum()} of {len(textured)} sure")
    assert one_depth.sum() >= 300
    assert np.median(distance) <= 0.6
    median, most = shares(distance[one_depth])
    assert median <= 0.6 and most <= 1.5


def peak(three: NDArray[np.float32]) -> float:
    """Where the parabola through three scores is highest, from the middle one."""
    before, here, after = map(float, three)
    return (before - after) / (2 * (before - 2 * here + after))


def test_patches_carried_over_are_alike_and_others_not(pair: Pair, textured: NDArray[np.int64]) -> None:
    """What the frame shows at a pixel is what the monitoring picture shows at the carried-over place."""
    carried = carried_over(pair)
    same_place = pair.right_px
    one_depth_for_all = carried_over_at(pair, float(np.median(pair.depth_m)))
    likeness = {
        name: float(np.median([alike(patch(pair.right, same_place[i]), patch(pair.left, place[i])) for i in textured]))
        for name, place in (("carried over", carried), ("left where it was", same_place), ("at one depth for all", one_depth_for_all))
    }
    print(", ".join(f"{name} {value:.3f}" for name, value in likeness.items()))
    assert likeness["carried over"] > 0.9
    assert max(likeness["left where it was"], likeness["at one depth for all"]) < 0.5


@pytest.mark.parametrize(
    ("what", "changed"),
    [
        ("mount on the wrong side", {"mount": Mount(right_mm=BASELINE_MM)}),
        ("mount 5 % off", {"mount": Mount(right_mm=-1.05 * BASELINE_MM)}),
        ("aim 0.2 degrees off", {"mount": Mount(right_mm=-BASELINE_MM, pan_deg=0.2)}),
        ("mount 50 mm forward", {"mount": Mount(right_mm=-BASELINE_MM, forward_mm=50)}),
        ("principal points together", {"monitoring": camera(CX_PX + BETWEEN_CENTRES_PX)}),
    ],
)
def test_a_wrong_rig_misses(pair: Pair, what: str, changed: dict[str, object]) -> None:
    """The limits of the check above are tight enough to tell a wrong rig from the right one."""
    median, most = shares(np.linalg.norm(carried_over(pair, **changed) - pair.left_px, axis=-1))  # type: ignore[arg-type]
    print(f"{what}: median {median:.2f} px, 95 % {most:.2f} px")
    assert median > 0.6 and most > 1.5
