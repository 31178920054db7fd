"""What smoothing a clip's turns takes of the stabiliser's margin.

The smooth path is the camera's attitude averaged over time with a Gaussian of ``smooth_s`` (its standard deviation; the rotation nearest to the mean
matrix: Moakher, SIAM J. Matrix Anal. Appl. 24, 2002), a straight line fitted under the same weights so that a steady pan costs nothing; it keeps motions
slower than about ``0.13 / smooth_s`` Hz at more than 0.7 of their size. A frame is served by a kept percentage if its border, laid out along the smooth
path through the same lens, lies wholly inside the picture as it was recorded. Only turns are smoothed: what the camera's own way draws, and rows read
one after another, are left as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from framematch.clips.bearings import matrices, rotated
from framematch.clips.turns import Turns, typical_rate_deg_s
from framematch.errors import InputError
from framematch.geometry.camera import Camera, Rect
from framematch.geometry.mount import aim_from_rotation
from framematch.geometry.pairing import Pairing
from framematch.measure.check import NotSuitable
from framematch.optics.motion import Margin, stabiliser_margin

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTH_S = 0.5
SHORTEST_S, LONGEST_S = 0.05, 3.0
_REACH = 3.0  # standard deviations of the Gaussian that are looked at
_BORDER = 32  # points along the frame's border
_HALVINGS = 11
_SURE_DEG, _SURE_S = 0.13, 0.075  # half-width of an angle's 95 % interval, and for how long things passing by are mistaken for a turn (rendered flights)
_ADJUSTED = 3.5  # half-width over the adjustment's standard deviation, all axes together (rendered flights)
_READ_DEG = 0.03  # left between key frames
_QUICK_HZ, _STEADY_DEG_S, _TURNING_DEG_S = 2.0, 0.3, 3.0  # a clip that turns and hardly shakes above this has been stabilised (practice)


@dataclass(frozen=True, kw_only=True, eq=False)
class Shake:
    """What a clip's turns ask of the stabiliser.

    Args:
        name, smooth_s: of the clip, and of the smooth path.
        times_s: (N,) of its frames.
        off_deg: (N, 3) pan, tilt, roll of the camera off its smooth path: + right, up, clockwise seen from behind.
        serves_percent: (N,) largest kept percentage at which the frame lies inside the picture.
        shift_percent: (N, 2) by how much the frame's middle moves in the picture, percent of the frame's width and height.
        read: (N,) frames whose turn was read; the figures are theirs alone.
        keep_percent: what the pairing keeps.
        margin: what that leaves of each turn by itself.
        rate_deg_s: root mean square of the turn rate.
        turns: of the clip.
        repeated, missing: frames that show the one before again, and that the time stamps say are not there.
    """

    name: str
    smooth_s: float
    times_s: Floats
    off_deg: Floats
    serves_percent: Floats
    shift_percent: Floats
    read: Mask
    keep_percent: float
    margin: Margin
    rate_deg_s: float
    turns: Turns
    repeated: int
    missing: int

    @property
    def beyond_percent(self) -> float:
        """Share of the frames that the pairing's kept percentage does not serve, in percent."""
        return 100 * float((self.serves_percent[self.read] < self.keep_percent - 1e-9).mean())

    def keep_for(self, share: float) -> float:
        """The largest kept percentage that serves a share (0 to 1) of the frames, rounded down to a tenth."""
        ranked = np.sort(self.serves_percent[self.read])[::-1]
        return math.floor(10 * float(ranked[max(0, math.ceil(share * len(ranked)) - 1)]) + 1e-6) / 10

    @property
    def wander_percent(self) -> float:
        """By how much the frame moves in the picture each way in 95 % of the frames, percent of its width or height."""
        return float(np.percentile(np.abs(self.shift_percent[self.read]).max(axis=1), 95))

    @property
    def sure_deg(self) -> float:
        """What 95 % of the angles off the smooth path are read to: a lens tells a turn from a step aside the worse, the quicker things pass by.

        Of an adjusted clip by the adjustment's own covariance, of another from rendered flights read by a lens of some 40 degrees.
        """
        if self.turns.adjusted is not None:
            off = self.turns.adjusted.off_mean_rad(self.smooth_s)
            return math.hypot(_READ_DEG, _ADJUSTED * math.degrees(math.sqrt(float((off**2).mean()))))
        passing = np.linalg.norm(self.turns.move_rad_s[self.turns.read], axis=1)
        return math.hypot(_SURE_DEG, _SURE_S * math.degrees(math.sqrt(float((passing**2).mean()))))

    def most_deg(self, percent: float = 100.0) -> tuple[float, float, float]:
        """Pan, tilt and roll off the smooth path, sign left out, that so many percent of the frames stay within."""
        pan, tilt, roll = np.percentile(np.abs(self.off_deg[self.read]), percent, axis=0)
        return float(pan), float(tilt), float(roll)


