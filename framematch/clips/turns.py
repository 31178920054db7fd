"""How a camera turned from frame to frame, read from its clip alone.

Corners (Shi and Tomasi, CVPR 1994) are tracked from each frame to the next by Lucas and Kanade's method over a pyramid (Bouguet; OpenCV's own) and
back; what does not come back to its place is dropped. The rest are bearings through the camera's own lens, and the turn is that of
``bearings.turn_of``. A frame that repeats the one before is left out, so that the next turn spans both. Where no turn can be read, the frame is
marked and the chain begins anew behind it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.clips.adjusted import Adjusted
from framematch.clips.bearings import FEWEST, BearingTurn, rotated, share_told, turn_of
from framematch.clips.corners import corners_of, followed
from framematch.clips.frames import ClipFacts, Shown, clip_facts, frames_of
from framematch.clips.keyed import Keyed, KeyFrames
from framematch.errors import InputError
from framematch.geometry.camera import Camera
from framematch.measure.check import NotSuitable

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]  # half the memory: a flight has millions of details
Mask = NDArray[np.bool_]
Progress = Callable[[int, int], None]  # frames read, frames expected (0 if the clip does not say)

_NOISE_PX = 0.12  # of a tracked corner, in working pixels
SHAPE_TOLERANCE = 0.02  # of an aspect ratio: rasters are rounded
LEAST_S = 3.0
LEAST_READ = 0.6  # of the frames
_AGAIN = 2  # times that turns are read again
_ROW_ROUNDS, _BLOCK_S = 5, 0.5
_ROWS_SURE_S = 0.001  # what moving past near things may draw (rendered flights)
MOST_READOUT_S = 0.003  # half-width of the read-out's interval up to which it is used
_MOVE_S, _MOVE_SHARE = 0.15, 0.1  # over how long a move over distance is taken together, and by what share it changes within
FEWEST_READ, _HOLE_STEPS = 4, 4.5  # turns that make a rate; steps, the read ones at the ends among them, over which it is followed through what was not read
_RATE_ROUNDS, _SLOW_S = 4, 0.04  # rounds that bring a rate's mean to what was read; standard deviation of the Gaussian that leaves 4 Hz half its size
_STILL_PX = 0.15  # a corner's move in a repeated frame, which is packed anew each time


@dataclass(frozen=True, kw_only=True, eq=False)
class Turns:
    """How a camera turned over a clip: one turn for each pair of frames that were read, in order.

    Args:
        name: of the clip.
        camera: at the working size; with the read-out that the rows show, where the file states none and they show it.
        facts: what the file says.
        start_s, end_s: (N,) presentation times of the two frames of each turn.
        turn_rad: (N, 3) rotation vectors, camera axes before; NaN where unreadable.
        sigma_rad: (N, 3) of its components.
        row: (N,) mean row of the details, as a share of the height from the middle: the turn is that of the moment at which this row was read.
        details: (N,) that agreed.
        move_rad_s: (N, 3) the camera's own speed over the distance of what it saw, mean of the details, camera axes before; 0 where unreadable.
        repeated_s: times of frames that showed the one before again.
        given_readout_ms: of the file; None where it states none.
        readout_s, readout_95_s: that the rows show, and the half-width of its 95 % interval; infinite where they show none.
        keyed: details followed over a second and more; None where none were looked for.
        adjusted: what they made of the turns; None where the turns are as they were read from frame to frame.
        steps: what each turn was read from.
    """

    name: str
    camera: Camera
    facts: ClipFacts
    start_s: Floats
    end_s: Floats
    turn_rad: Floats
    sigma_rad: Floats
    row: Floats
    details: NDArray[np.int64]
    move_rad_s: Floats
    repeated_s: Floats
    given_readout_ms: float | None
    readout_s: float
    readout_95_s: float
    keyed: Keyed | None = None
    adjusted: Adjusted | None = None
    steps: tuple[Step, ...] = ()

    @property
    def read(self) -> Mask:
        """(N,) which turns could be read."""
        out: Mask = np.asarray(np.isfinite(self.turn_rad).all(axis=1))
        return out

    @property
    def readout_told(self) -> bool:
        """Whether the rows show how long they take."""
        return self.readout_95_s < MOST_READOUT_S

    @property
    def frames(self) -> int:
        """Frames that were looked at."""
        return len(self.start_s) + 1 + len(self.repeated_s)

    @property
    def length_s(self) -> float:
        """From the first frame to the last."""
        return float(self.end_s[-1])

    @property
    def step_s(self) -> float:
        """The usual time from frame to frame."""
        return float(np.median(self.end_s - self.start_s))

    @property
    def gaps(self) -> int:
        """Frames that the time stamps say are missing."""
        steps = np.rint((self.end_s - self.start_s) / self.step_s)
        repeats = np.histogram(self.repeated_s, bins=np.append(self.start_s, self.end_s[-1] + 1e-9))[0]
        return int(np.maximum(steps - 1 - repeats, 0).sum())

    @property
    def rate_rad_s(self) -> Floats:
        """(N, 3) mean turn rate over each step."""
        out: Floats = self.turn_rad / (self.end_s - self.start_s)[:, None]
        return out

    @cached_property
    def at_frames_rad(self) -> Floats:
        """(N, 3) turns between the moments of the frames' middle rows; those not read go as the rate round them, in long holes evenly."""
        first, last = self.moments_s((self.camera.readout_ms or 0.0) / 1000)
        middle, rates, read = (first + last) / 2, self.rate_rad_s.copy(), np.flatnonzero(self.read)
        for axis in range(3):
            rates[~self.read, axis] = np.interp(middle[~self.read], middle[read], rates[read, axis])
        after = np.searchsorted(read, np.arange(len(middle)))
        hole_s = self.end_s[read[np.minimum(after, len(read) - 1)]] - self.start_s[read[np.maximum(after - 1, 0)]]
        known = self.read | (hole_s > _HOLE_STEPS * self.step_s)
        if known.sum() < FEWEST_READ:
            return np.asarray(rates * (self.end_s - self.start_s)[:, None])
        turned = rate_of(first[known], last[known], np.zeros(int(known.sum())), (rates * (last - first)[:, None])[known]).antiderivative()
        own = np.where(self.read[:, None], self.turn_rad - turned(last) + turned(first), 0.0)
        return np.asarray(own + turned(self.end_s) - turned(self.start_s), dtype=np.float64)

    def moments_s(self, readout_s: float) -> tuple[Floats, Floats]:
        """(N,) and (N,): when the middle row of a frame would have seen each turn begin and end, given the read-out."""
        delay = self.row * readout_s
        return self.start_s + delay, self.end_s + delay

    def again(self, move_rad_s: Floats, covariance: Floats) -> Turns:
        """The turns read again, now that the camera's speed over distance is known (N, 3), camera axes before, with its covariance (N, 3, 3)."""
        good, readout = self.read, (self.camera.readout_ms or 0.0) / 1000
        if good.sum() < FEWEST_READ:
            return self
        rate = rate_of(self.start_s[good], self.end_s[good], self.row[good] * readout, self.turn_rad[good])
        turned, noise, steps = rate.antiderivative(), _noise(self.camera), []
        for step, move, spread in zip(self.steps, move_rad_s, covariance, strict=True):
            dt = step.end_s - step.start_s
            inside = len(step.before) >= FEWEST and rate.x[0] <= step.start_s <= step.end_s <= rate.x[-1]
            turn = step.again(turned, readout, noise, (move * dt, spread * dt**2))[0] if inside else None
            steps.append(step if turn is None else replace(step, turn=turn))
        return replace(self, **_figures(steps))


