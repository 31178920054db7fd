"""Stills that people hand over: PNG, JPEG and TIFF pictures, and frames of video files by time.

A still's size is read from its header and bounded before any of it is decoded, the camera's note
on which way up it was held (EXIF orientation) is honoured, and whatever is wrong with a file ends
as one plain line.
"""

from __future__ import annotations

import hashlib
import io
import os
import struct
import warnings
import zlib
from collections.abc import Iterable
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framematch.errors import InputError
from framematch.measure.unheard import libtiff_unheard

LIMIT_PX = 120_000_000  # 8K is 33 million, the largest still cameras make about 100 million
LONGEST_PX = 32_768  # of a side, as a pairing's raster; OpenCV fails at some lengths above
PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
LONGEST_S = 1e6
CONTAINERS = "mov,mp4,matroska,webm,avi,mpegts,mxf,image2,tiff_pipe,png_pipe,jpeg_pipe"  # none that is a list of other files
VIDEOS = (".mp4", ".mov", ".m4v", ".mkv", ".avi", ".mxf", ".webm", ".ts", ".mts")


@dataclass(frozen=True, kw_only=True, eq=False)
class Still:
    """A picture as it is looked at, upright.

    Args:
        name: the file's name, with the time for a video frame.
        pixels: (height, width) grey or (height, width, 3) RGB, 8 bits.
    """

    name: str
    pixels: NDArray[np.uint8]

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.pixels.shape[1], self.pixels.shape[0]

    @property
    def grey(self) -> NDArray[np.uint8]:
        """(height, width), luma of ITU-R BT.601 as JPEG has it."""
        if self.pixels.ndim == 2:
            return self.pixels
        import cv2

        return np.asarray(cv2.cvtColor(self.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)

    @property
    def digest(self) -> str:
        """The same for two stills with the same pixels, whatever their files are called."""
        return hashlib.blake2b(np.ascontiguousarray(self.pixels).tobytes(), digest_size=16).hexdigest()


def named_stills(names: Iterable[str]) -> list[str]:
    """Spell out folders and patterns into the stills they hold, by name, in order.

    Args:
        names: files, folders, patterns such as ``rec/*.png``, video frames such as ``clip.mp4@12.5``.

    Raises:
        InputError: a folder or pattern that holds no still.
    """
    out: list[str] = []
    for name in names:
        path = Path(name)
        if os.path.isdir(path):
            found = sorted(str(p) for p in path.iterdir() if p.suffix.lower() in PICTURES)
            if not found:
                raise InputError("no PNG, JPEG or TIFF pictures in this folder", file=name, fix="name another folder")
            out += found
        elif any(c in name for c in "*?[") and not os.path.exists(path):
            base = Path(path.anchor) if path.is_absolute() else Path()
            pattern = str(path.relative_to(path.anchor)) if path.is_absolute() else name
            try:
                found = sorted(str(p) for p in base.glob(pattern) if p.is_file())
            except (OSError, ValueError) as error:
                raise InputError(f"is not a pattern that can be searched ({error})", file=name, fix="write it like rec/*.png") from None
            if not found:
                raise InputError("no file fits this pattern", file=name, fix="check the folder and the pattern")
            out += found
        else:
            out.append(name)
    return out


def read_still(name: str | Path, *, colour: bool = False, content: bytes | None = None) -> Still:
    """Read a picture, or the frame of a video at a time in seconds written after an @.

    Args:
        name: ``still.png``, ``clip.mp4`` (its first frame) or ``clip.mp4@12.5``.
        colour: RGB instead of grey.
        content: the picture's bytes, where it is in no file; the name only names it then.

    Raises:
        InputError: missing, not a picture, broken, or larger than ``LIMIT_PX``.
    """
    if content is not None:
        return Still(name=str(name), pixels=_picture(Path(name), colour=colour, content=content))
    path, seconds = _path_and_time(str(name))
    if os.path.isdir(path):
        raise InputError("is a folder", file=str(path), fix="name a picture")
    if not os.path.isfile(path):
        raise InputError("no such file", file=str(path), fix="check the name and the folder")
    if path.suffix.lower() in VIDEOS or seconds is not None:
        label = path.name if seconds is None else f"{path.name}@{seconds:g}"
        return Still(name=label, pixels=_video_frame(path, seconds or 0.0, colour=colour))
    return Still(name=path.name, pixels=_picture(path, colour=colour))


def check_size(size_px: tuple[int, int], *, file: str) -> None:
    """Refuse a picture of no size, one far too long, or one too large to be safe to decode.

    Raises:
        InputError: it is.
    """
    width, height = size_px
    if width < 16 or height < 16:
        raise InputError(f"{width} x {height} pixels is too small to measure from", file=file, fix="give the camera's own still")
    if width * height > LIMIT_PX:
        raise InputError(f"claims {width} x {height} pixels, more than {LIMIT_PX // 10**6} million", file=file, fix="give a smaller still")
    if max(width, height) > LONGEST_PX:
        raise InputError(f"{width} x {height} pixels is not a picture of a camera", file=file, fix="give the camera's own still")


def _path_and_time(name: str) -> tuple[Path, float | None]:
    path, mark, tail = name.rpartition("@")
    if mark and not os.path.exists(name):
        try:
            seconds = float(tail)
        except ValueError:
            return Path(name), None
        if not 0 <= seconds <= LONGEST_S:
            raise InputError(f"{tail} is not a time in a video", file=path, fix="write seconds after the @, such as clip.mp4@12.5")
        return Path(path), seconds
    return Path(name), None


def _picture(path: Path, *, colour: bool, content: bytes | None = None) -> NDArray[np.uint8]:
    from PIL import Image, ImageOps, UnidentifiedImageError

    Image.init()  # or Image.open does not know TIFF
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path if content is None else io.BytesIO(content), formats=("PNG", "JPEG", "TIFF")) as picture:
                check_size(picture.size, file=str(path))
                if not colour:
                    picture.draft("L", picture.size)  # JPEG: luma alone, a third of the work
                with libtiff_unheard() if picture.format == "TIFF" and content is None else nullcontext():  # content: a server's
                    picture.load()
                ImageOps.exif_transpose(picture, in_place=True)  # a copy of a large picture costs as much as the picture
                return _eight_bits(picture, colour=colour)
    except UnidentifiedImageError:
        if path.suffix.lower() in (".tif", ".tiff"):
            return _decoded(path, None, colour=colour, content=content)  # 16-bit colour
        raise InputError("is not a PNG, JPEG or TIFF picture", file=str(path), fix="give a still as the camera wrote it") from None
    except Image.DecompressionBombError:
        raise InputError(f"claims more than {LIMIT_PX // 10**6} million pixels", file=str(path), fix="give a smaller still") from None
    except InputError:
        raise
    except MemoryError:
        raise InputError("does not fit into memory", file=str(path), fix="give a smaller still") from None
    except (OSError, SyntaxError, ValueError, EOFError, IndexError, KeyError, TypeError, struct.error, zlib.error) as error:
        reason = "is cut short" if "truncated" in str(error).lower() else "is broken"
        raise InputError(f"the picture {reason}", file=str(path), fix="copy it from the card again") from None