def shake_of(turns: Turns, pairing: Pairing, *, smooth_s: float = SMOOTH_S, as_shot: bool = False) -> Shake:
    """What smoothing a recorded clip takes of the margin that the pairing's main frame leaves.

    Args:
        smooth_s: standard deviation of the Gaussian, seconds.
        as_shot: the camera's own stabiliser is known to have been off; a clip without any shaking is not refused then.

    Raises:
        InputError: no such smoothing time.
        NotSuitable: the clip has been stabilised already.
    """
    if not SHORTEST_S <= smooth_s <= LONGEST_S:
        raise InputError(f"{smooth_s:g} s is not a smoothing time", field="--smooth", fix=f"give {SHORTEST_S:g} to {LONGEST_S:g} seconds")
    camera = pairing.recording.resized(turns.camera.raster_px)
    scale = turns.camera.raster_px[0] / pairing.recording.raster_px[0], turns.camera.raster_px[1] / pairing.recording.raster_px[1]
    f = pairing.frame
    frame = Rect(left=f.left * scale[0], top=f.top * scale[1], right=f.right * scale[0], bottom=f.bottom * scale[1])
    times, attitude, read = attitudes(turns)
    if not as_shot:
        _refuse_steady(turns)
    back = to_smooth(times, attitude, smooth_s)
    middle = np.array([(frame.left + frame.right) / 2, (frame.top + frame.bottom) / 2])
    ray, _ = camera.unproject(middle)
    moved, ok = camera.project(rotated(back, np.broadcast_to(ray, back.shape)))
    shift = np.where(ok[:, None], (moved - middle) / (frame.width, frame.height) * 100, np.inf)
    keep = pairing.keep_percent
    return Shake(
        name=turns.name,
        smooth_s=smooth_s,
        times_s=times,
        off_deg=np.array([aim_from_rotation(m) for m in matrices(-back)]),
        serves_percent=_serves(camera, frame, keep, back),
        shift_percent=shift,
        read=read,
        keep_percent=keep,
        margin=stabiliser_margin(camera, _scaled(camera.picture, keep / 100)),
        rate_deg_s=typical_rate_deg_s(turns),
        turns=turns,
        repeated=len(turns.repeated_s),
        missing=turns.gaps,
    )


def attitudes(turns: Turns) -> tuple[Floats, Floats, Mask]:
    """Times (N+1,), attitudes (N+1, 3, 3) from axes of the first frame, and which frames were read.

    The frames at the ends of a turn that could not be read count as not read.
    """
    steps = matrices(turns.at_frames_rad)
    out = np.concatenate([np.eye(3)[None], np.asarray(list(accumulate(steps, np.matmul)))])
    read = np.ones(len(out), dtype=bool)
    read[:-1] &= turns.read
    read[1:] &= turns.read
    return np.append(turns.start_s, turns.end_s[-1]), out, read


