"""The recorded frame foretold from a clip or a still of the goggles' picture, written as a clip or a still."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from framematch.errors import InputError
from framematch.geometry.pairing import Pairing
from framematch.guide.foretold import Bars, Foretold, SourceFit, foretold, inside_bars, source_fit
from framematch.guide.report import Report
from framematch.measure.stills import PICTURES, check_size, read_still
from framematch.output.guide_drawing import guide_drawing
from framematch.output.raster import drawing_picture
from framematch.render.planes import Bender, Bytes, Planes, beside, frame_of, laid_over, planes_from_rgb, planes_of
from framematch.render.video import encoder
from framematch.text.whole import written_whole

Progress = Callable[[int, int], None]  # frames done, frames expected (0 if the clip does not say)
CLIPS = (".mp4", ".mov", ".mkv")
BLACK = 28  # luma of video's black is 16; compression rings a little above
#: As large and as true as x264's "veryfast" on a picture with noise (0.3 dB less), for half its time: two cores keep up with 1080 rows at 25 a second.
H264 = {"crf": "18", "preset": "superfast", "x264-params": "mbtree=1:rc-lookahead=10"}
LOOKED_AT = 12  # frames in which bars are looked for


@dataclass(frozen=True, kw_only=True)
class Made:
    """What was written: pictures, whether the source's sound came along, and why it ended early, if it did."""

    frames: int
    size_px: tuple[int, int]
    sound: bool = False
    cut_short: str = ""


def write_foretold(
    out: Path,
    source: Path,
    pairing: Pairing,
    *,
    distance_m: float,
    height_px: int = 720,
    wide: Report | None = None,
    progress: Progress | None = None,
) -> Made:
    """Write the frame that a clip or still of the goggles' picture foretells.

    Args:
        out: ``.mp4``, ``.mov`` or ``.mkv`` for a clip, ``.png`` or ``.jpg`` for a still.
        source: the goggles' recording, or a still of it. Time stamps are kept, also of varying rate; sound is copied.
        pairing: whose main frame is shown.
        distance_m: of what is filmed.
        wide: the guide to lay over the wide picture beside it; None for the frame alone.

    Raises:
        InputError: a source that can't be read or does not fit the display, or a name that can't be written.
    """
    still = source.suffix.lower() in PICTURES
    allowed = (".png", ".jpg", ".jpeg") if still else CLIPS
    if out.suffix.lower() not in allowed:
        raise InputError(f"can't write a {'still' if still else 'clip'} as '{out.suffix}'", file=str(out), field="out", fix=f"end it in {', '.join(allowed)}")
    if out.resolve() == source.resolve():
        raise InputError("is the source itself", file=str(out), field="out", fix="choose another name")
    found = foretold(pairing, distance_m, height_px=height_px)
    return _still(out, source, pairing, found, wide) if still else _clip(out, source, pairing, found, wide, progress)


class _Composer:
    """Makes each picture from the source's planes."""

    def __init__(self, pairing: Pairing, found: Foretold, fit: SourceFit, wide: Report | None) -> None:
        self._frame = Bender(fit.places(found.places), found.seen)
        self._wide: Bender | None = None
        if wide is not None:
            height = found.size_px[1]
            screen = pairing.display.raster_px
            width = 2 * round(height * screen[0] / screen[1] / 2)
            across, down = (np.arange(width) + 0.5) * screen[0] / width, (np.arange(height) + 0.5) * screen[1] / height
            places = np.stack(np.broadcast_arrays(across[None, :], down[:, None]), axis=-1)
            self._wide = Bender(fit.places(places), np.ones((height, width), dtype=bool))
            drawn = np.asarray(drawing_picture(guide_drawing(wide)).resize((width, height)))
            self._over, self._alpha = planes_from_rgb(drawn[..., :3]), np.ascontiguousarray(drawn[..., 3])

    def __call__(self, planes: Planes) -> Planes:
        frame = self._frame(planes)
        return frame if self._wide is None else beside(laid_over(self._wide(planes), self._over, self._alpha), frame)


