"""The same details found in a recording still and a monitoring still of one moment.

A rectilinear telephoto and a fisheye show a thing at very different sizes and bends, so both stills are
first laid into one common view through their lens models, at the finer detail that both have. Details
are SIFT keypoints (Lowe, IJCV 60(2), 2004; OpenCV's own); since the common view nearly aligns the
stills, a pair must also agree in place, size and direction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.geometry.camera import Camera
from framematch.geometry.lens import Lens
from framematch.geometry.pairing import Pairing

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

REACH_DEG = 12.0  # how far from where the file's aim puts it a detail is looked for
_MOST_PX = 1700  # long side of the common view
_DETAILS = 3000
_RATIO = 0.86  # best over second best match
_CORNERS, _WINDOW_PX, _TRACKED_PX = 900, 15, 0.12  # to track, the window tracked, the noise expected
_SAME, _ASKED = 0.97, 300  # likeness (1 is equal) of two details that look the same; how many are asked whether something does
_LEAST_SPREAD = 5.0  # grey levels about a detail; noise alone makes fewer


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonView:
    """Both stills seen by one virtual camera standing and pointing as the recording camera does.

    Args:
        camera: the virtual camera.
        recording, monitoring: (height, width) grey.
        recording_seen, monitoring_seen: where each still has picture.
    """

    camera: Camera
    recording: NDArray[np.uint8]
    monitoring: NDArray[np.uint8]
    recording_seen: Mask
    monitoring_seen: Mask


@dataclass(frozen=True, kw_only=True, eq=False)
class Matches:
    """Details found in both stills.

    Args:
        recording_px, monitoring_px: (N, 2) where, in pixels of each camera's raster, whatever is thought of the lenses later.
        noise_rad: (N,) of the angle between the two.
        details: how many there were in each still.
        repeated: share of the details, 0 to 1, that look the same as another one near by in both stills.
    """

    recording_px: Floats
    monitoring_px: Floats
    noise_rad: Floats
    details: tuple[int, int]
    repeated: float = 0.0

    def __len__(self) -> int:
        return len(self.noise_rad)

    def only(self, keep: NDArray[np.bool_] | NDArray[np.int64]) -> Matches:
        """Those matches alone."""
        return replace(self, recording_px=self.recording_px[keep], monitoring_px=self.monitoring_px[keep], noise_rad=self.noise_rad[keep])

    def thinned(self, most: int) -> Matches:
        """At most so many of them, at random: enough say as much as all."""
        if len(self) <= most:
            return self
        return self.only(np.sort(np.random.default_rng(3).choice(len(self), most, replace=False)))


def common_view(pairing: Pairing, recording: NDArray[np.uint8], monitoring: NDArray[np.uint8]) -> CommonView:
    """Lay both stills, each of its camera's raster size, into one view."""
    per_rad = min(pairing.recording.pixels_per_rad, 1.5 * pairing.monitoring.pixels_per_rad)
    angles = pairing.recording.angles()
    wide, tall = (min(a, 150.0) + 2.0 for a in (angles.horizontal, angles.vertical))
    per_rad = min(per_rad, _MOST_PX / math.radians(max(wide, tall)))
    size = (max(64, round(math.radians(wide) * per_rad)), max(64, round(math.radians(tall) * per_rad)))
    view = Camera(lens=Lens(projection="equidistant", focal_mm=1.0), sensor_mm=(size[0] / per_rad, size[1] / per_rad), raster_px=size)
    x, y = np.meshgrid(np.arange(size[0]) + 0.5, np.arange(size[1]) + 0.5)
    rays, _ = view.unproject(np.stack([x, y], axis=-1))
    in_monitoring = rays @ pairing.mount.recording_from_monitoring
    first, seen_first = _laid(pairing.recording, recording, rays, per_rad)
    second, seen_second = _laid(pairing.monitoring, monitoring, in_monitoring, per_rad)
    return CommonView(camera=view, recording=first, monitoring=second, recording_seen=seen_first, monitoring_seen=seen_second)