def clip_camera(camera: Camera, size_px: tuple[int, int], *, name: str, which: str = "recording") -> Camera:
    """The camera at a clip's size.

    Raises:
        InputError: another shape than its raster.
    """
    width, height = size_px
    across, down = camera.raster_px
    if abs(width / height / (across / down) - 1) > SHAPE_TOLERANCE:
        raise InputError(
            f"{width} x {height} pixels is {width / height:.3f}:1, but the {which} raster {across} x {down} is {across / down:.3f}:1",
            file=name,
            fix="give the clip as the camera wrote it, uncropped",
        )
    return camera.resized(size_px)


def read_turns(path: Path, camera_of: Callable[[tuple[int, int]], Camera], *, progress: Progress | None = None) -> Turns:
    """Read a clip's turns through its lens.

    Args:
        camera_of: the camera at a clip's size; raises where the shape is wrong.

    Raises:
        InputError: as ``frames_of`` and ``camera_of``.
        NotSuitable: too short, or too few frames that a turn can be read from; the message says why.
    """
    facts = clip_facts(path)
    camera = camera_of(facts.size_px)

    def counted() -> Iterable[Shown]:
        for count, frame in enumerate(frames_of(path), start=1):
            yield frame
            if progress is not None:
                progress(count, facts.frames)

    found = turns_of(counted(), camera, name=path.name, facts=facts)
    _check(found, str(path))
    return found


