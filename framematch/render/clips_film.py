"""Two clips side by side, in step: the goggles' picture with the guide as flown and the frame as it truly was, and the recorded picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.clips.frames import Shown, frames_of
from framematch.clips.together import Together
from framematch.geometry.mount import aim_from_rotation
from framematch.geometry.pairing import Pairing
from framematch.guide.best import outline_points
from framematch.guide.foretold import source_fit
from framematch.guide.report import guide_report
from framematch.guide.shown import metres
from framematch.output.guide_drawing import guide_drawing
from framematch.output.raster import drawing_picture
from framematch.render.video import write_video

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]
Told = Callable[[str, int, int], None]
TRUE, FRAME, INK, GROUND = (255, 140, 60), (255, 255, 255), (242, 245, 247), (16, 21, 26)
_STRIP_PX = 34
_POINTS = 33


def write_clips_film(path: Path, found: Together, clips: tuple[Path, Path], *, height_px: int = 360, told: Told | None = None) -> int:
    """Write the film; how many frames it has.

    Args:
        clips: recording and monitoring, as checked.
        height_px: of both pictures.

    Raises:
        InputError: as ``write_video`` and ``frames_of``.
    """
    rate = max(1, round(1 / found.recording.step_s))
    low, high = found.clocks.recording_s(np.array(found.clocks.span_s))
    expected = int((high - low) / found.recording.step_s)
    progress = None if told is None else (lambda done: told("Writing the film", done, expected))
    return write_video(path, _frames(found, clips, height_px, (float(low), float(high))), frames_per_s=rate, progress=progress)


def _frames(found: Together, clips: tuple[Path, Path], height: int, span: tuple[float, float]) -> Iterator[Bytes]:
    sizes = [_even(found.recording.facts.size_px, height), _even(found.monitoring.facts.size_px, height)]
    draw = _Drawing(found, sizes)
    there = frames_of(clips[1], width_px=sizes[1][0], colour=True)
    last = after = next(there, None)
    for frame in frames_of(clips[0], width_px=sizes[0][0], colour=True):
        if not span[0] <= frame.time_s <= span[1]:
            continue
        while after is not None and float(found.clocks.recording_s(after.time_s)) <= frame.time_s + found.monitoring.step_s / 2:
            last, after = after, next(there, None)
        if last is not None:
            yield draw(frame, last)


def moment_pictures(found: Together, clips: tuple[Path, Path], *, height_px: int = 300) -> list[Bytes]:
    """Each moment's own two frames as the film shows them, in order.

    Raises:
        InputError: as ``frames_of``.
    """
    sizes = [_even(each.facts.size_px, height_px) for each in (found.recording, found.monitoring)]
    draw = _Drawing(found, sizes)
    sides = []
    for which, (clip, size) in enumerate(zip(clips, sizes, strict=True)):
        wanted = {m.instant.recording_s if which == 0 else m.instant.monitoring_s for m in found.moments}
        sides.append({frame.time_s: frame for frame in frames_of(clip, width_px=size[0], colour=True) if frame.time_s in wanted})
    return [draw(sides[0][m.instant.recording_s], sides[1][m.instant.monitoring_s]) for m in found.moments]


def _even(size: tuple[int, int], height: int) -> tuple[int, int]:
    return 2 * round(size[0] * height / size[1] / 2), 2 * round(height / 2)


class _Drawing:
    """Puts one frame of each clip beside the other."""

    def __init__(self, found: Together, sizes: list[tuple[int, int]]) -> None:
        self.found, self.sizes = found, sizes
        self.flown = found.checked.before
        fit = source_fit(self.flown, sizes[1])
        self.scale, self.shift = np.array(fit.scale), np.array(fit.shift_px)
        screen = self.flown.display.raster_px
        drawn = drawing_picture(guide_drawing(guide_report(self.flown)))
        wide, high = (max(1, round(n * s)) for n, s in zip(screen, fit.scale, strict=True))
        over = np.zeros((sizes[1][1], sizes[1][0], 4), dtype=np.uint8)
        laid = np.asarray(drawn.resize((wide, high)))
        x, y = (round(v) for v in fit.shift_px)
        left, top = max(x, 0), max(y, 0)
        part = laid[top - y : top - y + over.shape[0] - top, left - x : left - x + over.shape[1] - left]
        over[top : top + part.shape[0], left : left + part.shape[1]] = part
        self.over, self.alpha = over[..., :3].astype(np.float32), over[..., 3:].astype(np.float32) / 255
        moments = found.moments
        self.times = np.array([m.instant.recording_s for m in moments])
        self.aims = np.array([m.aim_deg for m in moments])
        self.inverse = np.array([0.0 if math.isinf(m.distance_m) else 1 / m.distance_m for m in moments])
        self.off = np.array([m.off_percent for m in moments])

    def __call__(self, recorded: Shown, seen: Shown) -> Bytes:
        import cv2

        pictures = [self._sized(shown.pixels, size) for shown, size in zip((recorded, seen), self.sizes, strict=True)]
        t = recorded.time_s
        wide = (pictures[1] * (1 - self.alpha) + self.over * self.alpha).astype(np.uint8)
        inverse = float(np.interp(t, self.times, self.inverse))
        for edge in outline_points(self._then(t), 1 / inverse if inverse > 1e-3 else math.inf, _POINTS):
            points = edge[np.isfinite(edge).all(axis=1)] * self.scale + self.shift
            cv2.polylines(wide, [np.rint((points - 0.5) * 16).astype(np.int32)], False, TRUE, 2, cv2.LINE_AA, 4)
        f, (across, down) = self.flown.frame, self.flown.recording.raster_px
        at = np.array([f.left / across, f.top / down, f.right / across, f.bottom / down]) * np.array(self.sizes[0] * 2)
        x0, y0, x1, y1 = (round(v) for v in at)
        own = pictures[0]
        cv2.rectangle(own, (x0, y0), (x1 - 1, y1 - 1), FRAME, 1)
        return np.vstack([np.hstack([wide, own]), self._strip(t, inverse)])

    @staticmethod
    def _sized(picture: Bytes, size: tuple[int, int]) -> Bytes:
        import cv2

        return np.asarray(picture if picture.shape[1::-1] == size else cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8).copy()

    def _then(self, t: float) -> Pairing:
        """The rig as it was at a time, quick flex with it."""
        from scipy.spatial.transform import Rotation

        rig = self.found.checked.after
        pan, tilt, roll = (float(np.interp(t, self.times, self.aims[:, i])) for i in range(3))
        slow = replace(rig.mount, pan_deg=pan, tilt_deg=tilt, roll_deg=roll)
        bend = Rotation.from_rotvec(self.found.flex.at(float(self.found.clocks.monitoring_s(t)))).as_matrix()
        pan, tilt, roll = aim_from_rotation(slow.recording_from_monitoring @ bend)
        return replace(rig, mount=replace(slow, pan_deg=pan, tilt_deg=tilt, roll_deg=roll))

    def _strip(self, t: float, inverse: float) -> Bytes:
        from PIL import Image, ImageDraw, ImageFont

        wide, own = self.sizes[1][0], self.sizes[0][0]
        strip = Image.new("RGB", (wide + own, _STRIP_PX), GROUND)
        draw: Any = ImageDraw.Draw(strip)
        font = ImageFont.load_default(15)
        draw.line((10, 17, 34, 17), fill=TRUE, width=3)
        draw.text((42, 8), "true frame; the other lines: guide as flown", fill=INK, font=font)
        off = float(np.interp(t, self.times, self.off))
        words = f"{t:6.2f} s   off {off:.1f} % at {metres(1 / inverse if inverse > 1e-3 else math.inf)}"
        draw.text((wide + 10, 8), words, fill=INK, font=font)
        return np.asarray(strip, dtype=np.uint8)