def _laid(camera: Camera, still: NDArray[np.uint8], rays: Floats, per_rad: float) -> tuple[NDArray[np.uint8], Mask]:
    import cv2

    shrink = per_rad * 1.1 / camera.pixels_per_rad
    if shrink < 0.9:
        size = (max(16, round(camera.raster_px[0] * shrink)), max(16, round(camera.raster_px[1] * shrink)))
        still = np.asarray(cv2.resize(still, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        camera = camera.resized(size)
    pixels, ok = camera.project(rays)
    pixels = np.where(ok[..., None], pixels, -1e4)
    seen = ok & (pixels >= 0).all(axis=-1) & (pixels <= np.array(camera.raster_px)).all(axis=-1)
    at = (pixels - 0.5).astype(np.float32)
    laid = cv2.remap(still, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.where(seen, laid, 0).astype(np.uint8), seen


def match_details(pairing: Pairing, view: CommonView) -> Matches:
    """Details that both stills show, as rays."""
    sides = [_details(view.recording, view.recording_seen), _details(view.monitoring, view.monitoring_seen)]
    counts = (len(sides[0][0]), len(sides[1][0]))
    reach_px = math.radians(REACH_DEG) * view.camera.pixels_per_rad
    first, second = _paired(sides[0], sides[1], reach_px=reach_px)
    places = [sides[i][0][index][:, :2] for i, index in enumerate((first, second))]
    scale = np.maximum(sides[0][0][first, 2], sides[1][0][second, 2])
    found = _in_rasters(pairing, view, places[0], places[1], (0.25 + 0.06 * scale) / view.camera.pixels_per_rad, counts)
    return replace(found, repeated=min(_repeated(*side, reach_px=reach_px) for side in sides))


def _in_rasters(pairing: Pairing, view: CommonView, first: Floats, second: Floats, noise_rad: Floats, details: tuple[int, int]) -> Matches:
    """Places in the common view as places in each camera's own picture; those that a camera has none for are left out."""
    at = view.camera.unproject(first)[0], view.camera.unproject(second)[0] @ pairing.mount.recording_from_monitoring
    (a, seen_a), (b, seen_b) = pairing.recording.project(at[0]), pairing.monitoring.project(at[1])
    ok = seen_a & seen_b & np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    return Matches(recording_px=a[ok], monitoring_px=b[ok], noise_rad=noise_rad[ok], details=details)


def tracked(pairing: Pairing, view: CommonView, near: Matches) -> Matches:
    """Details placed anew, each where its surroundings in one still fit those in the other best (Lucas and Kanade; Bouguet's pyramid in OpenCV).

    Args:
        pairing: as a first solve has it, so that the common view all but aligns the stills.
        view: both stills in that view.
        near: details that agreed; corners of the recorded picture are started from the nearest of them.

    Keypoints of two lenses' pictures are some tenths of a pixel apart; this is several times finer and finds more.
    """
    import cv2
    from scipy.spatial import cKDTree

    per_rad = view.camera.pixels_per_rad
    known = [view.camera.project(r)[0] for r in _rays(pairing, near)]
    first, second = _evened(view.recording, view.recording_seen), _evened(view.monitoring, view.monitoring_seen)
    both = (view.recording_seen & view.monitoring_seen).astype(np.uint8)
    inside = np.asarray(cv2.erode(both, np.ones((9, 9), np.uint8), borderValue=0), dtype=np.uint8) & _detailed(view.recording) & _detailed(view.monitoring)
    corners = cv2.goodFeaturesToTrack(first, maxCorners=_CORNERS, qualityLevel=0.02, minDistance=5, mask=inside, blockSize=5)
    places = np.concatenate([known[0], np.asarray(corners, dtype=np.float64).reshape(-1, 2) + 0.5]) if corners is not None else known[0]
    _, nearest = cKDTree(known[0]).query(places)
    start = places + (known[1] - known[0])[nearest]
    settings: dict[str, Any] = {"winSize": (_WINDOW_PX, _WINDOW_PX), "maxLevel": 1, "criteria": (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 0.003)}

    def flow(a: NDArray[np.uint8], b: NDArray[np.uint8], at: Floats, guess: Floats) -> tuple[Floats, Mask]:
        p, q = ((v - 0.5).astype(np.float32).reshape(-1, 1, 2) for v in (at, guess))
        found, ok, _ = cv2.calcOpticalFlowPyrLK(a, b, p, q.copy(), flags=cv2.OPTFLOW_USE_INITIAL_FLOW, **settings)
        return np.asarray(found, dtype=np.float64).reshape(-1, 2) + 0.5, np.asarray(ok).ravel() == 1

    there, ok = flow(first, second, places, start)
    back, again = flow(second, first, there, places)
    apart = np.hypot(*(back - places).T)
    height, width = inside.shape
    x, y = (np.clip(there[:, i].astype(int), 0, n - 1) for i, n in ((0, width), (1, height)))
    ok &= again & (apart < 0.3) & (np.hypot(*(there - start).T) < _WINDOW_PX) & (inside[y, x] > 0)
    middle = (places + back) / 2  # half of what there and back differ by
    _, once = np.unique(np.rint(places[ok] / 3), axis=0, return_index=True)
    use = np.flatnonzero(ok)[np.sort(once)]
    return _in_rasters(pairing, view, middle[use], there[use], np.full(len(use), _TRACKED_PX / per_rad), near.details)


def _rays(pairing: Pairing, matches: Matches) -> tuple[Floats, Floats]:
    """Unit rays of matches in recording axes, of each camera."""
    first, second = pairing.recording.unproject(matches.recording_px)[0], pairing.monitoring.unproject(matches.monitoring_px)[0]
    return first, second @ pairing.mount.recording_from_monitoring.T


def _detailed(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Where there is more than noise to track, 1 and 0."""
    import cv2

    grey = picture.astype(np.float32)
    square = cv2.GaussianBlur(grey**2, (0, 0), 4) - cv2.GaussianBlur(grey, (0, 0), 4) ** 2
    return (square > _LEAST_SPREAD**2).astype(np.uint8)


def _evened(picture: NDArray[np.uint8], seen: Mask) -> NDArray[np.uint8]:
    """The picture with local brightness and contrast evened out, so that exposure and vignetting don't draw a track to one side."""
    import cv2

    grey = picture.astype(np.float32)
    mean = cv2.GaussianBlur(grey, (0, 0), 8)
    spread = np.sqrt(np.maximum(cv2.GaussianBlur(grey**2, (0, 0), 8) - mean**2, 0)) + 6
    return np.where(seen, np.clip(128 + 45 * (grey - mean) / spread, 0, 255), 128).astype(np.uint8)


def _details(picture: NDArray[np.uint8], seen: Mask) -> tuple[Floats, NDArray[np.float32]]:
    """(N, 4) x, y, size, direction in degrees, in the project's pixels; (N, 128) descriptors (Hellinger form)."""
    import cv2

    inside = cv2.erode(seen.astype(np.uint8), np.ones((9, 9), np.uint8), borderValue=0)
    finder = cv2.SIFT.create(nfeatures=_DETAILS, contrastThreshold=0.02)
    points, words = finder.detectAndCompute(picture, inside * 255)
    if not points:
        return np.empty((0, 4)), np.empty((0, 128), dtype=np.float32)
    table = np.array([(p.pt[0] + 0.5, p.pt[1] + 0.5, p.size, p.angle) for p in points], dtype=np.float64)
    words = np.sqrt(words / np.maximum(words.sum(axis=1, keepdims=True), 1e-9)).astype(np.float32)
    return table, words


def _repeated(table: Floats, words: NDArray[np.float32], *, reach_px: float) -> float:
    """Share of the details that look the same as another one elsewhere within reach."""
    if len(table) < 2:
        return 0.0
    asked = np.unique(np.linspace(0, len(table) - 1, _ASKED).astype(int))
    apart = np.hypot(*(table[asked, None, :2] - table[None, :, :2]).transpose(2, 0, 1))
    elsewhere = (apart > np.maximum(4.0, table[asked, 2])[:, None]) & (apart < reach_px)
    return float(((words[asked] @ words.T > _SAME) & elsewhere).any(axis=1).mean())


def _paired(
    first: tuple[Floats, NDArray[np.float32]], second: tuple[Floats, NDArray[np.float32]], *, reach_px: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Indices of pairs that are each other's best, clearly better than the next, near, and alike in size and direction."""
    a, b = first[0].astype(np.float32), second[0].astype(np.float32)
    if len(a) < 2 or len(b) < 2:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    likeness = first[1] @ second[1].T
    log_a, log_b = np.log(a[:, 2]), np.log(b[:, 2])
    apart = (a[:, None, 0] - b[None, :, 0]) ** 2 + (a[:, None, 1] - b[None, :, 1]) ** 2
    likeness[apart > reach_px**2] = -1
    rows, columns = np.nonzero(likeness > 0.5)
    turned = np.abs((a[rows, 3] - b[columns, 3] + 180) % 360 - 180) > 20
    unlike = turned | (np.abs(log_a[rows] - log_b[columns]) > math.log(1.6))
    likeness[rows[unlike], columns[unlike]] = -1
    best = likeness.argmax(axis=1)
    rows = np.arange(len(a))
    top = likeness[rows, best]
    # Its rival is the best match elsewhere: SIFT often gives one place two directions.
    rival = likeness.copy()
    near_best = (b[best, None, 0] - b[None, :, 0]) ** 2 + (b[best, None, 1] - b[None, :, 1]) ** 2 <= 16
    rival[near_best] = -1
    next_best = rival.max(axis=1)
    distance, rival_distance = 1 - top, 1 - np.maximum(next_best, 0.0)  # squared, of unit vectors, halved
    mutual = likeness.argmax(axis=0)[best] == rows
    keep = (top > 0.6) & mutual & (distance < _RATIO**2 * rival_distance)
    found = np.flatnonzero(keep)
    places = np.rint(np.column_stack([a[found, :2], b[best[found], :2]]) * 2)
    _, once = np.unique(places, axis=0, return_index=True)
    found = found[np.sort(once)]
    return found, best[found]