def turns_of(frames: Iterable[Shown], camera: Camera, *, name: str, facts: ClipFacts) -> Turns:
    """The turns of frames as they come, seen by a camera at the clip's size."""
    reader = _Reader(camera)
    for frame in frames:
        reader.take(frame)
    return reader.turns(name, facts)


@dataclass(frozen=True, kw_only=True, eq=False)
class Step:
    """What one frame adds to the one before: times, and details as bearings and rows (share of the height from the middle) in both."""

    start_s: float
    end_s: float
    before: Singles = field(default_factory=lambda: np.empty((0, 3), np.float32))
    after: Singles = field(default_factory=lambda: np.empty((0, 3), np.float32))
    rows: Singles = field(default_factory=lambda: np.empty((2, 0), np.float32))
    turn: BearingTurn | None = None

    @property
    def row(self) -> float:
        """Mean row of the details that agreed; of all, as long as no turn is read from them."""
        rows = self.rows if self.turn is None else self.rows[:, self.turn.agreed]
        return float(rows.mean()) if rows.size else 0.0

    def moments_s(self, readout_s: float) -> tuple[Floats, Floats, float]:
        """(N,) and (N,): when each detail was seen before and after; and by how much later than its frame's middle the mean row is read."""
        rows = self.rows.astype(np.float64) * readout_s
        return self.start_s + rows[0], self.end_s + rows[1], self.row * readout_s

    def again(self, turned: Any, readout_s: float, noise_rad: float, move: tuple[Floats, Floats]) -> tuple[BearingTurn | None, Floats]:
        """The turn, and how much more each detail saw the camera turn (N, 3), given the turn up to any time and the move over the step."""
        before, after = (v.astype(np.float64) for v in (self.before, self.after))
        first, last, delay = self.moments_s(readout_s)
        whole = turned(self.end_s + delay) - turned(self.start_s + delay)
        extra = turned(last) - turned(first) - whole
        start = whole if self.turn is None else self.turn.turn_rad
        return turn_of(before, after, noise_rad=noise_rad, extra=extra, start=start, move=move) or self.turn, extra


def _figures(steps: Sequence[Step]) -> dict[str, Any]:
    """What ``Turns`` states of each step."""
    nothing = np.full(3, np.nan)
    return {
        "steps": tuple(steps),
        "turn_rad": np.array([nothing if s.turn is None else s.turn.turn_rad for s in steps]).reshape(-1, 3),
        "sigma_rad": np.array([nothing if s.turn is None else np.sqrt(np.diag(s.turn.covariance)) for s in steps]).reshape(-1, 3),
        "row": np.array([s.row for s in steps]),
        "details": np.array([0 if s.turn is None else int(s.turn.agreed.sum()) for s in steps], dtype=np.int64),
        "move_rad_s": np.array([np.zeros(3) if s.turn is None else s.turn.move_rad / (s.end_s - s.start_s) for s in steps]).reshape(-1, 3),
    }


