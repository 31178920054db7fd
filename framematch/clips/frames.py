"""The frames of a clip one after another: when each was shown, and its picture, small and grey.

Times are those that the file states (presentation times), so that gaps and varying rates stay what they were.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.measure.stills import CONTAINERS, Still, check_size

STILL_PX = 2816  # width of frames that are checked as stills
WORKING_PX = 640  # width that frames are brought to: finer ones tell the turn hardly better and take longer


@dataclass(frozen=True, kw_only=True, eq=False)
class Shown:
    """A frame: seconds from the clip's first one, and (height, width) grey or (height, width, 3) RGB."""

    time_s: float
    pixels: NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True)
class ClipFacts:
    """What a clip's file says of itself: size in pixels once upright, frames a second, how many frames (0: not said)."""

    size_px: tuple[int, int]
    frames_per_s: float
    frames: int


def clip_facts(path: Path) -> ClipFacts:
    """Look at a clip without decoding more than its first frame.

    Raises:
        InputError: missing, no video, or one that can't be read.
    """
    with _opened(path) as container:
        stream = container.streams.video[0]
        first = next(iter(_decoded(container, stream, path)), None)
        if first is None:
            raise InputError("has no frame that can be read", file=str(path), fix="copy it from the card again")
        size = (first.width, first.height) if _quarters(first) % 2 == 0 else (first.height, first.width)
        return ClipFacts(size_px=size, frames_per_s=float(stream.average_rate or 0), frames=int(stream.frames or 0))


def frames_of(path: Path, *, width_px: int = WORKING_PX, colour: bool = False) -> Iterator[Shown]:
    """Every frame of a clip in the order in which it is shown, at most ``width_px`` wide.

    A frame that is shown at no time of its own is left out; a clip that breaks off ends there.

    Raises:
        InputError: missing, no video, one that can't be read, or frames of changing size.
    """
    with _opened(path) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        tick = float(stream.time_base or 1 / 90_000)
        size: tuple[int, int] | None = None
        first: int | None = None
        last = -1.0
        for frame in _decoded(container, stream, path):
            if size is None:
                size = (frame.width, frame.height)
            elif size != (frame.width, frame.height):
                raise InputError(f"changes its size from {size[0]} x {size[1]} to {frame.width} x {frame.height}", file=str(path), fix="cut it there")
            if frame.pts is None:
                continue
            first = frame.pts if first is None else first
            time_s = (frame.pts - first) * tick
            if time_s <= last:
                continue
            last = time_s
            turns = _quarters(frame)
            upright = size if turns % 2 == 0 else size[::-1]
            scale = min(1.0, width_px / upright[0])
            small = (round(size[0] * scale), round(size[1] * scale))
            pixels = frame.reformat(width=small[0], height=small[1], format="rgb24" if colour else "gray", interpolation="AREA").to_ndarray()
            yield Shown(time_s=time_s, pixels=np.ascontiguousarray(np.rot90(pixels, turns)))


def _quarters(frame: Any) -> int:
    """Quarter turns anticlockwise that bring a frame upright, from the container."""
    return round(float(getattr(frame, "rotation", 0) or 0) / 90) % 4


def _opened(path: Path) -> Any:
    import av

    if os.path.isdir(path):
        raise InputError("is a folder", file=str(path), fix="name a clip")
    if not os.path.isfile(path):
        raise InputError("no such file", file=str(path), fix="check the name and the folder")
    try:
        container = av.open(str(path), options={"format_whitelist": CONTAINERS})
    except (OSError, ValueError, EOFError):
        raise InputError("is not a video that can be read", file=str(path), fix="copy it from the card again") from None
    if not container.streams.video:
        container.close()
        raise InputError("has no picture in it", file=str(path), fix="name a video")
    try:
        context = container.streams.video[0].codec_context
        check_size((context.width, context.height), file=str(path))
    except InputError:
        container.close()
        raise
    return container


def _decoded(container: Any, stream: Any, path: Path) -> Iterator[Any]:
    """Frames until the clip ends or breaks off; one that does not begin at all is refused."""
    began = False
    try:
        for frame in container.decode(stream):
            began = True
            yield frame
    except (OSError, ValueError, EOFError):
        if not began:
            raise InputError("is not a video that can be read", file=str(path), fix="copy it from the card again") from None


def stills_at(path: Path, times_s: Sequence[float], *, width_px: int = STILL_PX) -> list[Still]:
    """The frames shown at some of the times that ``frames_of`` gave, grey and upright, at most ``width_px`` wide, in the order of the times.

    Raises:
        InputError: as ``frames_of``, or a time at which no frame is shown.
    """
    wanted = sorted(set(times_s))
    found: dict[float, Still] = {}
    with _opened(path) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        tick = float(stream.time_base or 1 / 90_000)
        first: int | None = None
        for frame in _decoded(container, stream, path):
            if frame.pts is None:
                continue
            first = frame.pts if first is None else first
            time_s = (frame.pts - first) * tick
            if len(found) == len(wanted):
                break
            if abs(time_s - wanted[len(found)]) < tick:
                turns = _quarters(frame)
                scale = min(1.0, width_px / (frame.width if turns % 2 == 0 else frame.height))
                small = (round(frame.width * scale), round(frame.height * scale))
                pixels = np.rot90(frame.reformat(width=small[0], height=small[1], format="gray", interpolation="AREA").to_ndarray(), turns)
                found[wanted[len(found)]] = Still(name=f"{path.name}@{time_s:.2f}", pixels=np.ascontiguousarray(pixels))
    if len(found) < len(wanted):
        raise InputError(f"has no frame at {wanted[len(found)]:g} s", file=str(path), fix="copy it from the card again")
    return [found[t] for t in times_s]
