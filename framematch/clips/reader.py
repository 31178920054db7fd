"""How a camera turned from frame to frame, read from its clip alone.

Corners (Shi and Tomasi, CVPR 1994) are tracked from each frame to the next by Lucas and Kanade's method over a pyramid (Bouguet; OpenCV's own) and
back; what does not come back to its place is dropped. The rest are bearings through the camera's own lens, and the turn is that of
``bearings.turn_of``. A frame that repeats the one before is left out, so that the next turn spans both. Where no turn can be read, the frame is
marked and the chain begins anew behind it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framematch.clips.bearings import FEWEST, matrices, rotated, share_told, turn_of
from framematch.clips.corners import corners_of, followed
from framematch.clips.frames import ClipFacts, Shown, clip_facts, frames_of
from framematch.clips.keyed import KeyFrames
from framematch.clips.rates import rate_of, slowed
from framematch.clips.step import Step, noise_rad
from framematch.clips.turns import FEWEST_READ, MOST_READOUT_S, Turns, figures_of
from framematch.geometry.camera import Camera
from framematch.measure.check import NotSuitable

Floats = NDArray[np.float64]
Progress = Callable[[int, int], None]  # frames read, frames expected (0 if the clip does not say)

LEAST_S = 3.0
LEAST_READ = 0.6  # of the frames
_AGAIN = 2  # times that turns are read again
_ROW_ROUNDS, _BLOCK_S = 5, 0.5
_ROWS_SURE_S = 0.001  # what moving past near things may draw (rendered flights)
_MOVE_S, _MOVE_SHARE = 0.15, 0.1  # over how long a move over distance is taken together, and by what share it changes within
_STILL_PX = 0.15  # a corner's move in a repeated frame, which is packed anew each time


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
            self.attitude = self.attitude @ matrices(before * (step.end_s - step.start_s) if step.turn is None else step.turn.turn_rad)
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
        turn = turn_of(rays[kept], rays_after[kept], noise_rad=noise_rad(self.camera), extra=extra)
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
        turned, slow, middle = rate.antiderivative(), slowed(rate), rate.x
        for k, s in enumerate(self.steps):
            if len(s.before) < FEWEST or not middle[0] <= s.start_s <= s.end_s <= middle[-1]:
                continue
            again, extra = s.again(turned, self._readout, noise_rad(self.camera), moves[k])
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
        least = (0.3 * noise_rad(self.camera) / float(np.median(dt))) ** 2
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
            **figures_of(self.steps),
            repeated_s=np.array(self.repeated),
            given_readout_ms=self.given.readout_ms,
            readout_s=readout,
            readout_95_s=half,
            keyed=None if self.keys is None else self.keys.keyed(),
        )


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
