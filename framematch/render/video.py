"""Frames to a video file or a moving picture, whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.text.whole import written_whole

Bytes = NDArray[np.uint8]
Progress = Callable[[int], None]

ENCODERS = ("libx264", "libopenh264", "mpeg4")  # the first that the PyAV at hand has
VIDEO_SUFFIXES = (".mp4", ".gif")
MOST_GIF_FRAMES = 1000  # they are held until the file is written
_BT709 = 1  # code point of ITU-R BT.709 in ITU-T H.273, for primaries, transfer and matrix alike


def check_video_name(path: Path, frames_per_s: int, frames: int = 1) -> None:
    """Refuse a name that no video can be written to, before anything is rendered.

    Raises:
        InputError: another ending, a rate or more frames than a GIF can hold, or no such folder.
    """
    if path.suffix.lower() not in VIDEO_SUFFIXES:
        raise InputError(f"'{path.suffix}' is not the ending of a video made here", file=str(path), field="out", fix=f"name it {' or '.join(VIDEO_SUFFIXES)}")
    if path.suffix.lower() == ".gif" and frames_per_s > 30:
        raise InputError(
            f"a GIF can't be shown at {frames_per_s} frames per second: its times are hundredths of a second",
            file=str(path),
            fix="use 24, 25 or 30, or an .mp4",
        )
    if path.suffix.lower() == ".gif" and frames > MOST_GIF_FRAMES:
        raise InputError(f"{frames:,} frames are too many for a GIF", file=str(path), fix=f"write an .mp4, or a run of at most {MOST_GIF_FRAMES} frames")
    if path.is_dir() or not path.parent.is_dir():
        raise InputError(
            "no folder to write it in" if not path.is_dir() else "is a folder", file=str(path), field="out", fix="name a file in a folder that is there"
        )


def write_video(path: Path, frames: Iterable[Bytes], *, frames_per_s: int, progress: Progress | None = None) -> int:
    """Write frames (H, W, 3) uint8 of one even size as .mp4 or .gif; how many there were.

    Args:
        progress: called with the number of frames written, after each.

    Raises:
        InputError: as :func:`check_video_name`, or the file can't be written.
    """
    check_video_name(path, frames_per_s)
    counted = _counted(frames, progress)
    with written_whole(path) as beside:
        return (_write_gif if path.suffix.lower() == ".gif" else _write_mp4)(beside, counted, frames_per_s)


def _counted(frames: Iterable[Bytes], progress: Progress | None) -> Iterator[Bytes]:
    for count, frame in enumerate(frames, start=1):
        yield frame
        if progress is not None:
            progress(count)


def _write_mp4(path: Path, frames: Iterator[Bytes], frames_per_s: int) -> int:
    import av

    count = 0
    with av.open(str(path), "w", format="mp4", options={"movflags": "+faststart"}) as container:
        stream: Any = None
        for picture in frames:
            height, width = picture.shape[:2]
            if stream is None:
                stream = _stream(container, width, height, frames_per_s)
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            frame = frame.reformat(format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG")
            frame.pts, frame.time_base = count, Fraction(1, frames_per_s)
            container.mux(stream.encode(frame))
            count += 1
        if stream is None:
            raise InputError("no frames to write", file=str(path))
        container.mux(stream.encode())
    return count


def encoder() -> str:
    """The encoder for H.264, or the next best, that the PyAV at hand has.

    Raises:
        InputError: it has none.
    """
    import av

    name = next((each for each in ENCODERS if each in av.codecs_available), None)
    if name is None:
        raise InputError("the PyAV at hand has no encoder for .mp4", field="out", fix="name it .gif, or install PyAV's own wheel")
    return name


def _stream(container: Any, width: int, height: int, frames_per_s: int) -> Any:
    name = encoder()
    stream = container.add_stream(name, rate=frames_per_s, options={"crf": "18", "preset": "medium"} if name == "libx264" else {})
    stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
    if name == "mpeg4":
        stream.bit_rate = max(2_000_000, width * height * frames_per_s // 5)
    context = stream.codec_context
    context.time_base = Fraction(1, frames_per_s)
    context.color_primaries = context.color_trc = context.colorspace = _BT709
    context.color_range = 1  # limited, as video has it
    return stream


def _write_gif(path: Path, frames: Iterator[Bytes], frames_per_s: int) -> int:
    """GIF times are hundredths of a second, so each frame ends at the hundredth nearest to its true end."""
    from PIL import Image

    shown: list[int] = []

    def pictures() -> Iterator[Any]:
        for i, picture in enumerate(frames):
            ends = (round(100 * Fraction(i, frames_per_s)), round(100 * Fraction(i + 1, frames_per_s)))
            shown.append(10 * (ends[1] - ends[0]))
            image = Image.fromarray(picture).quantize(256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
            image.info["duration"] = shown[-1]
            yield image

    stream = pictures()
    first = next(stream, None)
    if first is None:
        raise InputError("no frames to write", file=str(path))
    first.save(path, format="GIF", save_all=True, append_images=stream, loop=0, optimize=False)
    return len(shown)