def _noise(camera: Camera) -> float:
    return _NOISE_PX / camera.pixels_per_rad


class _Reader:
    """Keeps the frame before and what was read so far."""

    def __init__(self, camera: Camera) -> None:
        self.given = self.camera = camera
        self.before: Shown | None = None
        self.usual = 0.0  # difference of a frame from the one before, grey levels
        self.rate = np.zeros(3)
        self.steps: list[Step] = []
        self.repeated: list[float] = []
        self.attitude = np.eye(3)
        self.keys: KeyFrames | None = None

    def take(self, frame: Shown) -> None:
        if self.before is None:
            height, width = frame.pixels.shape
            self.camera = self.given.resized((width, height))
            self.keys = KeyFrames(camera=self.camera)
            self.keys.take(frame.time_s, frame.pixels, self.attitude)
            self.before = frame
            return
        change = float(np.abs(frame.pixels[::2, ::2].astype(np.int16) - self.before.pixels[::2, ::2]).mean())
        step = self._step(self.before, frame, change)
        if step is None:
            self.repeated.append(frame.time_s)
            return
        before = self.rate
        self.rate = np.zeros(3) if step.turn is None else step.turn.turn_rad / (step.end_s - step.start_s)
        self.steps.append(step)
        self.usual = change if not self.usual else 0.9 * self.usual + 0.1 * change
        self.before = frame
        if self.keys is not None:
            self.attitude = self.attitude @ _matrix(before * (step.end_s - step.start_s) if step.turn is None else step.turn.turn_rad)
            self.keys.take(frame.time_s, frame.pixels, self.attitude)

    def _step(self, before: Shown, after: Shown, change: float) -> Step | None:
        """What one frame adds; None for one that shows the frame before again."""
        dt = after.time_s - before.time_s
        none = Step(start_s=before.time_s, end_s=after.time_s)
        places = corners_of(before.pixels)
        rays, ok = self.camera.unproject(places)
        places, rays = places[ok], rays[ok]
        if len(places) < FEWEST:
            return none
        for guess in (self.rate * dt, np.zeros(3)) if self.rate.any() else (np.zeros(3),):
            there, kept = followed(before.pixels, after.pixels, places, self._guess(places, rays, guess))
            if kept.sum() >= max(FEWEST, 0.4 * len(places)):
                break
        if kept.sum() >= FEWEST and change < 0.4 * self.usual and np.median(np.hypot(*(there - places)[kept].T)) < _STILL_PX:
            return None
        rays_after, ok = self.camera.unproject(there)
        kept &= ok
        if kept.sum() < FEWEST:
            return none
        rows = np.stack([places[kept, 1], there[kept, 1]]) / self.camera.raster_px[1] - 0.5
        extra = np.outer((rows[1] - rows[0]) * self._readout, self.rate)
        turn = turn_of(rays[kept], rays_after[kept], noise_rad=_noise(self.camera), extra=extra)
        first, second, at = (v.astype(np.float32) for v in (rays[kept], rays_after[kept], rows))
        return replace(none, before=first, after=second, rows=at, turn=turn)

    @property
    def _readout(self) -> float:
        return (self.camera.readout_ms or 0.0) / 1000

    def again(self) -> tuple[Floats, Floats]:
        """Read every turn again, now that it is known how the rate changed while the rows were read, and how the camera moved before and after.

        Details that agreed on no turn as long as that was not known may do so now.

        Returns:
            Pull (N,) and information (N,) of each step on how much longer the rows take than the camera's read-out, in seconds.
        """
        pull, told = np.zeros(len(self.steps)), np.zeros(len(self.steps))
        good = [(s.start_s, s.end_s, s.row * self._readout, s.turn.turn_rad) for s in self.steps if s.turn is not None]
        if len(good) < FEWEST_READ:
            return pull, told
        moves = self._moves()
        rate = rate_of(*(np.array(v) for v in zip(*good, strict=True)))
        turned, slow, middle = rate.antiderivative(), _slowed(rate), rate.x
        for k, s in enumerate(self.steps):
            if len(s.before) < FEWEST or not middle[0] <= s.start_s <= s.end_s <= middle[-1]:
                continue
            again, extra = s.again(turned, self._readout, _noise(self.camera), moves[k])
            if again is None:
                continue
            self.steps[k], rows = replace(s, turn=again), s.rows.astype(np.float64)
            first, last, delay = s.moments_s(self._readout)
            drift, along = (
                rows[1][:, None] * of(last) - rows[0][:, None] * of(first) - s.row * (of(s.end_s + delay) - of(s.start_s + delay)) for of in (rate, slow)
            )
            pull[k], told[k] = share_told(s.before.astype(np.float64), s.after.astype(np.float64), again, extra=extra, drift=drift, along=along)
        return pull, told

    def _read_out(self) -> tuple[float, float]:
        """The read-out that the rows show, seconds, and half the width of its 95 % interval; read-out and turns are read together where it is not stated.

        Intervals come from blocks of half a second that err by themselves (White 1980).
        """
        unknown = self.camera.readout_ms is None
        half = math.inf
        for _ in range(_ROW_ROUNDS if unknown else _AGAIN):
            pull, told = self.again()
            if not told.sum() > 0:
                return self._readout, math.inf
            block = (np.array([s.start_s for s in self.steps]) / _BLOCK_S).astype(int)
            longer = float(pull.sum() / told.sum())
            sums = np.bincount(block, weights=pull - told * longer)
            half = math.hypot(2.1 * math.sqrt(float((sums**2).sum())) / float(told.sum()), _ROWS_SURE_S)
            found = float(np.clip(self._readout + longer, 0.0, float(np.median([s.end_s - s.start_s for s in self.steps]))))
            if unknown and half < MOST_READOUT_S:
                self.camera = replace(self.camera, readout_ms=1000 * found)
        return found, half

    def _moves(self) -> list[tuple[Floats, Floats]]:
        """For each step the mean move over distance as the steps round it have it, in the camera's axes before, with its covariance."""
        from scipy.ndimage import gaussian_filter1d
        from scipy.spatial.transform import Rotation

        count = len(self.steps)
        dt = np.array([s.end_s - s.start_s for s in self.steps])
        turns = np.array([np.zeros(3) if s.turn is None else s.turn.turn_rad for s in self.steps])
        axes = np.empty((count, 3, 3))
        now = np.eye(3)
        for k, turn in enumerate(Rotation.from_rotvec(turns).as_matrix()):
            axes[k], now = now, now @ turn
        pull, told, most = np.zeros((count, 3)), np.zeros((count, 3, 3)), np.zeros(count)
        for k, s in enumerate(self.steps):
            if s.turn is not None:  # of a speed over distance, in the first frame's axes
                pull[k] = axes[k] @ s.turn.move_told[0] * dt[k]
                told[k] = axes[k] @ s.turn.move_told[1] @ axes[k].T * dt[k] ** 2
                most[k] = (s.turn.move_most_rad / dt[k]) ** 2
        steps = _MOVE_S / float(np.median(dt))
        pull, told, most = (gaussian_filter1d(v, steps, axis=0, mode="constant") * math.sqrt(2 * math.pi) * steps for v in (pull, told, most))
        known = gaussian_filter1d(np.array([float(s.turn is not None) for s in self.steps]), steps, mode="constant") * math.sqrt(2 * math.pi) * steps
        least = (0.3 * _noise(self.camera) / float(np.median(dt))) ** 2
        covariance = np.linalg.inv(told + np.eye(3) / (most / np.maximum(known, 1e-9) + least)[:, None, None])
        mean = np.einsum("kij,kj->ki", covariance, pull)
        loose = (_MOVE_SHARE * np.linalg.norm(mean, axis=1)) ** 2
        return [(axes[k].T @ mean[k] * dt[k], axes[k].T @ (covariance[k] + loose[k] * np.eye(3)) @ axes[k] * dt[k] ** 2) for k in range(count)]

    def _guess(self, places: Floats, rays: Floats, turn_rad: Floats) -> Floats:
        """Where the corners would be after a turn."""
        if not turn_rad.any():
            return places
        there, ok = self.camera.project(rotated(-turn_rad, rays))
        return np.where(ok[:, None] & np.isfinite(there), there, places)

    def turns(self, name: str, facts: ClipFacts) -> Turns:
        readout, half = self._read_out()
        return Turns(
            name=name,
            camera=self.camera,
            facts=facts,
            start_s=np.array([s.start_s for s in self.steps]),
            end_s=np.array([s.end_s for s in self.steps]),
            **_figures(self.steps),
            repeated_s=np.array(self.repeated),
            given_readout_ms=self.given.readout_ms,
            readout_s=readout,
            readout_95_s=half,
            keyed=None if self.keys is None else self.keys.keyed(),
        )


