"""How a camera turned over a clip."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.clips.adjusted import Adjusted
from framematch.clips.bearings import FEWEST
from framematch.clips.frames import ClipFacts
from framematch.clips.keyed import Keyed
from framematch.clips.rates import rate_of
from framematch.clips.step import Step, noise_rad
from framematch.errors import InputError
from framematch.geometry.camera import Camera

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SHAPE_TOLERANCE = 0.02  # of an aspect ratio: rasters are rounded
MOST_READOUT_S = 0.003  # half-width of the read-out's interval up to which it is used
FEWEST_READ, _HOLE_STEPS = 4, 4.5  # turns that make a rate; steps, the read ones at the ends among them, over which it is followed through what was not read


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
        turned, noise, steps = rate.antiderivative(), noise_rad(self.camera), []
        for step, move, spread in zip(self.steps, move_rad_s, covariance, strict=True):
            dt = step.end_s - step.start_s
            inside = len(step.before) >= FEWEST and rate.x[0] <= step.start_s <= step.end_s <= rate.x[-1]
            turn = step.again(turned, readout, noise, (move * dt, spread * dt**2))[0] if inside else None
            steps.append(step if turn is None else replace(step, turn=turn))
        return replace(self, **figures_of(steps))


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


def figures_of(steps: Sequence[Step]) -> dict[str, Any]:
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


def typical_rate_deg_s(turns: Turns) -> float:
    """Root mean square of the turn rate, degrees a second."""
    rates = turns.rate_rad_s[turns.read]
    return math.degrees(float(np.sqrt((rates**2).sum(1).mean()))) if len(rates) else 0.0