def to_smooth(times_s: Floats, attitude: Floats, smooth_s: float) -> Floats:
    """(N, 3) rotation vectors, in each frame's own axes, from the frame to the smooth path."""
    from scipy.spatial.transform import Rotation

    out = np.empty((len(times_s), 3))
    for k, now in enumerate(times_s):
        low, high = np.searchsorted(times_s, (now - _REACH * smooth_s, now + _REACH * smooth_s))
        t = times_s[low:high] - now
        weight = np.exp(-((t / smooth_s) ** 2) / 2)
        mean_t = np.average(t, weights=weight)
        spread = float((weight * (t - mean_t) ** 2).sum())
        share = weight / weight.sum() - (weight * (t - mean_t) * mean_t / spread if spread > 0 else 0.0)
        left, _, right = np.linalg.svd(np.einsum("n,nij->ij", share, attitude[low:high]))
        smooth = left @ np.diag([1.0, 1.0, np.linalg.det(left @ right)]) @ right
        out[k] = Rotation.from_matrix(attitude[k].T @ smooth).as_rotvec()
    return out


def _scaled(area: Rect, by: float) -> Rect:
    x, y, w, h = (area.left + area.right) / 2, (area.top + area.bottom) / 2, area.width * by / 2, area.height * by / 2
    return Rect(left=x - w, top=y - h, right=x + w, bottom=y + h)


def _serves(camera: Camera, frame: Rect, keep_percent: float, back: Floats) -> Floats:
    """(N,) largest kept percentage at which the frame, laid along the smooth path, lies inside the picture."""
    middle = np.array(camera.raster_px) / 2
    border = (frame.border(np.arange(_BORDER) * 4 / _BORDER) - middle) / keep_percent  # about the picture's middle, for each kept percent
    low, high = np.zeros(len(back)), np.full(len(back), 100.0)
    turn = np.repeat(back[:, None], _BORDER, axis=1).reshape(-1, 3)

    def inside(percent: Floats) -> Mask:
        rays, ok = camera.unproject(middle + border * percent[:, None, None])
        pixels, seen = camera.project(rotated(turn, rays.reshape(-1, 3)))
        good = ok.ravel() & seen & camera.picture.contains(pixels)
        return np.asarray(good.reshape(-1, _BORDER).all(axis=1))

    whole = inside(high)
    for _ in range(_HALVINGS):
        half = (low + high) / 2
        fits = inside(half)
        low, high = np.where(fits, half, low), np.where(fits, high, half)
    return np.where(whole, 100.0, low)


def _refuse_steady(turns: Turns) -> None:
    shaking = quick_rate_deg_s(turns)
    if shaking < _STEADY_DEG_S and typical_rate_deg_s(turns) > _TURNING_DEG_S:
        raise NotSuitable(
            f"turns, but shakes by only {shaking:.2f} degrees a second above {_QUICK_HZ:g} Hz: it has been stabilised already, and hides what the flying took",
            file=turns.name,
            fix="give the camera's own file with its stabiliser off; if it was off, say so with --as-shot",
        )


def quick_rate_deg_s(turns: Turns) -> float:
    """Root mean square of the pan and tilt rate above 2 Hz, degrees a second (Butterworth's filter of order 4, forwards and backwards)."""
    from scipy.signal import butter, sosfiltfilt

    middle = (turns.start_s + turns.end_s)[turns.read] / 2
    even = np.arange(middle[0], middle[-1], turns.step_s)
    if len(even) < 40 or _QUICK_HZ * turns.step_s > 0.4:
        return math.inf
    rates = np.stack([np.interp(even, middle, turns.rate_rad_s[turns.read, i]) for i in range(2)])
    quick = sosfiltfilt(butter(4, _QUICK_HZ, "highpass", fs=1 / turns.step_s, output="sos"), rates)
    return math.degrees(float(np.sqrt((quick**2).sum(axis=0).mean())))