def _still(out: Path, source: Path, pairing: Pairing, found: Foretold, wide: Report | None) -> Made:
    import av
    from PIL import Image

    picture = read_still(source, colour=True).pixels
    height, width = picture.shape[:2]  # an odd last row or column is left out, but its scale is the whole picture's
    planes = planes_from_rgb(picture[: height // 2 * 2, : width // 2 * 2])
    made = _Composer(pairing, found, source_fit(pairing, (width, height), bars=_inside_bars(planes[0])), wide)(planes)
    frame: av.VideoFrame = frame_of(made)
    with written_whole(out) as path:
        Image.fromarray(frame.to_ndarray(format="rgb24")).save(path)
    return Made(frames=1, size_px=(frame.width, frame.height))


def _clip(out: Path, source: Path, pairing: Pairing, found: Foretold, wide: Report | None, progress: Progress | None) -> Made:
    import av

    try:
        with av.open(str(source)) as clip:
            if not clip.streams.video:
                raise InputError("has no picture in it", file=str(source), fix="name a video or a still")
            video = clip.streams.video[0]
            check_size((video.codec_context.width, video.codec_context.height), file=str(source))
            bars = _bars_of(source)
            with written_whole(out) as path:
                return _encoded(path, clip, video, lambda size: _Composer(pairing, found, source_fit(pairing, size, bars=bars), wide), progress, str(source))
    except InputError:
        raise
    except (av.FFmpegError, ValueError, EOFError):
        raise InputError("is not a video that can be read", file=str(source), fix="copy it from the card again") from None


def _encoded(path: Path, clip: Any, video: Any, composer: Callable[[tuple[int, int]], _Composer], progress: Progress | None, name: str) -> Made:
    import av

    video.thread_type = "AUTO"
    sound = clip.streams.audio[0] if clip.streams.audio else None
    expected = video.frames or (round(float(clip.duration / av.time_base * (video.average_rate or 0))) if clip.duration else 0)
    made, compose, stream, copied, short = 0, None, None, None, ""
    tick = video.time_base or Fraction(1, 90_000)
    last: int | None = None
    size = (0, 0)
    waiting: list[Any] = []  # sound that comes before the first picture: all streams must be there before anything is written
    with av.open(str(path), "w", options={"movflags": "+faststart"} if path.suffix.lower() != ".mkv" else {}) as target:
        try:
            for kind, item in _demuxed(clip, video, sound):
                if kind == "sound":
                    waiting.append(item)
                    if stream is not None:
                        _mux_sound(target, copied, waiting)
                    continue
                planes = planes_of(item)
                at = (planes[0].shape[1], planes[0].shape[0])
                if compose is None:
                    compose, size = composer(at), at
                elif at != size:
                    raise InputError(f"changes its size from {size[0]} x {size[1]} to {at[0]} x {at[1]}", file=name, fix="cut it there")
                result = frame_of(compose(planes))
                if stream is None:
                    stream = _stream(target, result, item, video.average_rate or 25, tick)
                    copied = _sound(target, sound)
                    _mux_sound(target, copied, waiting)
                pts = item.pts if item.pts is not None else (0 if last is None else last + max(1, round(1 / (tick * (video.average_rate or 25)))))
                if last is not None and pts <= last:
                    continue  # a frame that is shown at no time of its own
                last = result.pts = pts
                result.time_base = tick
                target.mux(stream.encode(result))
                made += 1
                if progress is not None:
                    progress(made, expected)
        except av.FFmpegError as error:
            if stream is None:
                raise
            short = f"the clip can't be read past {made} frames ({error.strerror})"
        if stream is None:
            raise InputError("has no frame that can be read", file=name, fix="copy it from the card again")
        target.mux(stream.encode())
        shape = (stream.width, stream.height)
    return Made(frames=made, size_px=shape, sound=copied is not None, cut_short=short)


def _demuxed(clip: Any, video: Any, sound: Any) -> Iterator[tuple[str, Any]]:
    """Packets of sound and frames of picture as they come; interlaced pictures as whole ones (FFmpeg's yadif)."""
    graph: Any = None
    for packet in clip.demux(*(s for s in (video, sound) if s is not None)):
        if sound is not None and packet.stream == sound:
            if packet.dts is not None:
                yield "sound", packet
            continue
        for frame in packet.decode():
            if graph is None and frame.interlaced_frame:
                graph = _yadif(video)
            if graph is None:
                yield "picture", frame
                continue
            graph.push(frame)
            with suppress(BlockingIOError):
                while True:
                    yield "picture", graph.pull()


def _yadif(video: Any) -> Any:
    import av

    graph = av.filter.Graph()
    graph.link_nodes(graph.add_buffer(template=video), graph.add("yadif"), graph.add("buffersink")).configure()
    return graph


def _stream(target: Any, first: Any, source: Any, rate: Any, tick: Fraction) -> Any:
    name = encoder()
    stream = target.add_stream(name, rate=rate, options=H264 if name == "libx264" else {})
    stream.width, stream.height, stream.pix_fmt = first.width, first.height, "yuv420p"
    context = stream.codec_context
    context.time_base = tick
    for key in ("color_primaries", "color_trc", "colorspace", "color_range"):  # the numbers are the source's, so is their meaning
        value = getattr(source, key, None)
        if isinstance(value, int) and value > 0:
            with suppress(AttributeError, ValueError):
                setattr(context, key, value)
    return stream


def _mux_sound(target: Any, copied: Any, waiting: list[Any]) -> None:
    import av

    for packet in waiting if copied is not None else ():
        packet.stream = copied
        with suppress(av.FFmpegError):
            target.mux(packet)
    waiting.clear()


def _sound(target: Any, sound: Any) -> Any:
    if sound is None:
        return None
    try:
        return target.add_stream_from_template(sound)
    except (ValueError, OSError):
        return None  # a kind of sound that this kind of file can't hold; said by Made.sound


def _bars_of(source: Path) -> Bars | None:
    """What is not black in any of some frames of a clip."""
    import av

    brightest: Bytes | None = None
    with av.open(str(source)) as clip:
        video = clip.streams.video[0]
        looked = 0
        with suppress(av.FFmpegError):
            for frame in clip.decode(video):
                luma = planes_of(frame)[0]
                brightest = np.array(luma) if brightest is None or brightest.shape != luma.shape else np.maximum(brightest, luma)
                looked += 1
                if looked >= LOOKED_AT:
                    break
    return None if brightest is None else _inside_bars(brightest)


def _inside_bars(luma: Bytes) -> Bars | None:
    """What is not black, where that leaves bars on two opposite sides."""
    rows, columns = np.flatnonzero(luma.max(axis=1) > BLACK), np.flatnonzero(luma.max(axis=0) > BLACK)
    if not len(rows):
        return None
    height, width = luma.shape
    return inside_bars((int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1), (width, height))