def _matrix(turn_rad: Floats) -> Floats:
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.from_rotvec(turn_rad).as_matrix(), dtype=np.float64)


def rate_of(start_s: Floats, end_s: Floats, delay_s: Floats, turn_rad: Floats) -> Any:
    """The turn rate (.., 3) as a cubic spline in time whose mean over each step is what was read: a rate is not its mean in the step's middle."""
    from scipy.interpolate import CubicSpline

    first, last = start_s + delay_s, end_s + delay_s
    once = np.append(True, np.diff((first + last) / 2) > 1e-6)
    first, last, wanted = first[once], last[once], (turn_rad / (end_s - start_s)[:, None])[once]
    rates = wanted
    for _ in range(_RATE_ROUNDS):
        spline = CubicSpline((first + last) / 2, rates)
        turned = spline.antiderivative()
        rates = rates + wanted - (turned(last) - turned(first)) / (last - first)[:, None]
    return CubicSpline((first + last) / 2, rates)


def _slowed(rate: Any) -> Callable[[Floats | float], Floats]:
    """The turn rate without what is quicker than some hertz: flex beyond half the frame rate shows as if it were slower and other within a frame."""
    from scipy.ndimage import gaussian_filter1d

    even = np.arange(rate.x[0], rate.x[-1], _SLOW_S / 4)
    slow = gaussian_filter1d(rate(even), 4.0, axis=0)

    def at(times: Floats | float) -> Floats:
        return np.stack([np.interp(times, even, slow[:, i]) for i in range(3)], axis=-1)

    return at


def _check(turns: Turns, file: str) -> None:
    if not len(turns.start_s) or turns.length_s < LEAST_S:
        length = turns.length_s if len(turns.start_s) else 0.0
        raise NotSuitable(f"lasts {length:.1f} s, which tells too little ({LEAST_S:g} s are needed)", file=file, fix="give a longer piece of the flight")
    share = float(turns.read.mean())
    if share < LEAST_READ:
        few = turns.details[~turns.read].mean() if (~turns.read).any() else 0
        why = "too blurred, too dark or without detail" if few < FEWEST else "something large moves in it"
        raise NotSuitable(
            f"a turn can be read from only {100 * share:.0f} % of its frames: {why}",
            file=file,
            fix="give a sharp, lit piece of the flight, or the camera's own file",
        )


def typical_rate_deg_s(turns: Turns) -> float:
    """Root mean square of the turn rate, degrees a second."""
    rates = turns.rate_rad_s[turns.read]
    return math.degrees(float(np.sqrt((rates**2).sum(1).mean()))) if len(rates) else 0.0