def _eight_bits(picture: Any, *, colour: bool) -> NDArray[np.uint8]:
    if picture.mode.startswith("I") or picture.mode == "F":
        values = np.asarray(picture, dtype=np.float32)
        top = 65535.0 if picture.mode.startswith("I") else max(float(np.nanmax(values)), 1e-12)
        grey = np.clip(np.nan_to_num(values) * (255 / top) + 0.5, 0, 255).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2) if colour else grey
    mode = "RGB" if colour else "L"
    return np.array(picture if picture.mode == mode else picture.convert(mode), dtype=np.uint8)


def video_length_s(name: str, content: bytes) -> float:
    """How long a video is, seconds.

    Raises:
        InputError: no video, or one that does not say.
    """
    import av

    try:
        with av.open(io.BytesIO(content), "r", options={"format_whitelist": CONTAINERS}) as container:
            if not container.streams.video or not container.duration:
                raise InputError("is not a video that says how long it is", file=name, fix="give MP4 or MOV as the goggles wrote it")
            return min(float(container.duration) / av.time_base, LONGEST_S)
    except InputError:
        raise
    except (OSError, ValueError, EOFError, IndexError):
        raise InputError("is not a video that can be read", file=name, fix="give MP4 or MOV as the goggles wrote it") from None


def video_still(name: str, content: bytes, seconds: float) -> bytes:
    """The frame of a video at a time, as a PNG file.

    Raises:
        InputError: no video, no frame there, or one too large.
    """
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(_decoded(Path(name), seconds, colour=True, content=content, container_format=None)).save(out, "PNG", compress_level=1)
    return out.getvalue()


def _video_frame(path: Path, seconds: float, *, colour: bool) -> NDArray[np.uint8]:
    return _decoded(path, seconds, colour=colour)


def _decoded(path: Path, seconds: float | None, *, colour: bool, content: bytes | None = None, container_format: str | None = "tiff_pipe") -> NDArray[np.uint8]:
    """The frame shown at a time, decoded by FFmpeg's libraries through PyAV."""
    import av

    try:
        source: Any = str(path) if content is None else io.BytesIO(content)
        with av.open(source, format=None if content is None else container_format, options={"format_whitelist": CONTAINERS}) as container:
            if not container.streams.video:
                raise InputError("has no picture in it", file=str(path), fix="name a video or a still")
            stream = container.streams.video[0]
            check_size((stream.codec_context.width, stream.codec_context.height), file=str(path))
            frame = _frame_at(container, stream, seconds or 0.0)
            if frame is None:
                raise InputError(f"has no frame at {seconds:g} s", file=str(path), fix="give a time within the clip")
            check_size((frame.width, frame.height), file=str(path))
            pixels = np.asarray(frame.to_ndarray(format="rgb24" if colour else "gray"), dtype=np.uint8)
            turns = round(float(getattr(frame, "rotation", 0) or 0) / 90) % 4  # anticlockwise, from the container
            return np.ascontiguousarray(np.rot90(pixels, turns))
    except InputError:
        raise
    except MemoryError:
        raise InputError("does not fit into memory", file=str(path), fix="give a smaller still") from None
    except (OSError, ValueError, EOFError, IndexError):
        kind = "video that can be read" if seconds is not None else "picture that can be read"
        raise InputError(f"is not a {kind}", file=str(path), fix="copy it from the card again") from None


def _frame_at(container: Any, stream: Any, seconds: float) -> Any:
    base = stream.time_base
    start = stream.start_time or 0
    goal = start + round(seconds / float(base)) if base else 0
    if seconds > 0:
        container.seek(goal, stream=stream, backward=True)
    last = None
    for frame in container.decode(stream):
        if frame.pts is not None and frame.pts > goal and last is not None:
            return last
        last = frame
        if frame.pts is None or frame.pts >= goal:
            return frame
    if last is not None and base and last.pts is not None and goal - last.pts > 2 / float(base * (stream.average_rate or 1)):
        return None
    return last
